"""Genealogy downwards: what items hold at every level, each component with what the books say of it.

Statements are made once for each engine; the items asked for come with each execution.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from functools import cache
from operator import attrgetter
from typing import Any, NamedTuple

from sqlalchemy import (
    CTE,
    ColumnElement,
    Connection,
    FromClause,
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
from partkin.store.column_types import BigId, Code
from partkin.store.dialects import (
    Dialect,
    among_values,
    dialect_of,
    earlier,
    given_rows,
    later,
    row_parameters,
    stacked,
    value_parameters,
)
from partkin.store.genealogy.walks import BEGINNING, looked_up, mark
from partkin.store.statements import Query
from partkin.store.tables import (
    characteristic,
    entry,
    hold,
    item,
    marriage,
    measurement,
    part,
    receipt,
    removal,
    stale,
    test_run,
    visit,
)

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

_OF_MARRIAGE = (*("parent_id", "position", "slot", "quantity", "started", "ended", "disputed", "point_of_use_id"),)
_OF_ITEM = ("part", "kind", "code", "lot_id", "receipt_id", "produced_on", "expires_on", "state", "started_at")
_OF_ENTRY = ("scan_point", "operator", "occurred_at", "recorded_at")


class TreeRow(NamedTuple):
    """An item in a tree, the marriage that put it there, and the entry that told of that."""

    level: int
    """0 for a root."""
    way: str
    """Down from a root: the way of what holds it, and one more mark."""
    item: int | None
    """None: pieces of an unknown lot."""
    lot_id: int | None
    """The lot that its label or receipt names."""
    lot: str | None
    part: str | None
    kind: ItemKind | None
    code: str | None
    description: str | None
    supplier: str | None
    state: str | None
    started_at: Moment | None
    produced_on: date | None
    expires_on: date | None
    marriage: int | None
    parent_id: int | None
    point_of_use_id: int | None
    position: str | None
    slot: int | None
    quantity: int | None
    started: Moment | None
    ended: Moment | None
    disputed: bool | None
    entry: int | None
    scan_point: str | None
    operator: str | None
    occurred_at: Moment | None
    recorded_at: Moment | None


def tree_rows(connection: Connection, roots: Sequence[int], sight: Sight) -> list[TreeRow]:
    """The items, and all that they hold at every level, in no order."""
    statement = _tree(dialect_of(connection), timed=sight.timed, removed=sight.removed)
    return _rows(connection, statement, {**row_parameters(connection, {"item": roots}), **sight.parameters})


def named_tree_rows(
    connection: Connection, kind: ItemKind, code: str, of_part: str | None, sight: Sight
) -> list[TreeRow]:
    """As `tree_rows`, from each item of a serial number or lot, of one part or of any."""
    dialect, any_part = dialect_of(connection), of_part is None
    statement = _named_tree(dialect, any_part=any_part, timed=sight.timed, removed=sight.removed)
    named = {"kind": kind, "code": code} | ({} if any_part else {"of_part": of_part})
    return _rows(connection, statement, {**named, **sight.parameters})


def _rows(connection: Connection, query: Query, parameters: Mapping[str, Any]) -> list[TreeRow]:
    return list(map(TreeRow._make, query.rows(connection, parameters)))


@cache
def _tree(dialect: Dialect, *, timed: bool, removed: bool) -> Query:
    return _tree_from(dialect, given_rows(dialect, "root", {"item": BigId}), timed=timed, removed=removed)


@cache
def _named_tree(dialect: Dialect, *, any_part: bool, timed: bool, removed: bool) -> Query:
    t = item.c
    name = and_(t.part == part.c.part, t.kind == bindparam("kind", type_=Code), t.code == bindparam("code", type_=Code))
    rows, named = looked_up(dialect, part, item, name, "id")
    of_part = true() if any_part else part.c.part == bindparam("of_part", type_=Code)
    root = select(named.c.id.label("item")).select_from(rows).where(of_part).subquery("root")
    return _tree_from(dialect, root, timed=timed, removed=removed)


def _tree_from(dialect: Dialect, root: FromClause, *, timed: bool, removed: bool) -> Query:
    walk = _walk_down(dialect, root, timed=timed, removed=removed)
    rows, m = looked_up(dialect, walk, marriage, marriage.c.id == walk.c.marriage, *_OF_MARRIAGE, outer=True)
    rows, i = looked_up(dialect, rows, item, item.c.id == walk.c.item, *_OF_ITEM, outer=True)
    rows, lot = looked_up(dialect, rows, _lot, _lot.c.id == i.c.lot_id, "code", outer=True)
    number = walk.c.marriage // FACTS_PER_ENTRY
    rows, e = looked_up(dialect, rows, entry, entry.c.id == number, *_OF_ENTRY, outer=True)
    rows = rows.outerjoin(part, part.c.part == i.c.part)
    columns = {
        **walk.c,
        **{name: m.c[name] for name in _OF_MARRIAGE},
        **{name: i.c[name] for name in _OF_ITEM},
        **{name: e.c[name] for name in _OF_ENTRY},
        "lot": lot.c.code,
        "entry": number,
        "description": part.c.description,
        "supplier": _supplier(walk.c.item, i),
    }
    return Query(dialect, select(*(columns[name].label(name) for name in TreeRow._fields)).select_from(rows))


def _walk_down(dialect: Dialect, root: FromClause, *, timed: bool, removed: bool) -> CTE:
    walk = select(
        root.c.item,
        literal(None, BigId).label("marriage"),
        literal(0).label("level"),
        literal(BEGINNING, BigId).label("lo"),
        literal(FOREVER, BigId).label("hi"),
        mark(root.c.item).label("way"),
    ).cte("walk", recursive=True)
    inside = marriage.c.parent_id == walk.c.item
    if not removed and not timed:
        inside = and_(inside, marriage.c.ended == walk.c.hi)  # which is FOREVER all the way down
    rows, m = looked_up(dialect, walk, marriage, inside, "id", "child_id", "started", "ended", "wrong")
    lo, hi = later(walk.c.lo, m.c.started), earlier(walk.c.hi, m.c.ended)
    # A component that was taken out before its holder came here, or put in after that left, never was here.
    here = or_(and_(walk.c.level == 0, not_(m.c.wrong)), lo < hi)
    # Each condition is of the walk as well: by one of marriages alone, SQLite would first read and filter all of them.
    then = and_(_up_to(lo, timed=timed), true() if removed else _lasting(hi, timed=timed))
    further = select(m.c.child_id, m.c.id, walk.c.level + 1, lo, hi, walk.c.way + mark(m.c.id)).select_from(rows)
    return walk.union_all(further.where(here, then))


def _supplier(number: ColumnElement[int], i: FromClause) -> ColumnElement[str]:
    """Who delivered it: by its own receipt, by that of its lot, or by the catalogue."""
    own = select(receipt.c.supplier).where(receipt.c.id == i.c.receipt_id)
    of_lot = select(receipt.c.supplier).where(receipt.c.lot_id == func.coalesce(i.c.lot_id, number))
    first_of_lot = of_lot.order_by(receipt.c.id).limit(1)
    return func.coalesce(own.scalar_subquery(), first_of_lot.scalar_subquery(), part.c.supplier)


# -- what else the books say of items


def known_of(connection: Connection, items: Sequence[int], sight: Sight) -> Mapping[str, Mapping[Any, list[Any]]]:
    """What the books say of items, by what it is and by item.

    `visit`: where they were worked on, in the order of the first visits. `result`: those of all test runs, in order, of
    each its run, its limits, and since when the plan is stale. `hold`: those in force, in the order they were placed.
    `removal`, where what was removed is looked at: what was taken out of them, in the order it was told.
    """
    query = _known_of(dialect_of(connection), timed=sight.timed, removed=sight.removed)
    found: dict[str, dict[Any, list[Any]]] = {what: defaultdict(list) for what in _ORDERS}
    for row in query.named_rows(connection, {**value_parameters(connection, items), **sight.parameters}):
        found[row.what][row.item_id].append(row)
    for what, order in _ORDERS.items():
        for rows in found[what].values():
            rows.sort(key=order)
    return found


_ORDERS = {
    "visit": attrgetter("at", "scan_point"),
    "result": attrgetter("at", "id", "characteristic"),
    "hold": attrgetter("id"),
    "removal": attrgetter("id"),
}


@cache
def _known_of(dialect: Dialect, *, timed: bool, removed: bool) -> Query:
    kinds = {"visit": _visits(timed=timed), "result": _results(timed=timed), "hold": _open_holds(timed=timed)}
    if removed:
        kinds["removal"] = _removals()
    asked = {what: kind.where(among_values(dialect, kind.selected_columns.item_id)) for what, kind in kinds.items()}
    return Query(dialect, stacked(asked))


def _visits(*, timed: bool) -> Select[Any]:
    t = visit.c
    columns = (t.item_id, t.first_at.label("at"), t.last_at.label("until"), t.scan_point)
    return select(*columns).where(_up_to(t.first_at, timed=timed))


def _results(*, timed: bool) -> Select[Any]:
    r, m, c = test_run.c, measurement.c, characteristic.c
    return (
        select(
            *(r.id, r.item_id, r.occurred_at.label("at"), stale.c.at.label("until")),
            *(r.plan, r.instrument, r.verdict, r.tester, r.revision),
            *(m.characteristic, m.value, m.good, m.within, c.description, c.unit, m.lower, m.upper),
        )
        .outerjoin(stale, and_(stale.c.item_id == r.item_id, stale.c.plan == r.plan))
        .outerjoin(measurement, m.test_run_id == r.id)
        .outerjoin(characteristic, and_(c.plan == r.plan, c.characteristic == m.characteristic))
        .where(not_(r.wrong), _up_to(r.occurred_at, timed=timed))
    )


def _open_holds(*, timed: bool) -> Select[Any]:
    t, i = hold.c, item.c
    return (
        select(
            *(t.id, t.item_id, t.placed_at.label("at"), t.reason, t.discrepancy, t.placed_by),
            *(i.part, i.kind, i.code),
        )
        .join(item, i.id == t.item_id)
        .where(_up_to(t.placed_at, timed=timed), _lasting(t.released_at, timed=timed))
    )


def _removals() -> Select[Any]:
    t = removal.c
    columns = (t.id, t.parent_id.label("item_id"), t.occurred_at.label("at"), t.child_id, t.reason, t.destination)
    return select(*columns).where(not_(t.wrong))
