"""What is on its way along a line."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

from sqlalchemy import Connection, Row, and_, func, literal_column, select, true

from partkin.rules.facts import ItemKey
from partkin.store.column_types import BigId
from partkin.store.dialects import among, dialect_of, given
from partkin.store.genealogy.walks import BEGINNING
from partkin.store.tables import build_order, entry, item, visit


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


_BACK: Final = (*(4**power * 3_600_000_000 for power in range(8)), -BEGINNING)
"""Microseconds before the last entry from which it is sought on PostgreSQL, whose index has no order: an hour first."""


def last_at(connection: Connection, scan_point: str) -> ItemKey | None:
    """The item that was last worked on at a scan point."""
    t = visit.c
    last = select(t.item_id).where(t.scan_point == scan_point).order_by(t.last_at.desc(), t.item_id.desc()).limit(1)
    if dialect_of(connection) == "postgresql":
        back = given(connection, "back", {"microseconds": (BigId, _BACK)})
        latest = select(entry.c.recorded_at).order_by(entry.c.id.desc()).limit(1).scalar_subquery()
        found = last.where(t.last_at >= latest - back.c.microseconds).correlate(back).lateral()
        last = select(found.c.item_id).join_from(back, found, true()).limit(1)
    query = select(item.c.part, item.c.kind, item.c.code).where(item.c.id == last.scalar_subquery())
    row = connection.execute(query).first()
    return None if row is None else ItemKey(row.part, row.kind, row.code)
