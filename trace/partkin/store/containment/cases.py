"""Containment cases: what is affected by what they suspect, what they list, and what is left to do."""

from __future__ import annotations

from array import array
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import CTE, ColumnElement, Connection, FromClause, Row, Select, and_, func, literal, not_, or_, select

from partkin.rules.containment.listing import LEFT
from partkin.rules.containment.settling import is_settled
from partkin.rules.facts import Certainty, ItemKey
from partkin.rules.known import FoundThing
from partkin.rules.messages.criteria import Suspects
from partkin.rules.moments import FOREVER, Moment
from partkin.rules.rows import CaseDecisionRow, CaseItemRow, HoldRow, ItemRow
from partkin.store.column_types import BigId
from partkin.store.dialects import among, dialect_of, earlier, given, later
from partkin.store.genealogy.exposure import CHUNK, WAY_BEGINS, Exposed, exposed
from partkin.store.genealogy.mass_balance import balances
from partkin.store.genealogy.walks import BEGINNING, looked_up
from partkin.store.tables import (
    case_decision,
    case_item,
    hold,
    inspection,
    item,
    loading,
    marriage,
    part,
    point_of_use,
    shipment,
    shipment_line,
    sorting,
    sorting_item,
)

# -- what is affected


def found_things(
    connection: Connection, found: Exposed, *, new_to: int | None = None, among_items: Sequence[int] | None = None
) -> list[FoundThing]:
    """What is exposed to suspects, suspects themselves too, in order of their numbers.

    Only what a case (`new_to`, its number) does not list yet, or not as it is now; or only some items.
    """
    units = found.units
    columns = [column.name for column in item.c]
    rows, i = looked_up(dialect_of(connection), units, item, item.c.id == units.c.item, *columns)
    query = select(units.c.possible, units.c.way, units.c.until, *(i.c[name] for name in columns))
    if among_items is not None:
        query = query.where(among(connection, units.c.item, sorted(among_items)))
    if new_to is not None:
        rows, listed = _with_listed(connection, units, rows, new_to)
        query = query.where(_is_new(units, listed))
    things = [
        (ItemRow(*row), possible, len(way) == WAY_BEGINS, until == FOREVER)
        for possible, way, until, *row in connection.execute(query.select_from(rows).execution_options(yield_per=CHUNK))
    ]
    left = left_around(connection, [one.id for one, *_ in things if one.kind == "serial"])
    certainty: tuple[Certainty, Certainty] = ("certain", "possible")
    found_ones = (
        FoundThing(one, certainty[possible], suspect, still, one.state in LEFT or one.id in left)
        for one, possible, suspect, still in things
    )
    return sorted(found_ones, key=lambda thing: thing.item.id)


def _with_listed(
    connection: Connection, units: FromClause, rows: FromClause, case_id: int
) -> tuple[FromClause, FromClause]:
    """Rows with what a case says of them, and of what was decided."""
    t, d = case_item.c, case_decision.c
    said = (
        select(t.id, t.case_id, t.item_id, t.certainty, t.dropped_in, d.decision)
        .outerjoin_from(case_item, case_decision, d.id == t.decision_id)
        .subquery("said")
    )
    of_thing = and_(said.c.case_id == case_id, said.c.item_id == units.c.item)
    columns = ("id", "certainty", "dropped_in", "decision")
    return looked_up(dialect_of(connection), rows, said, of_thing, *columns, outer=True)


def _is_new(units: FromClause, listed: FromClause) -> ColumnElement[bool]:
    """Not listed, dropped, affected more certainly than was known, or affected again after a rework."""
    return or_(
        listed.c.id.is_(None),
        listed.c.dropped_in.is_not(None),
        and_(listed.c.certainty == "possible", units.c.possible == 0),
        and_(listed.c.decision == "rework", units.c.until == FOREVER),
    )


def left_around(connection: Connection, items: Sequence[int]) -> set[int]:
    """Of some items, those that stand in something, at any level, that has left; never lots."""
    around = _around(connection, items)
    gone = and_(item.c.id == around.c.at, item.c.state.in_(LEFT))
    rows, _ = looked_up(dialect_of(connection), around, item, gone, "id")
    query = select(around.c.item).distinct().select_from(rows).where(around.c.item != around.c.at)
    return set(connection.scalars(query))


def _around(connection: Connection, items: Sequence[int]) -> CTE:
    """Some items (`item`) with all that they stand in (`at`), themselves included; lots stand nowhere."""
    asked = given(connection, "asked", {"item": (BigId, items)})
    walk = select(asked.c.item, asked.c.item.label("at")).cte("around", recursive=True)
    now = and_(marriage.c.ended == FOREVER, marriage.c.child_is_serial, not_(marriage.c.disputed))
    stands = and_(marriage.c.child_id == walk.c.at, now)
    rows, m = looked_up(dialect_of(connection), walk, marriage, stands, "parent_id")
    return walk.union(select(walk.c.item, m.c.parent_id).select_from(rows))


