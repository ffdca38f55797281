"""Where items are: what they stand in up to the top, what is up at points of use, and where pieces of lots went.

Statements are made once for each engine; the items asked for come with each execution.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import cache
from typing import Any

from sqlalchemy import (
    CTE,
    Boolean,
    ColumnElement,
    Connection,
    FromClause,
    Row,
    Select,
    Text,
    and_,
    case,
    cast,
    false,
    func,
    literal,
    literal_column,
    null,
    or_,
    select,
    true,
    union_all,
)
from sqlalchemy.types import TypeEngine

from partkin.rules.facts import FACTS_PER_ENTRY, ItemKey
from partkin.rules.moments import FOREVER
from partkin.store.column_types import BigId, Code
from partkin.store.dialects import Dialect, among_values, dialect_of, given_rows, row_parameters, value_parameters
from partkin.store.genealogy.walks import looked_up
from partkin.store.tables import (
    build_order,
    consignee,
    customer_return,
    disposition,
    entry,
    hold,
    item,
    loading,
    marriage,
    part,
    point_of_use,
    receipt,
    removal,
    scan_point,
    shipment,
    shipment_line,
    transfer,
    visit,
)

# -- which item


def items_of_keys(connection: Connection, keys: Sequence[ItemKey]) -> dict[ItemKey, int]:
    """The numbers of those of some items that the books have, in the order of their parts."""
    columns = dict(zip(ItemKey._fields, zip(*keys, strict=True), strict=True))
    found = connection.execute(_items_of_keys(dialect_of(connection)), row_parameters(connection, columns))
    return {ItemKey(row.part, row.kind, row.code): row.id for row in found}


@cache
def _items_of_keys(dialect: Dialect) -> Select[Any]:
    t = item.c
    key = given_rows(dialect, "key", dict.fromkeys(ItemKey._fields, Code))
    same = and_(t.part == key.c.part, t.kind == key.c.kind, t.code == key.c.code)
    return select(t.id, t.part, t.kind, t.code).join_from(key, item, same).order_by(t.part, t.kind)


def part_numbers(connection: Connection, *, packaging: bool) -> Sequence[str]:
    """All part numbers of the catalogue, or those of cartons and pallets."""
    return connection.scalars(select(part.c.part).where(part.c.packaging if packaging else true())).all()


# -- what it stands in

_lot = item.alias("lot")
_seen_at = visit.alias("seen_at")

_OF_ITEM = ("part", "kind", "code", "state", "lot_id", "order_id", "received", "used", "opened_at", "expires_on")


def standing(connection: Connection, roots: Sequence[int]) -> Sequence[Row[Any]]:
    """Some items, and all that they stand in now, from each of them upwards.

    `level` is 0 for the item itself. A serial item stands in one holder; what is said against the books is `disputed`,
    and nothing is followed beyond it. Lots, which are in many, are not followed.
    """
    statement = _standing(dialect_of(connection))
    return connection.execute(statement, row_parameters(connection, {"item": roots})).all()


@cache
def _standing(dialect: Dialect) -> Select[Any]:
    walk = _walk_up(dialect)
    rows, m = looked_up(
        dialect, walk, marriage, marriage.c.id == walk.c.marriage, "position", "slot", "started", outer=True
    )
    rows, i = looked_up(dialect, rows, item, item.c.id == walk.c.item, *_OF_ITEM)
    rows, lot = looked_up(dialect, rows, _lot, _lot.c.id == i.c.lot_id, "code", outer=True)
    on_shipment = and_(shipment_line.c.item_id == walk.c.item, shipment_line.c.unloaded_at == FOREVER)
    rows, line = looked_up(dialect, rows, shipment_line, on_shipment, "shipment_id", "loaded_at", outer=True)
    columns = ("code", "consignee", "despatched_at", "delivery_note")
    rows, s = looked_up(dialect, rows, shipment, shipment.c.id == line.c.shipment_id, *columns, outer=True)
    rows, seen = looked_up(dialect, rows, visit, _last_visit(walk), "scan_point", "last_at", outer=True)
    rows = rows.outerjoin(consignee, consignee.c.consignee == s.c.consignee)
    rows = rows.outerjoin(scan_point, scan_point.c.scan_point == seen.c.scan_point)
    rows = rows.outerjoin(build_order, build_order.c.id == i.c.order_id)
    rows = rows.outerjoin(part, part.c.part == i.c.part)
    return (
        select(
            *(walk.c.root, walk.c.level, walk.c.item, walk.c.marriage, walk.c.disputed),
            *(m.c.position, m.c.slot, m.c.started, *(i.c[name] for name in _OF_ITEM)),
            *(lot.c.code.label("lot"), part.c.description, part.c.sold, build_order.c.code.label("order")),
            *(s.c.code.label("shipment"), s.c.consignee, consignee.c.name, line.c.loaded_at),
            *(s.c.despatched_at, s.c.delivery_note, seen.c.scan_point, seen.c.last_at.label("seen_at")),
            scan_point.c.description.label("scan_point_description"),
        )
        .select_from(rows)
        .order_by(walk.c.root, walk.c.level, walk.c.marriage)
    )


def _walk_up(dialect: Dialect) -> CTE:
    root = given_rows(dialect, "root", {"item": BigId})
    walk = select(
        *(root.c.item.label("root"), root.c.item, literal(None, BigId).label("marriage")),
        *(literal(0).label("level"), false().label("disputed")),
    ).cte("walk", recursive=True)
    holds = and_(marriage.c.child_id == walk.c.item, marriage.c.child_is_serial, marriage.c.ended == FOREVER)
    rows, m = looked_up(dialect, walk, marriage, holds, "id", "parent_id", "disputed")
    further = select(walk.c.root, m.c.parent_id, m.c.id, walk.c.level + 1, m.c.disputed).select_from(rows)
    return walk.union_all(further.where(~walk.c.disputed))


def _last_visit(walk: FromClause) -> ColumnElement[bool]:
    t = _seen_at.c
    last = select(t.scan_point).where(t.item_id == walk.c.item).order_by(t.last_at.desc(), t.scan_point.desc()).limit(1)
    return and_(visit.c.item_id == walk.c.item, visit.c.scan_point == last.correlate(walk).scalar_subquery())


# -- what else the books say

_COLUMNS: Mapping[str, TypeEngine[Any]] = {
    "id": BigId,
    "item_id": BigId,
    "at": BigId,
    "quantity": BigId,
    "left": BigId,
    "code": Text(),
    "reason": Text(),
    "discrepancy": Boolean(),
    "other_id": BigId,
    "point_of_use_id": BigId,
}


def told_of(connection: Connection, items: Sequence[int]) -> Sequence[Row[Any]]:
    """What is in force or was done with some items, `what` by `what`, each in the order in which it happened.

    hold (in force), removal (of serial items), disposition, return (from a customer), loading (in force), source and
    target (of a transfer), receipt (of a lot). `other` is the item that it came out of or went into.
    """
    return connection.execute(_told(dialect_of(connection)), value_parameters(connection, items)).all()


@cache
def _told(dialect: Dialect) -> Select[Any]:
    told = union_all(*_tellers(dialect)).subquery("told")
    columns = ("part", "kind", "code")
    rows, other = looked_up(dialect, told, item, item.c.id == told.c.other_id, *columns, outer=True)
    rows, e = looked_up(
        dialect, rows, entry, entry.c.id == told.c.id // FACTS_PER_ENTRY, "scan_point", "operator", outer=True
    )
    rows = rows.outerjoin(point_of_use, point_of_use.c.id == told.c.point_of_use_id)
    rows = rows.outerjoin(consignee, consignee.c.consignee == told.c.code)
    return (
        select(
            told,
            *(other.c[name].label(f"other_{name}") for name in columns),
            *(e.c.scan_point, e.c.operator, consignee.c.name),
            *(point_of_use.c.scan_point.label("use_scan_point"), point_of_use.c.position.label("use_position")),
        )
        .select_from(rows)
        .order_by(told.c.at, told.c.id)
    )


def _tellers(dialect: Dialect) -> Sequence[Select[Any]]:
    h, r, d, c, ld, t, rc = (
        table.c for table in (hold, removal, disposition, customer_return, loading, transfer, receipt)
    )

    def teller(what: str, owner: ColumnElement[Any], number: ColumnElement[Any], **columns: Any) -> Select[Any]:
        given: Mapping[str, Any] = {"id": number, "item_id": owner, **columns}
        filled = (given.get(name, cast(null(), kind)).label(name) for name, kind in _COLUMNS.items())
        return select(literal_column(f"'{what}'", Text()).label("what"), *filled).where(among_values(dialect, owner))

    of_serial = select(item.c.id).where(item.c.id == r.child_id, item.c.kind == "serial").exists()
    out = {"at": r.occurred_at, "code": r.destination, "reason": r.reason, "other_id": r.parent_id}
    disposed = {"at": d.occurred_at, "quantity": d.quantity, "code": d.destination, "reason": d.reason}
    held = {"at": h.placed_at, "code": h.placed_by, "reason": h.reason, "discrepancy": h.discrepancy}
    up = {
        "at": ld.loaded_at,
        "quantity": ld.quantity,
        "left": ld.quantity - ld.drawn,
        "code": ld.feeder,
        "point_of_use_id": ld.point_of_use_id,
    }
    moved = {"at": t.occurred_at, "quantity": t.quantity}
    return (
        teller("hold", h.item_id, h.id, **held).where(h.released_at == FOREVER),
        teller("removal", r.child_id, r.id, **out).where(of_serial, ~r.wrong),
        teller("disposition", d.item_id, d.id, **disposed),
        teller("return", c.item_id, c.id, at=c.occurred_at, code=c.consignee, reason=c.reason),
        teller("loading", ld.lot_id, ld.id, **up).where(ld.unloaded_at == FOREVER),
        teller("source", t.target_id, t.id, other_id=t.source_id, **moved),
        teller("target", t.source_id, t.id, other_id=t.target_id, **moved),
        teller("receipt", rc.lot_id, rc.id, at=rc.received_at, quantity=rc.quantity),
    )


# -- what holds a lot


def holding(connection: Connection, lot: int) -> Sequence[Row[Any]]:
    """What holds pieces of a lot now, counted by `part` and `state`: units, and built items that are in no unit.

    `pieces` is how many pieces are in something now, on each row.
    """
    return connection.execute(_holding(dialect_of(connection)), value_parameters(connection, [lot])).all()


@cache
def _holding(dialect: Dialect) -> Select[Any]:
    first = and_(among_values(dialect, marriage.c.child_id), marriage.c.ended == FOREVER)
    walk = select(marriage.c.parent_id.label("item"), marriage.c.parent_is_unit.label("unit")).where(first)
    up = walk.cte("up", recursive=True)
    holder = and_(
        marriage.c.child_id == up.c.item,
        *(marriage.c.child_is_serial, marriage.c.ended == FOREVER, ~marriage.c.disputed),
    )
    rows, m = looked_up(dialect, up, marriage, holder, "parent_id", "parent_is_unit")
    up = up.union(select(m.c.parent_id, m.c.parent_is_unit).select_from(rows).where(~up.c.unit))
    inside = select(marriage.c.id).where(
        *(marriage.c.child_id == up.c.item, marriage.c.child_is_serial, marriage.c.ended == FOREVER),
        ~marriage.c.disputed,
    )
    rows, i = looked_up(dialect, up, item, item.c.id == up.c.item, "part", "state")
    pieces = select(func.coalesce(func.sum(marriage.c.quantity), 0)).where(first).scalar_subquery()
    counted = (i.c.part, part.c.description, i.c.state, up.c.unit)
    return (
        select(*counted, func.count().label("items"), pieces.label("pieces"))
        .select_from(rows.outerjoin(part, part.c.part == i.c.part))
        .where(or_(up.c.unit, ~inside.exists()))
        .group_by(*counted)
        .order_by(case((up.c.unit, 0), else_=1), i.c.part, i.c.state)
    )
