"""Containers: where the pieces of lots went when these were split and merged."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache
from typing import Any, NamedTuple

from sqlalchemy import (
    CTE,
    ColumnElement,
    Connection,
    FromClause,
    Select,
    and_,
    exists,
    false,
    func,
    literal,
    or_,
    select,
)

from partkin.rules.moments import FOREVER, Moment
from partkin.store.database import BigId, Dialect, dialect_of, given_rows, row_parameters
from partkin.store.tables import receipt, transfer
from partkin.store.walks import BEGINNING

_other = transfer.alias("other_transfer")


def containers_of(lots: FromClause, name: str = "") -> CTE:
    """The containers that some lots (`id`) went into, at every level.

    `item`, the `lot` that some of is in it, `since` when, whether that is `doubtful` from the first, and
    `certain_until` when all that went into it came from that lot. Several in one statement are told apart by `name`.
    """
    start = select(
        lots.c.id.label("item"),
        lots.c.id.label("lot"),
        literal(BEGINNING, BigId).label("since"),
        false().label("doubtful"),
        literal(FOREVER, BigId).label("certain_until"),
        literal(0).label("level"),
    )
    walk = start.cte(f"container_walk{name}", recursive=True)
    t = transfer.c
    further = (
        select(
            t.target_id,
            walk.c.lot,
            t.occurred_at,
            or_(walk.c.doubtful, t.occurred_at >= walk.c.certain_until, _mixed_before()),
            _mixed_from(),
            walk.c.level + 1,
        )
        .select_from(walk)
        .join(transfer, and_(t.source_id == walk.c.item, t.occurred_at >= walk.c.since))
    )
    walk = walk.union(further)
    return select(walk).where(walk.c.level > 0).cte(f"container{name}")


def _mixed_before() -> ColumnElement[bool]:
    """Whether something else was in the container when the pieces went in."""
    t = transfer.c
    from_another = and_(_other.c.target_id == t.target_id, _other.c.source_id != t.source_id)
    return or_(
        exists().where(from_another, _other.c.occurred_at <= t.occurred_at),
        exists().where(receipt.c.lot_id == t.target_id),
    )


def _mixed_from() -> ColumnElement[int]:
    """When something else went into it afterwards."""
    t = transfer.c
    first = select(func.min(_other.c.occurred_at)).where(
        _other.c.target_id == t.target_id, _other.c.source_id != t.source_id, _other.c.occurred_at > t.occurred_at
    )
    return func.coalesce(first.scalar_subquery(), literal(FOREVER, BigId))


class Poured(NamedTuple):
    """Pieces of a lot that went into a container."""

    target_id: int
    source_id: int
    at: Moment
    received: bool
    """Whether the container was also received as it is, and so may hold other pieces."""


def sources_of(connection: Connection, lots: Sequence[int]) -> Sequence[Poured]:
    """All that went into some containers, and into what went into them, at every level."""
    rows = connection.execute(_sources(dialect_of(connection)), row_parameters(connection, {"item": lots}))
    return [Poured(*row) for row in rows]


@cache
def _sources(dialect: Dialect) -> Select[Any]:
    asked = given_rows(dialect, "asked", {"item": BigId})
    walk = select(asked.c.item).cte("source_walk", recursive=True)
    t = transfer.c
    walk = walk.union(select(t.source_id).select_from(walk).join(transfer, t.target_id == walk.c.item))
    received = exists().where(receipt.c.lot_id == t.target_id)
    return (
        select(t.target_id, t.source_id, t.occurred_at, received)
        .select_from(walk)
        .join(transfer, t.target_id == walk.c.item)
        .order_by(t.target_id, t.occurred_at, t.id)
    )