def points_up(connection: Connection, found: Exposed) -> list[Mapping[str, Any]]:
    """Points of use where a suspect lot, or a container of one, is up."""
    if found.points is None:
        return []
    up = found.points.subquery("up")
    t, use = loading.c, point_of_use.c
    query = (
        select(use.scan_point, use.position, t.feeder, item.c.part, item.c.code.label("lot"))
        .join_from(up, loading, t.id == up.c.id)
        .join(point_of_use, use.id == t.point_of_use_id)
        .join(item, item.c.id == t.lot_id)
        .order_by(use.scan_point, use.position, t.feeder)
    )
    return [dict(row._mapping) for row in connection.execute(query)]  # noqa: SLF001 - its documented name


def points_loaded(connection: Connection, lots: Iterable[int]) -> set[int]:
    """Points of use at which any of some lots is or was up."""
    query = select(loading.c.point_of_use_id).distinct()
    return set(connection.scalars(query.where(among(connection, loading.c.lot_id, sorted(lots)))))


def exposed_things(connection: Connection, suspects: Suspects) -> Exposed:
    """What `found_things` and `points_up` take."""
    return exposed(connection, suspects, None, things=True)


@dataclass(frozen=True, slots=True)
class AffectedNow:
    """What is exposed now, very many things in little memory: their numbers, ascending, and which are so still."""

    items: NDArray[np.int64]
    still: NDArray[np.bool_]

    def among(self, ids: Sequence[int]) -> list[tuple[bool, bool]]:
        """Of each of some items, whether it is exposed, and whether it still is."""
        asked = np.array(ids, np.int64)
        places = np.searchsorted(self.items, asked)
        places[places == len(self.items)] = 0
        found = self.items[places] == asked if len(self.items) else np.zeros(len(asked), np.bool_)
        still = found & self.still[places] if len(self.items) else found
        return list(zip(found.tolist(), still.tolist(), strict=True))


def affected_now(connection: Connection, found: Exposed) -> AffectedNow:
    """What `exposed_things` found, as numbers only."""
    units = found.units.c
    query = select(units.item, units.until).execution_options(yield_per=CHUNK)
    keys = array("q")  # twice the number, and one more where it still is: sorted in place
    for rows in connection.execute(query).partitions():
        keys.extend(2 * number + (until == FOREVER) for number, until in rows)
    found_ones = np.frombuffer(keys, np.int64)
    found_ones.sort()
    still = (found_ones & 1).astype(np.bool_)
    found_ones >>= 1
    return AffectedNow(found_ones, still)


# -- what a case lists


def listed_in_order(connection: Connection, case_id: int) -> Iterator[Sequence[Row[Any]]]:
    """All that a case lists, dropped or not, in order of part, kind and code, with the item and what was decided."""
    i = item.c
    query = (
        select(case_item, i.part, i.kind, i.code, i.state.label("state_now"), case_decision.c.decision)
        .join_from(case_item, item, i.id == case_item.c.item_id)
        .outerjoin(case_decision, case_decision.c.id == case_item.c.decision_id)
        .where(case_item.c.case_id == case_id)
        .order_by(i.part, i.kind, i.code)
        .execution_options(yield_per=CHUNK)
    )
    yield from connection.execute(query).partitions()


def listed_by(connection: Connection, case_id: int) -> list[CaseItemRow]:
    """All that a case lists, dropped or not."""
    query = select(case_item).where(case_item.c.case_id == case_id).order_by(case_item.c.id)
    return [CaseItemRow(*row) for row in connection.execute(query)]


def listed_among(connection: Connection, ids: Sequence[int]) -> list[CaseItemRow]:
    """Where cases list some items."""
    query = select(case_item).where(among(connection, case_item.c.item_id, ids))
    return [CaseItemRow(*row) for row in connection.execute(query)]


def holds_among(connection: Connection, ids: Sequence[int]) -> list[HoldRow]:
    """Open holds on some items."""
    query = select(hold).where(among(connection, hold.c.item_id, ids), hold.c.released_at == FOREVER)
    return [HoldRow(*row) for row in connection.execute(query)]


def decisions_among(connection: Connection, ids: Sequence[int]) -> list[CaseDecisionRow]:
    """Decisions by their numbers."""
    query = select(case_decision).where(among(connection, case_decision.c.id, ids))
    return [CaseDecisionRow(*row) for row in connection.execute(query)]


def holds_of_case(connection: Connection, case_id: int) -> list[HoldRow]:
    """A case's open holds."""
    query = select(hold).where(hold.c.case_id == case_id, hold.c.released_at == FOREVER).order_by(hold.c.id)
    return [HoldRow(*row) for row in connection.execute(query)]


