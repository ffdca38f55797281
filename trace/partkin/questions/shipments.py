"""Which shipments there are, and what is on them."""

from __future__ import annotations

from typing import Any

from sqlalchemy import Row

from partkin.questions.whereabouts import item_of
from partkin.rules.moments import end_text, text_of
from partkin.store.database import Readable
from partkin.store.genealogy.walks import MARK_LENGTH
from partkin.store.shipments import NOW, content_of, shipment_named, shipments_after


class NoSuchShipment(LookupError):
    """The books have no shipment of this code."""


def list_shipments(
    database: Readable, *, consignee: str | None, despatched: bool | None, after: str, limit: int
) -> list[dict[str, Any]]:
    """Shipments in the order of their codes, from the one after `after`: of one consignee, despatched or not yet."""
    with database.read() as connection:
        rows = shipments_after(connection, of_consignee=consignee, despatched=despatched, after=after, limit=limit)
    return [{**_head(row), "lines": row.lines} for row in rows]


def shipment_content(database: Readable, code: str) -> dict[str, Any]:
    """A shipment with what is on it, down to units; one that was despatched, with what was on it then.

    Raises NoSuchShipment.
    """
    with database.read() as connection:
        found = shipment_named(connection, code)
        if found is None:
            raise NoSuchShipment(f"The books have no shipment {code}.")
        rows = content_of(connection, found.id, min(found.despatched_at, NOW))
    nodes = {row.way: _node(row) for row in rows}
    content: list[dict[str, Any]] = []
    for row in rows:
        siblings = nodes[row.way[:-MARK_LENGTH]]["content"] if row.level else content
        siblings.append(nodes[row.way])
    return {**_head(found), "units": sum(bool(row.sold) for row in rows), "content": content}


def _head(row: Row[*tuple[Any, ...]]) -> dict[str, Any]:
    return {
        "shipment": row.code,
        "consignee": row.consignee,
        "name": row.name,
        "opened_at": text_of(row.opened_at),
        "despatched_at": end_text(row.despatched_at),
        "delivery_note": row.delivery_note,
    }


def _node(row: Row[Any]) -> dict[str, Any]:
    return {
        **item_of(row),
        "description": row.description,
        "state": row.state,
        "unit": bool(row.sold),
        "position": row.position,
        "quantity": row.quantity,
        "since": text_of(row.since),
        "content": [],
    }
