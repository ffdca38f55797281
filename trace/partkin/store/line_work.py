"""What is on its way along a line."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from sqlalchemy import Connection, Row, and_, func, literal_column, select

from partkin.rules.facts import ItemKey
from partkin.store.database import among
from partkin.store.tables import build_order, item, visit


def in_work(
    connection: Connection, parts: Sequence[str], scan_point: str, before: Sequence[str]
) -> Sequence[Row[*tuple[Any, ...]]]:
    """Items of these parts in work that were at a scan point before, but not yet at this one.

    Part, serial number, sequence and code of the order, and when they last were at one of the scan points before; in
    the order of the sequence, then of that time.
    """
    there, here = visit.alias("there"), visit.alias("here")
    # Concatenated: from the few that are in work to their visits, never from all that was ever there.
    there_before = and_(there.c.item_id == item.c.id, among(connection, there.c.scan_point.concat(""), before))
    last = func.max(there.c.last_at)
    query = (
        select(item.c.part, item.c.code, build_order.c.sequence, build_order.c.code.label("order"), last.label("since"))
        .select_from(item)
        .join(there, there_before)
        .outerjoin(here, and_(here.c.item_id == item.c.id, here.c.scan_point == scan_point))
        .outerjoin(build_order, build_order.c.id == item.c.order_id)
        .where(
            item.c.state == literal_column("'in work'"), among(connection, item.c.part, parts), here.c.item_id.is_(None)
        )
        .group_by(item.c.part, item.c.code, build_order.c.sequence, build_order.c.code)
        .order_by(build_order.c.sequence.nulls_last(), last, item.c.part, item.c.code)
    )
    return connection.execute(query).all()


def last_at(connection: Connection, scan_point: str) -> ItemKey | None:
    """The item that was last worked on at a scan point."""
    query = (
        select(item.c.part, item.c.kind, item.c.code)
        .join(visit, visit.c.item_id == item.c.id)
        .where(visit.c.scan_point == scan_point)
        .order_by(visit.c.last_at.desc(), visit.c.item_id.desc())
        .limit(1)
    )
    row = connection.execute(query).first()
    return None if row is None else ItemKey(row.part, row.kind, row.code)