def decisions_of(connection: Connection, case_id: int) -> list[CaseDecisionRow]:
    """The decisions that count of what a case lists."""
    query = select(case_decision).join(case_item, case_item.c.decision_id == case_decision.c.id)
    rows = connection.execute(query.where(case_item.c.case_id == case_id).order_by(case_decision.c.id))
    return [CaseDecisionRow(*row) for row in rows]


def items_of(connection: Connection, ids: Iterable[int]) -> list[ItemRow]:
    """Items by their numbers."""
    asked = given(connection, "asked", {"id": (BigId, sorted(ids))})
    return [ItemRow(*row) for row in connection.execute(select(item).join(asked, asked.c.id == item.c.id))]


def settled_states(connection: Connection, case_id: int, only: Sequence[int] | None = None) -> dict[int, bool]:
    """Of each thing that a case lists and has not dropped, by its number, whether it is settled.

    With `only`, of these things and what they stand in.
    """
    t, d = case_item.c, case_decision.c
    query = (
        select(t.item_id, d.decision, item.c.part, item.c.kind, item.c.code, item.c.state)
        .join_from(case_item, item, item.c.id == t.item_id)
        .outerjoin(case_decision, d.id == t.decision_id)
        .where(t.dropped_in.is_(None))
    )
    if only is None:
        query = query.where(t.case_id == case_id)
    else:  # + 0: a case lists many things, an item is listed by few cases
        near = connection.scalars(select(_around(connection, only).c.at).distinct()).all()
        query = query.where(t.case_id + 0 == case_id, among(connection, t.item_id, near))
    rows = connection.execute(query).all()
    lots = [row.item_id for row in rows if row.kind == "lot" and row.decision in ("scrap", "return to supplier")]
    in_stock = {number: balance.in_stock for number, balance in balances(connection, lots).items()} if lots else {}
    own = {row.item_id: is_settled(row.decision, row.kind, row.state, in_stock.get(row.item_id, 0)) for row in rows}
    around = _around(connection, [row.item_id for row in rows if not own[row.item_id] and row.kind == "serial"])
    for item_id, at in connection.execute(select(around.c.item, around.c.at)):
        own[item_id] = own[item_id] or own.get(at, False)
    return own


def unsettled(connection: Connection, case_id: int) -> list[ItemKey]:
    """The things of a case that are not settled, in order."""
    open_ones = [item_id for item_id, settled in settled_states(connection, case_id).items() if not settled]
    return sorted(row.key for row in items_of(connection, open_ones))


def unaccounted(connection: Connection, case_id: int) -> dict[ItemKey, int]:
    """Pieces that are not accounted for, of lots and containers that a case lists and of which any were received."""
    t = case_item.c
    lots = select(item).join(case_item, t.item_id == item.c.id)
    lots = lots.where(t.case_id == case_id, t.dropped_in.is_(None), item.c.kind == "lot")
    rows = {row.id: ItemRow(*row) for row in connection.execute(lots)}
    of_lots = balances(connection, sorted(rows)).items()
    return {rows[number].key: balance.unaccounted for number, balance in of_lots if balance.received > 0}


def uninspected(connection: Connection, case_id: int) -> dict[str, int]:
    """Things drawn for sortings of a case and not inspected yet, by sorting."""
    s, drawn, seen = sorting.c, sorting_item.c, inspection.c
    inspected = select(seen.id).where(seen.sorting_id == drawn.sorting_id, seen.item_id == drawn.item_id).exists()
    query = (
        select(s.code, func.count().label("left"))
        .join(sorting_item, drawn.sorting_id == s.id)
        .where(s.case_id == case_id, not_(inspected))
        .group_by(s.code)
        .order_by(s.code)
    )
    return {row.code: row.left for row in connection.execute(query)}


def proofs(connection: Connection, case_id: int, within: Mapping[int, Iterable[int]]) -> dict[int, tuple[int, ...]]:
    """Of listed things, marriages of suspects that ended in them, and those that took their places since.

    `within` has of each thing the items that are looked at: itself, and what is built into it.
    """
    pairs = sorted((thing, one) for thing, inside in within.items() for one in inside)
    columns = {name: (BigId, [pair[place] for pair in pairs]) for place, name in enumerate(("thing", "parent"))}
    asked = given(connection, "asked", columns)
    out, child, next_one = marriage.alias("out"), item.alias("child"), marriage.alias("next_one")
    of_case = select(case_item.c.id).where(
        case_item.c.case_id == case_id, or_(case_item.c.item_id == child.c.id, case_item.c.item_id == child.c.lot_id)
    )
    same_place = and_(
        next_one.c.parent_id == out.c.parent_id,
        next_one.c.position == out.c.position,
        next_one.c.slot < out.c.slot + out.c.quantity,
        out.c.slot < next_one.c.slot + next_one.c.quantity,
        next_one.c.started >= out.c.ended,
    )
    query = (
        select(asked.c.thing, out.c.id, next_one.c.id)
        .join_from(asked, out, and_(out.c.parent_id == asked.c.parent, out.c.ended < FOREVER, not_(out.c.wrong)))
        .join(child, child.c.id == out.c.child_id)
        .outerjoin(next_one, same_place)
        .where(of_case.exists())
    )
    found: dict[int, set[int]] = defaultdict(set)
    for thing, *numbers in connection.execute(query):
        found[thing] |= {number for number in numbers if number is not None}
    return {thing: tuple(sorted(numbers)) for thing, numbers in found.items()}


