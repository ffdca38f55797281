"""Which units there are."""

from __future__ import annotations

from typing import Any

from partkin.rules.facts import ItemState
from partkin.rules.moments import text_of
from partkin.store.catalogue import read_catalogue
from partkin.store.database import Database
from partkin.store.items import units_after


def list_units(
    database: Database, *, part: str | None, state: ItemState | None, after: tuple[str, str], limit: int
) -> list[dict[str, Any]]:
    """Units (or the built items of one part) in order of part and serial number."""
    with database.read() as connection:
        units = [row.part for row in read_catalogue(connection).parts if row.sold] if part is None else [part]
        rows = units_after(connection, parts=units, state=state, after=after, limit=limit)
    return [
        {
            "part": row.part,
            "serial": row.code,
            "state": row.state,
            "started_at": None if row.started_at is None else text_of(row.started_at),
        }
        for row in rows
    ]
