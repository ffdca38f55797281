"""Genealogy downwards: what items hold at every level, each component with what the books say of it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import (
    CTE,
    ColumnElement,
    Connection,
    FromClause,
    Row,
    and_,
    func,
    literal,
    or_,
    select,
    true,
)

from partkin.rules.facts import FACTS_PER_ENTRY, ItemKey, ItemKind
from partkin.rules.moments import FOREVER, Moment
from partkin.store.database import BigId, among, earlier, given, later
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


@dataclass(frozen=True, slots=True)
class Sight:
    """What is looked at: what was in at a moment (None: what is in now), and, where wanted, what has been removed."""

    as_of: Moment | None = None
    removed: bool = False

    def up_to(self, moment: ColumnElement[Moment]) -> ColumnElement[bool]:
        """Whether something had happened by then."""
        return true() if self.as_of is None else moment <= self.as_of

    def lasting(self, ended: ColumnElement[Moment]) -> ColumnElement[bool]:
        """Whether something had not ended by then."""
        return ended == FOREVER if self.as_of is None else ended > self.as_of


def items_named(connection: Connection, kind: ItemKind, code: str, of_part: str | None) -> list[tuple[int, str]]:
    """Items of a serial number or lot, of one part or of any: their numbers and parts."""
    parts = [of_part] if of_part is not None else connection.scalars(select(part.c.part)).all()
    t = item.c
    query = select(t.id, t.part).where(among(connection, t.part, parts), t.kind == kind, t.code == code)
    return [(row.id, row.part) for row in connection.execute(query.order_by(t.part))]


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
    walk = _walk_down(connection, roots, sight)
    rows, m = looked_up(connection, walk, marriage, marriage.c.id == walk.c.marriage, *_OF_MARRIAGE, outer=True)
    rows, i = looked_up(connection, rows, item, item.c.id == walk.c.item, *_OF_ITEM, outer=True)
    rows, lot = looked_up(connection, rows, _lot, _lot.c.id == i.c.lot_id, "code", outer=True)
    number = walk.c.marriage // FACTS_PER_ENTRY
    rows, e = looked_up(connection, rows, entry, entry.c.id == number, *_OF_ENTRY, outer=True)
    rows = rows.outerjoin(part, part.c.part == i.c.part)
    rows = rows.outerjoin(point_of_use, point_of_use.c.id == m.c.point_of_use_id)
    rows = rows.outerjoin(scan_point, scan_point.c.scan_point == point_of_use.c.scan_point)
    query = select(
        *(walk.c.level, walk.c.way, walk.c.item, walk.c.marriage),
        *(m.c[name] for name in _OF_MARRIAGE),
        *(i.c[name] for name in _OF_ITEM),
        *(e.c[name] for name in _OF_ENTRY),
        lot.c.code.label("lot"),
        number.label("entry"),
        part.c.description,
        _supplier(walk.c.item, i).label("supplier"),
        scan_point.c.changeover_slack,
    )
    return connection.execute(query.select_from(rows)).all()


def _walk_down(connection: Connection, roots: Sequence[int], sight: Sight) -> CTE:
    root = given(connection, "root", {"item": (BigId, roots)})
    walk = select(
        root.c.item,
        literal(None, BigId).label("marriage"),
        literal(0).label("level"),
        literal(BEGINNING, BigId).label("lo"),
        literal(FOREVER, BigId).label("hi"),
        mark(root.c.item).label("way"),
    ).cte("walk", recursive=True)
    inside = and_(marriage.c.parent_id == walk.c.item, sight.up_to(marriage.c.started))
    if not sight.removed:
        inside = and_(inside, sight.lasting(marriage.c.ended))
    rows, m = looked_up(connection, walk, marriage, inside, "id", "child_id", "started", "ended")
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


def items_by_id(connection: Connection, ids: Sequence[int]) -> dict[int, ItemKey]:
    """What items are called, by their numbers."""
    t = item.c
    found = connection.execute(select(t.id, t.part, t.kind, t.code).where(among(connection, t.id, ids)))
    return {row.id: ItemKey(row.part, row.kind, row.code) for row in found}


def removals_from(connection: Connection, parents: Sequence[int]) -> Sequence[Row[Any]]:
    """What was taken out of items, when, why, and where it went."""
    t = removal.c
    columns = (t.parent_id, t.child_id, t.position, t.occurred_at, t.reason, t.destination)
    return connection.execute(select(*columns).where(among(connection, t.parent_id, parents)).order_by(t.id)).all()


def test_results(connection: Connection, items: Sequence[int], sight: Sight) -> Sequence[Row[Any]]:
    """The results of all test runs, in order: of each result its run, its limits, and since when the plan is stale."""
    r, m, c = test_run.c, measurement.c, characteristic.c
    query = (
        select(
            *(r.id, r.item_id, r.plan, r.instrument, r.occurred_at, r.verdict, stale.c.at.label("stale_at")),
            *(m.characteristic, m.value, m.good, m.within, c.description, c.unit, c.lower, c.upper),
        )
        .outerjoin(stale, and_(stale.c.item_id == r.item_id, stale.c.plan == r.plan))
        .outerjoin(measurement, m.test_run_id == r.id)
        .outerjoin(characteristic, and_(c.plan == r.plan, c.characteristic == m.characteristic))
        .where(among(connection, r.item_id, items), sight.up_to(r.occurred_at))
        .order_by(r.occurred_at, r.id, m.characteristic)
    )
    return connection.execute(query).all()


def open_holds(connection: Connection, items: Sequence[int], sight: Sight) -> Sequence[Row[Any]]:
    """Holds in force on items, in the order they were placed."""
    t = hold.c
    in_force = (sight.up_to(t.placed_at), sight.lasting(t.released_at))
    return connection.execute(select(hold).where(among(connection, t.item_id, items), *in_force).order_by(t.id)).all()


def visits_of(connection: Connection, items: Sequence[int], sight: Sight) -> Sequence[Row[Any]]:
    """Where items were worked on, in the order of their first visits."""
    t = visit.c
    there = (among(connection, t.item_id, items), sight.up_to(t.first_at))
    return connection.execute(select(visit).where(*there).order_by(t.first_at, t.scan_point)).all()
