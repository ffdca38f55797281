"""Genealogy downwards: what items hold at every level, each component with what the books say of it.

Statements are made once for each engine; the items asked for come with each execution.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any

from sqlalchemy import (
    CTE,
    ColumnElement,
    Connection,
    FromClause,
    Row,
    Select,
    and_,
    bindparam,
    func,
    literal,
    not_,
    or_,
    select,
    true,
)

from partkin.rules.facts import FACTS_PER_ENTRY, ItemKey, ItemKind
from partkin.rules.moments import FOREVER, Moment
from partkin.store.database import (
    BigId,
    Dialect,
    among,
    among_values,
    dialect_of,
    earlier,
    given_rows,
    later,
    row_parameters,
    value_parameters,
)
from partkin.store.tables import (
    characteristic,
    entry,
    hold,
    item,
    marriage,
    measurement,
    part,
    point_of_use,
    receipt,
    removal,
    scan_point,
    stale,
    test_run,
    visit,
)
from partkin.store.walks import BEGINNING, looked_up, mark

_AS_OF = bindparam("as_of", type_=BigId)


@dataclass(frozen=True, slots=True)
class Sight:
    """What is looked at: what was in at a moment (None: what is in now), and, where wanted, what has been removed."""

    as_of: Moment | None = None
    removed: bool = False

    @property
    def timed(self) -> bool:
        """Whether a moment is asked for."""
        return self.as_of is not None

    @property
    def parameters(self) -> dict[str, Any]:
        """What statements made for a sight that is timed take."""
        return {"as_of": self.as_of} if self.timed else {}


def _up_to(moment: ColumnElement[Moment], *, timed: bool) -> ColumnElement[bool]:
    """Whether something had happened by then."""
    return moment <= _AS_OF if timed else true()


def _lasting(ended: ColumnElement[Moment], *, timed: bool) -> ColumnElement[bool]:
    """Whether something had not ended by then."""
    return ended > _AS_OF if timed else ended == FOREVER


# -- which items


def items_named(connection: Connection, kind: ItemKind, code: str, of_part: str | None) -> list[tuple[int, str]]:
    """Items of a serial number or lot, of one part or of any: their numbers and parts."""
    parts = [of_part] if of_part is not None else connection.scalars(select(part.c.part)).all()
    t = item.c
    query = select(t.id, t.part).where(among(connection, t.part, parts), t.kind == kind, t.code == code)
    return [(row.id, row.part) for row in connection.execute(query.order_by(t.part))]


def items_by_id(connection: Connection, ids: Sequence[int]) -> dict[int, ItemKey]:
    """What items are called, by their numbers."""
    found = connection.execute(_items_by_id(dialect_of(connection)), value_parameters(connection, ids))
    return {row.id: ItemKey(row.part, row.kind, row.code) for row in found.all()}


@cache
def _items_by_id(dialect: Dialect) -> Select[Any]:
    t = item.c
    return select(t.id, t.part, t.kind, t.code).where(among_values(dialect, t.id))


def units_started(
    connection: Connection, of_part: str | None, since: Moment, until: Moment, chunk: int
) -> Iterator[list[int]]:
    """The numbers of units (or built items of one part) started in a time, in that order, a chunk at a time."""
    wanted = part.c.sold if of_part is None else part.c.part == of_part
    t = item.c
    query = (
        select(t.id)
        .where(t.started_at >= since, t.started_at < until, t.part.in_(select(part.c.part).where(wanted)))
        .order_by(t.started_at, t.id)
        .execution_options(yield_per=chunk)
    )
    for rows in connection.execute(query).partitions():
        yield [row.id for row in rows]


# -- the tree

_lot = item.alias("lot")

_OF_MARRIAGE = (
    *("child_id", "parent_id", "position", "slot", "quantity", "started", "ended", "disputed", "point_of_use_id"),
)
_OF_ITEM = ("part", "kind", "code", "lot_id", "receipt_id", "produced_on", "expires_on", "state", "started_at")
_OF_ENTRY = ("scan_point", "operator", "occurred_at", "recorded_at")


def tree_rows(connection: Connection, roots: Sequence[int], sight: Sight) -> Sequence[Row[Any]]:
    """The items, and all that they hold at every level, in no order.

    `way` is the way down from a root: that of its holder, and one more mark. `level` is 0 for a root.
    """
    statement = _tree(dialect_of(connection), timed=sight.timed, removed=sight.removed)
    return connection.execute(statement, {**row_parameters(connection, {"item": roots}), **sight.parameters}).all()


@cache
def _tree(dialect: Dialect, *, timed: bool, removed: bool) -> Select[Any]:
    walk = _walk_down(dialect, timed=timed, removed=removed)
    rows, m = looked_up(dialect, walk, marriage, marriage.c.id == walk.c.marriage, *_OF_MARRIAGE, outer=True)
    rows, i = looked_up(dialect, rows, item, item.c.id == walk.c.item, *_OF_ITEM, outer=True)
    rows, lot = looked_up(dialect, rows, _lot, _lot.c.id == i.c.lot_id, "code", outer=True)
    number = walk.c.marriage // FACTS_PER_ENTRY
    rows, e = looked_up(dialect, rows, entry, entry.c.id == number, *_OF_ENTRY, outer=True)
    rows = rows.outerjoin(part, part.c.part == i.c.part)
    rows = rows.outerjoin(point_of_use, point_of_use.c.id == m.c.point_of_use_id)
    rows = rows.outerjoin(scan_point, scan_point.c.scan_point == point_of_use.c.scan_point)
    return select(
        *(walk.c.level, walk.c.way, walk.c.item, walk.c.marriage),
        *(m.c[name] for name in _OF_MARRIAGE),
        *(i.c[name] for name in _OF_ITEM),
        *(e.c[name] for name in _OF_ENTRY),
        lot.c.code.label("lot"),
        number.label("entry"),
        part.c.description,
        _supplier(walk.c.item, i).label("supplier"),
        scan_point.c.changeover_slack,
    ).select_from(rows)


def _walk_down(dialect: Dialect, *, timed: bool, removed: bool) -> CTE:
    root = given_rows(dialect, "root", {"item": BigId})
    walk = select(
        root.c.item,
        literal(None, BigId).label("marriage"),
        literal(0).label("level"),
        literal(BEGINNING, BigId).label("lo"),
        literal(FOREVER, BigId).label("hi"),
        mark(root.c.item).label("way"),
    ).cte("walk", recursive=True)
    inside = and_(marriage.c.parent_id == walk.c.item, not_(marriage.c.wrong), _up_to(marriage.c.started, timed=timed))
    if not removed:
        inside = and_(inside, _lasting(marriage.c.ended, timed=timed))
    rows, m = looked_up(dialect, walk, marriage, inside, "id", "child_id", "started", "ended")
    lo, hi = later(walk.c.lo, m.c.started), earlier(walk.c.hi, m.c.ended)
    further = select(m.c.child_id, m.c.id, walk.c.level + 1, lo, hi, walk.c.way + mark(m.c.id)).select_from(rows)
    # A component that was taken out before its holder came here, or put in after that left, never was here.
    return walk.union_all(further.where(or_(walk.c.level == 0, lo < hi)))


def _supplier(number: ColumnElement[int], i: FromClause) -> ColumnElement[str]:
    """Who delivered it: by its own receipt, by that of its lot, or by the catalogue."""
    own = select(receipt.c.supplier).where(receipt.c.id == i.c.receipt_id)
    of_lot = select(receipt.c.supplier).where(receipt.c.lot_id == func.coalesce(i.c.lot_id, number))
    first_of_lot = of_lot.order_by(receipt.c.id).limit(1)
    return func.coalesce(own.scalar_subquery(), first_of_lot.scalar_subquery(), part.c.supplier)


# -- what else the books say of items


def removals_from(connection: Connection, parents: Sequence[int]) -> Sequence[Row[Any]]:
    """What was taken out of items, when, why, and where it went."""
    return connection.execute(_removals(dialect_of(connection)), value_parameters(connection, parents)).all()


@cache
def _removals(dialect: Dialect) -> Select[Any]:
    t = removal.c
    columns = (t.parent_id, t.child_id, t.position, t.occurred_at, t.reason, t.destination)
    return select(*columns).where(among_values(dialect, t.parent_id), not_(t.wrong)).order_by(t.id)


def test_results(connection: Connection, items: Sequence[int], sight: Sight) -> Sequence[Row[Any]]:
    """The results of all test runs, in order: of each result its run, its limits, and since when the plan is stale."""
    return _of_items(connection, _test_results(dialect_of(connection), timed=sight.timed), items, sight)


@cache
def _test_results(dialect: Dialect, *, timed: bool) -> Select[Any]:
    r, m, c = test_run.c, measurement.c, characteristic.c
    return (
        select(
            *(r.id, r.item_id, r.plan, r.instrument, r.occurred_at, r.verdict, stale.c.at.label("stale_at")),
            *(m.characteristic, m.value, m.good, m.within, c.description, c.unit, m.lower, m.upper),
            *(r.tester, r.revision),
        )
        .outerjoin(stale, and_(stale.c.item_id == r.item_id, stale.c.plan == r.plan))
        .outerjoin(measurement, m.test_run_id == r.id)
        .outerjoin(characteristic, and_(c.plan == r.plan, c.characteristic == m.characteristic))
        .where(among_values(dialect, r.item_id), not_(r.wrong), _up_to(r.occurred_at, timed=timed))
        .order_by(r.occurred_at, r.id, m.characteristic)
    )


def open_holds(connection: Connection, items: Sequence[int], sight: Sight) -> Sequence[Row[Any]]:
    """Holds in force on items, in the order they were placed."""
    return _of_items(connection, _open_holds(dialect_of(connection), timed=sight.timed), items, sight)


@cache
def _open_holds(dialect: Dialect, *, timed: bool) -> Select[Any]:
    t = hold.c
    in_force = (_up_to(t.placed_at, timed=timed), _lasting(t.released_at, timed=timed))
    return select(hold).where(among_values(dialect, t.item_id), *in_force).order_by(t.id)


def visits_of(connection: Connection, items: Sequence[int], sight: Sight) -> Sequence[Row[Any]]:
    """Where items were worked on, in the order of their first visits."""
    return _of_items(connection, _visits(dialect_of(connection), timed=sight.timed), items, sight)


@cache
def _visits(dialect: Dialect, *, timed: bool) -> Select[Any]:
    t = visit.c
    there = (among_values(dialect, t.item_id), _up_to(t.first_at, timed=timed))
    return select(visit).where(*there).order_by(t.first_at, t.scan_point)


def _of_items(connection: Connection, statement: Select[Any], items: Sequence[int], sight: Sight) -> Sequence[Row[Any]]:
    return connection.execute(statement, {**value_parameters(connection, items), **sight.parameters}).all()
