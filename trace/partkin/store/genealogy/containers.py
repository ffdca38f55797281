"""Containers: where the pieces of lots went when these were split and merged."""

from __future__ import annotations

from typing import Any

from sqlalchemy import (
    CTE,
    ColumnElement,
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

from partkin.rules.moments import FOREVER
from partkin.store.column_types import BigId
from partkin.store.genealogy.walks import BEGINNING
from partkin.store.tables import item, receipt, transfer

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


def sources_of(lots: FromClause) -> Select[*tuple[Any, ...]]:
    """All that went into some containers (`lot_id`), and into what went into them, at every level.

    `id` of the transfer, `target_id`, the `lot_id` that went in, `at`, and whether the container was also `received` as
    it is, and so may hold other pieces.
    """
    walk = select(lots.c.lot_id.label("item")).cte("source_walk", recursive=True)
    t = transfer.c
    walk = walk.union(select(t.source_id).select_from(walk).join(transfer, t.target_id == walk.c.item))
    received = exists().where(receipt.c.lot_id == t.target_id)
    return (
        select(
            *(t.id, t.target_id, t.source_id.label("lot_id"), t.occurred_at.label("at"), received.label("received")),
            *(item.c.part, item.c.code),
        )
        .select_from(walk)
        .join(transfer, t.target_id == walk.c.item)
        .join(item, item.c.id == t.source_id)
    )