# -- what is sorted


def population_listed(connection: Connection, case_id: int, certainty: Certainty, of_part: str | None) -> list[ItemRow]:
    """Units that a case lists so, and of which nothing was decided."""
    t = case_item.c
    query = (
        select(item)
        .join(case_item, t.item_id == item.c.id)
        .join(part, part.c.part == item.c.part)
        .where(
            t.case_id == case_id,
            t.certainty == certainty,
            t.dropped_in.is_(None),
            t.decision_id.is_(None),
            part.c.sold,
            item.c.kind == "serial",
        )
        .order_by(item.c.part, item.c.code)
    )
    if of_part is not None:
        query = query.where(item.c.part == of_part)
    return [ItemRow(*row) for row in connection.execute(query)]


def population_built(connection: Connection, case_id: int, of_part: str, since: Moment, until: Moment) -> list[ItemRow]:
    """Units of a part that were started in a time and that a case does not list."""
    t = case_item.c
    listed = select(t.id).where(t.case_id == case_id, t.item_id == item.c.id, t.dropped_in.is_(None)).exists()
    query = (
        select(item)
        .join(part, part.c.part == item.c.part)
        .where(
            item.c.part == of_part,
            part.c.sold,
            item.c.started_at >= since,
            item.c.started_at < until,
            not_(listed),
        )
        .order_by(item.c.code)
    )
    return [ItemRow(*row) for row in connection.execute(query)]


# -- where units went


def sent(connection: Connection, units: Select[Any]) -> CTE:
    """Despatches of some units (`item`, and what else the query says of them), in whatever packaging they left.

    With `line` and `shipment`, the numbers of both.
    """
    asked = units.cte("asked_unit")
    start = select(
        asked,
        asked.c.item.label("at"),
        literal(BEGINNING, BigId).label("lo"),
        literal(FOREVER, BigId).label("hi"),
    )
    walk = start.cte("packed_in", recursive=True)
    was_in = and_(marriage.c.child_id == walk.c.at, not_(marriage.c.disputed))
    rows, m = looked_up(dialect_of(connection), walk, marriage, was_in, "parent_id", "started", "ended")
    lo, hi = later(walk.c.lo, m.c.started), earlier(walk.c.hi, m.c.ended)
    said = [walk.c[column.name] for column in asked.c]
    walk = walk.union_all(select(*said, m.c.parent_id, lo, hi).select_from(rows).where(lo < hi))
    left = _despatched().subquery("left_on")
    rows, d = looked_up(dialect_of(connection), walk, left, left.c.item == walk.c.at, "line", "shipment", "at")
    return (
        select(*(walk.c[column.name] for column in asked.c), d.c.line, d.c.shipment)
        .select_from(rows)
        .where(d.c.at >= walk.c.lo, d.c.at < walk.c.hi)
        .cte("sent")
    )


def _despatched() -> Select[Any]:
    """Lines of shipments that were on them when they were despatched."""
    line, of = shipment_line.c, shipment.c
    return (
        select(line.id.label("line"), line.item_id.label("item"), of.id.label("shipment"), of.despatched_at.label("at"))
        .join_from(shipment_line, shipment, of.id == line.shipment_id)
        .where(of.despatched_at < FOREVER, line.loaded_at <= of.despatched_at, line.unloaded_at > of.despatched_at)
    )


def consignees_of(connection: Connection, case_id: int, *, except_as_is: bool = False) -> list[str]:
    """Who was sent units that a case lists; only those that may not be used as they are, where asked for."""
    t, d = case_item.c, case_decision.c
    units = (
        select(t.item_id.label("item"))
        .join(item, item.c.id == t.item_id)
        .join(part, part.c.part == item.c.part)
        .where(t.case_id == case_id, t.dropped_in.is_(None), part.c.sold)
    )
    if except_as_is:
        as_is = select(d.id).where(d.id == t.decision_id, d.decision == "use as is").exists()
        units = units.where(not_(as_is))
    gone = sent(connection, units)
    query = select(shipment.c.consignee).distinct().join(gone, gone.c.shipment == shipment.c.id)
    return list(connection.scalars(query.order_by(shipment.c.consignee)))
