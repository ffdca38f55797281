"""Shipments, and what is on them down to units."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache
from typing import Any

from sqlalchemy import (
    CTE,
    ColumnElement,
    Connection,
    Integer,
    Row,
    Select,
    and_,
    bindparam,
    cast,
    func,
    literal,
    literal_column,
    null,
    select,
)

from partkin.rules.moments import FOREVER, Moment
from partkin.store.column_types import BigId, Code
from partkin.store.dialects import Dialect, dialect_of, earlier
from partkin.store.genealogy.walks import looked_up, mark
from partkin.store.tables import consignee, item, marriage, part, shipment, shipment_line

_lot = item.alias("lot")

NOW: Moment = FOREVER - 1
"""The last moment at which what stands now stands."""


def shipments_after(
    connection: Connection, *, of_consignee: str | None, despatched: bool | None, after: str, limit: int
) -> Sequence[Row[*tuple[Any, ...]]]:
    """Shipments in the order of their codes, from the one after `after`, with how much is loaded on each by itself."""
    t, line = shipment.c, shipment_line.c
    query = _shipments().add_columns(
        select(func.count())
        .where(line.shipment_id == t.id, line.unloaded_at > earlier(t.despatched_at, _NOW))
        .scalar_subquery()
        .label("lines")
    )
    if of_consignee is not None:
        query = query.where(t.consignee == of_consignee)
    if despatched is not None:
        query = query.where(t.despatched_at < FOREVER if despatched else _is_open())
    return connection.execute(query.where(t.code > after).order_by(t.code).limit(limit)).all()


def _is_open() -> ColumnElement[bool]:
    """Not despatched; by consignees, as the index has it: the open shipments are few, and most are despatched."""
    to_anyone = shipment.c.consignee.in_(select(consignee.c.consignee))
    return and_(to_anyone, shipment.c.despatched_at == FOREVER)


_NOW: ColumnElement[Moment] = literal(NOW, BigId)


def shipment_named(connection: Connection, code: str) -> Row[*tuple[Any, ...]] | None:
    """The shipment of a code."""
    return connection.execute(_shipments().where(shipment.c.code == code)).first()


def _shipments() -> Select[*tuple[Any, ...]]:
    rows = shipment.outerjoin(consignee, consignee.c.consignee == shipment.c.consignee)
    return select(shipment, consignee.c.name).select_from(rows)


def content_of(connection: Connection, number: int, at: Moment) -> Sequence[Row[Any]]:
    """What was on a shipment at a moment, and what that held, down to units, from the outside inwards.

    `way` is the way there: that of the holder, and one more mark.
    """
    statement = _content(dialect_of(connection))
    return connection.execute(statement, {"shipment_id": number, "at": at}).all()


@cache
def _content(dialect: Dialect) -> Select[Any]:
    walk = _walk(dialect)
    rows, i = looked_up(dialect, walk, item, item.c.id == walk.c.item, "part", "kind", "code", "state", "lot_id")
    rows, lot = looked_up(dialect, rows, _lot, _lot.c.id == i.c.lot_id, "code", outer=True)
    rows = rows.outerjoin(part, part.c.part == i.c.part)
    return (
        select(
            *(walk.c.level, walk.c.way, walk.c.position, walk.c.quantity, walk.c.since),
            *(i.c.part, i.c.kind, i.c.code, i.c.state, lot.c.code.label("lot"), part.c.description, part.c.sold),
        )
        .select_from(rows)
        .order_by(walk.c.level, i.c.part, i.c.code, walk.c.way)
    )


def _walk(dialect: Dialect) -> CTE:
    """From the lines of the shipment down through packaging only."""
    at = bindparam("at", type_=BigId)
    line = shipment_line.c
    loaded = and_(line.loaded_at <= at, line.unloaded_at > at)
    walk = (
        select(
            *(line.item_id.label("item"), literal_column("0").label("level"), mark(line.id).label("way")),
            *(cast(null(), Code).label("position"), literal_column("1", Integer).label("quantity")),
            line.loaded_at.label("since"),
        )
        .where(line.shipment_id == bindparam("shipment_id", type_=BigId), loaded)
        .cte("walk", recursive=True)
    )
    rows, i = looked_up(dialect, walk, item, item.c.id == walk.c.item, "part")
    rows = rows.join(part, and_(part.c.part == i.c.part, part.c.packaging))
    inside = and_(marriage.c.parent_id == walk.c.item, marriage.c.started <= at, marriage.c.ended > at)
    columns = ("id", "child_id", "position", "quantity", "started")
    rows, m = looked_up(dialect, rows, marriage, and_(inside, ~marriage.c.disputed), *columns)
    way = walk.c.way + mark(m.c.id)
    further = select(m.c.child_id, walk.c.level + 1, way, m.c.position, m.c.quantity, m.c.started)
    return walk.union_all(further.select_from(rows))
