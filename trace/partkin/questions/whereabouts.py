"""Where an item is now: in what, on which shipment, at which scan point, or where it went."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterator, Mapping, Sequence
from itertools import pairwise
from typing import Any

from sqlalchemy import Row

from partkin.questions.asked_items import Asked, find_item
from partkin.rules.facts import FACTS_PER_ENTRY, ItemKey
from partkin.rules.facts_json import item_json
from partkin.rules.moments import FOREVER, end_text, text_of
from partkin.store.database import Readable
from partkin.store.genealogy.whereabouts import holding, standing, told_of

Told = Mapping[str, Sequence[Row[Any]]]
"""What the books say of an item, by what it is."""

_GONE = frozenset({"scrapped", "returned", "in analysis", "came back"})


def where_is(database: Readable, asked: Asked) -> dict[str, Any]:
    """Where a serial item or a lot is now. Raises NoSuchItem and AmbiguousItem."""
    with database.read() as connection:
        number = find_item(connection, asked)
        rows = standing(connection, [number])
        own = rows[0]
        told = _told(told_of(connection, [number] if own.lot_id is None else [number, own.lot_id]), number)
        holders = holding(connection, number) if own.kind == "lot" else ()
    where = standing_json(rows)
    return {
        **where,
        "left": _left(told) if own.kind == "serial" and not where["inside"] else None,
        "customer_return": _last(told["return"], _customer_return),
        "order": own.order,
        "holds": [_hold(row, own) for row in told["hold"]],
        "pieces": None if own.kind == "serial" else _pieces(own, told, holders),
    }


def standing_json(rows: Sequence[Row[Any]]) -> dict[str, Any]:
    """An item, and all that it stands in, from its rows of `standing`."""
    chain = [row for row in rows if not row.disputed]
    own, top = chain[0], chain[-1]
    seen = next((row for row in reversed(chain) if row.scan_point is not None), None)
    return {
        **item_of(own),
        "description": own.description,
        "state": own.state,
        "place": _place(own, top, len(chain)),
        "shipment": None if top.shipment is None else _shipment(top),
        "last_seen": None if seen is None else _seen(seen),
        "inside": [_inside(*pair) for pair in pairwise(chain)],
        "said_to_be_in": [_inside(chain[row.level - 1], row) for row in rows if row.disputed],
    }


def item_of(row: Row[Any]) -> dict[str, Any]:
    """The item of a row of `standing`: a serial item also with the lot that its label or receipt names."""
    serial = row.kind == "serial"
    return {"part": row.part, "serial": row.code if serial else None, "lot": row.lot if serial else row.code}


def _place(own: Row[Any], top: Row[Any], levels: int) -> str | None:
    if top.shipment is not None:
        return "on a shipment" if top.despatched_at == FOREVER else "despatched"
    if levels > 1:
        return "inside"
    if own.kind == "lot":
        return None
    if own.state in _GONE:
        return str(own.state)
    return "in stock" if own.scan_point is None else "at a scan point"


def _shipment(row: Row[Any]) -> dict[str, Any]:
    return {
        "shipment": row.shipment,
        "consignee": row.consignee,
        "name": row.name,
        "loaded_at": text_of(row.loaded_at),
        "despatched_at": end_text(row.despatched_at),
        "delivery_note": row.delivery_note,
    }


def _seen(row: Row[Any]) -> dict[str, Any]:
    return {
        **item_of(row),
        "scan_point": row.scan_point,
        "description": row.scan_point_description,
        "at": text_of(row.seen_at),
    }


def _inside(held: Row[Any], holder: Row[Any]) -> dict[str, Any]:
    """What something stands in, and where in it: the marriage is on the row of the holder."""
    return {
        **item_of(holder),
        "description": holder.description,
        "state": holder.state,
        "position": holder.position,
        "slot": holder.slot,
        "since": text_of(holder.started),
        "marriage": holder.marriage,
        "entry": holder.marriage // FACTS_PER_ENTRY,
        "holds": item_json(ItemKey(held.part, held.kind, held.code)),
    }


# -- what was said of it


def _told(rows: Sequence[Row[Any]], number: int) -> Told:
    """By what it is; of its lot only the holds."""
    told: dict[str, list[Row[Any]]] = defaultdict(list)
    for row in rows:
        if row.item_id == number or row.what == "hold":
            told[row.what].append(row)
    return told


def _last(rows: Sequence[Row[Any]], form: Callable[[Row[Any]], dict[str, Any]]) -> dict[str, Any] | None:
    return form(rows[-1]) if rows else None


def _left(told: Told) -> dict[str, Any] | None:
    """Where it went last, of what was taken out or disposed of."""
    rows = sorted((*told["removal"], *told["disposition"]), key=lambda row: (row.at, row.id))
    return _last(rows, _departure)


def _departure(row: Row[Any]) -> dict[str, Any]:
    return {
        "out_of": _other(row),
        "destination": row.code,
        "reason": row.reason,
        "at": text_of(row.at),
        "scan_point": row.scan_point,
        "operator": row.operator,
        "entry": row.id // FACTS_PER_ENTRY,
    }


def _customer_return(row: Row[Any]) -> dict[str, Any]:
    return {
        "consignee": row.code,
        "name": row.name,
        "reason": row.reason,
        "at": text_of(row.at),
        "entry": row.id // FACTS_PER_ENTRY,
    }


def _hold(row: Row[Any], own: Row[Any]) -> dict[str, Any]:
    of_lot = own.kind == "serial" and row.item_id == own.lot_id
    return {
        "hold": row.id,
        "item": {"part": own.part, "lot": own.lot} if of_lot else item_json(ItemKey(own.part, own.kind, own.code)),
        "reason": row.reason,
        "discrepancy": row.discrepancy,
        "placed_at": text_of(row.at),
        "placed_by": row.code,
    }


def _other(row: Row[Any]) -> dict[str, str] | None:
    return None if row.other_id is None else item_json(ItemKey(row.other_part, row.other_kind, row.other_code))


# -- pieces of a lot


def _pieces(own: Row[Any], told: Told, holders: Sequence[Row[Any]]) -> dict[str, Any]:
    """Where the pieces of a lot are, as far as they are counted."""
    received = [row.quantity for row in (*told["receipt"], *told["source"])]
    built_in = holders[0].pieces if holders else 0
    disposed = sum(row.quantity for row in told["disposition"] if row.code != "stock")
    back = sum(row.quantity for row in told["disposition"] if row.code == "stock")
    moved = sum(row.quantity for row in told["target"])
    counted = own.received is not None
    return {
        "received": sum(received) if received else None,
        "built_in": built_in,
        "disposed": disposed,
        "back_to_stock": back,
        "transferred": moved,
        "taken_out": own.used - built_in - disposed + back - moved if counted else None,
        "left": own.received - own.used if counted else None,
        "opened_at": None if own.opened_at is None else text_of(own.opened_at),
        "expires_on": None if own.expires_on is None else own.expires_on.isoformat(),
        "loaded": [_loaded(row) for row in told["loading"]],
        "split_into": [_moved(row) for row in told["target"]],
        "came_from": [_moved(row) for row in told["source"]],
        "dispositions": [{**_departure(row), "quantity": row.quantity} for row in told["disposition"]],
        "units": list(_counted(holders, units=True)),
        "in_stock_subassemblies": list(_counted(holders, units=False)),
    }


def _loaded(row: Row[Any]) -> dict[str, Any]:
    return {
        "scan_point": row.use_scan_point,
        "position": row.use_position,
        "feeder": row.code,
        "since": text_of(row.at),
        "quantity": row.quantity,
        "left": row.left,
    }


def _moved(row: Row[Any]) -> dict[str, Any]:
    return {"item": _other(row), "quantity": row.quantity, "at": text_of(row.at), "entry": row.id // FACTS_PER_ENTRY}


def _counted(holders: Sequence[Row[Any]], *, units: bool) -> Iterator[dict[str, Any]]:
    for row in holders:
        if bool(row.unit) == units:
            yield {"part": row.part, "description": row.description, "state": row.state, "items": row.items}
