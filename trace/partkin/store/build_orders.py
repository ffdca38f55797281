"""Orders of units to be built."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from sqlalchemy import Connection, Row, select, tuple_

from partkin.store.tables import build_order, part


def open_orders_after(
    connection: Connection, *, line: str, after: tuple[int, str], limit: int
) -> Sequence[Row[*tuple[Any, ...]]]:
    """Orders of a line of which units are still to be started, in sequence, from the one after `after`."""
    t = build_order.c
    place = (t.sequence, t.code)
    query = (
        select(build_order, part.c.description)
        .join_from(build_order, part, part.c.part == t.part)
        .where(t.line == line, t.started < t.quantity, tuple_(*place) > tuple_(*after))
        .order_by(*place)
        .limit(limit)
    )
    return connection.execute(query).all()
