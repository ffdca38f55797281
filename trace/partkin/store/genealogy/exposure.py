"""Exposure: the units that suspects are or were in, walked up to inside the database."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any, Final, NamedTuple

from sqlalchemy import (
    CTE,
    ColumnElement,
    Connection,
    FromClause,
    Row,
    Select,
    Text,
    and_,
    case,
    cast,
    collate,
    exists,
    false,
    func,
    literal,
    literal_column,
    not_,
    null,
    or_,
    select,
    true,
    tuple_,
    union_all,
)

from partkin.rules.messages.criteria import AnyOf, Suspects
from partkin.rules.moments import FOREVER, Moment
from partkin.store.column_types import BigId
from partkin.store.dialects import Dialect, among, among_values, dialect_of, earlier, given, later, value_parameters
from partkin.store.genealogy.containers import containers_of
from partkin.store.genealogy.lot_changes import lots_in_doubt
from partkin.store.genealogy.suspects import Suspected, suspected
from partkin.store.genealogy.walks import LOT_MARK, looked_up, mark, marks
from partkin.store.tables import alternate, item, loading, marriage, part, visit

CHUNK: Final = 1000
"""Rows fetched at a time."""

_CERTAIN: Final = 2 * 10**17
_POSSIBLE: Final = 7 * 10**17
"""Added to the moment at which an exposure starts: always eighteen digits, the certain ones below the others."""
_DIGITS: Final = 18
_POSSIBLE_FROM: Final = "5"

WAY_BEGINS: Final = _DIGITS
"""Where on a way its marriages begin; a way that ends there leads to a suspect itself."""


class Cursor(NamedTuple):
    """A place in the order of answers: certain ones first, then by part number and serial number."""

    possible: int
    part: str
    serial: str


class Exposure(NamedTuple):
    """A unit that a suspect is or was in, by the best of the ways that lead there.

    The best is a certain one, of these the earliest, of these the one with the smallest numbers of marriages.
    """

    item_id: int
    part: str
    serial: str
    state: str
    started_at: Moment | None
    possible: int
    since: Moment
    """Start of the best way; BEGINNING where the unit itself is suspect for its whole life."""
    until: Moment
    """End of the last of all ways."""
    lot_id: int | None
    """The suspect lot, where pieces of another lot are booked on the first marriage of the way."""
    marriages: tuple[int, ...]
    is_certain: bool
    """Whether the best way is certain."""

    @property
    def cursor(self) -> Cursor:
        """Its place in the order."""
        return Cursor(self.possible, self.part, self.serial)


class Count(NamedTuple):
    """How many units of a part are in a state, certainly or possibly affected."""

    possible: int
    part: str
    state: str
    units: int


@dataclass(frozen=True, slots=True)
class Exposed:
    """What is exposed to suspects, as a part of a statement, and the draws that may be of other lots."""

    units: CTE
    doubts: Mapping[int, set[int]]
    points: Select[Any] | None = None
    """Loadings (`id`) of suspect lots and their containers; None where no lot is suspected."""


@dataclass(frozen=True, slots=True)
class Suspicion:
    """What one list of criteria suspects, as parts of a statement."""

    name: str
    """Tells several in one statement apart."""
    suspected: Suspected
    containers: CTE | None
    """Of suspect lots; None where no lot is suspected."""
    doubts: Mapping[int, set[int]]
    """Draws that may be of another lot, and which."""
    points: Select[Any] | None


class Suspicions(NamedTuple):
    """What all lists of criteria suspect: what is exposed to each of the conditions counts, save what is excepted."""

    conditions: Sequence[Suspicion]
    excepted: Suspicion | None


def suspicions(connection: Connection, suspects: Suspects, as_of: Moment | None) -> Suspicions:
    """Find out what is needed to look for what is exposed; asks only for the lot changes."""
    conditions = [
        _suspicion(connection, any_of, as_of, f"_{place}" if place else "")
        for place, any_of in enumerate(suspects.conditions)
    ]
    if suspects.except_ is None:
        return Suspicions(conditions, None)
    return Suspicions(conditions, _suspicion(connection, suspects.except_, as_of, "_except"))


def _suspicion(connection: Connection, any_of: AnyOf, as_of: Moment | None, name: str) -> Suspicion:
    suspect = suspected(connection, any_of, as_of, name)
    if suspect.lots is None:
        return Suspicion(name, suspect, None, {}, None)
    containers = containers_of(suspect.lots, name)
    spread = union_all(select(suspect.lots.c.id), select(containers.c.item)).cte(f"spread_lot{name}")
    each = select(spread.c.id).distinct().cte(f"lot_in_doubt{name}")
    points = select(loading.c.id).join(each, each.c.id == loading.c.lot_id).where(loading.c.unloaded_at == FOREVER)
    return Suspicion(name, suspect, containers, lots_in_doubt(connection, each), points)


def exposed(connection: Connection, suspects: Suspects, as_of: Moment | None, *, things: bool = False) -> Exposed:
    """Find out what is needed to ask for the exposed units.

    With `things`, for all that is exposed: suspects themselves, subassemblies, containers, packaging too.
    """
    return exposed_by(connection, suspicions(connection, suspects, as_of), as_of, things=things)


def exposed_by(
    connection: Connection,
    found: Suspicions,
    as_of: Moment | None,
    *,
    things: bool = False,
    only: Sequence[int] | None = None,
) -> Exposed:
    """As `exposed`; with `only`, by ways along no other marriages than these."""
    packs = packs_components(connection)
    marriages: FromClause = marriage
    if only is not None:
        some = select(marriage).where(among(connection, marriage.c.id, only))
        marriages = some.cte("only_marriage").prefix_with("MATERIALIZED")

    def by(suspicion: Suspicion) -> CTE:
        return _Walk(connection, suspicion, as_of, packs, things, marriages).units()

    first, *more = found.conditions
    units = by(first)
    if more or found.excepted is not None:
        excepted = None if found.excepted is None else by(found.excepted)
        units = _combined(units, [by(one) for one in more], excepted)
    return Exposed(units, first.doubts, first.points)


def _combined(first: CTE, more: Sequence[CTE], excepted: CTE | None) -> CTE:
    """What is in the first and in each of the others, but not certainly in the excepted."""
    rows: FromClause = first
    possible: ColumnElement[int] = first.c.possible
    for other in more:
        rows = rows.join(other, other.c.item == first.c.item)
        possible = later(possible, other.c.possible)
    if excepted is not None:
        rows = rows.outerjoin(excepted, excepted.c.item == first.c.item)
        possible = case((excepted.c.item.is_not(None), 1), else_=possible)
    columns = [possible.label("possible"), *(column for column in first.c if column.name != "possible")]
    query = select(*columns).select_from(rows)
    if excepted is not None:
        query = query.where(or_(excepted.c.item.is_(None), excepted.c.possible == 1))
    return query.cte("combined")


def packs_components(connection: Connection) -> bool:
    """Whether packaging holds anything beside units and packaging: units are exposed to what lies with them."""
    holder, held = part.alias("holder"), part.alias("held")
    query = (
        select(alternate.c.part)
        .join(holder, holder.c.part == alternate.c.part)
        .join(held, held.c.part == alternate.c.component)
        .where(holder.c.packaging, not_(held.c.sold), not_(held.c.packaging))
        .limit(1)
    )
    return connection.execute(query).first() is not None


_OF_UNIT: Final = ("part", "code", "state", "started_at")
_STEP: Final = ("id", "parent_id", "parent_is_unit", "started", "ended", "disputed")


@dataclass(frozen=True, slots=True)
class _Walk:
    """From the suspects up to units, along marriages that were there at one time."""

    connection: Connection
    suspicion: Suspicion
    as_of: Moment | None
    through_packaging: bool
    """Whether packaging holds components beside units."""
    things: bool
    """Not only units are asked for."""
    marriages: FromClause
    """Those that it goes along."""

    @property
    def name(self) -> str:
        """Tells several walks in one statement apart."""
        return self.suspicion.name

    def units(self) -> CTE:
        """Each unit (or thing) with the best way, the last end, and what the books say of it."""
        walk = self._up()
        if self.through_packaging:
            columns = ("item", "top", "lo", "hi", "doubtful", "way")
            ways = self._asked(select(*(walk.c[name] for name in columns)), walk)
            walk = ways.union_all(self._beside_in_packaging(walk)).cte(f"with_packed{self.name}")
        start = case((walk.c.doubtful, literal(_POSSIBLE, BigId)), else_=literal(_CERTAIN, BigId)) + walk.c.lo
        best = func.min(self._bytewise(cast(start, Text) + walk.c.way)).label("way")
        ways = self._asked(select(walk.c.item, best, func.max(walk.c.hi).label("until")), walk)
        each = ways.group_by(walk.c.item).cte(f"each_unit{self.name}")
        rows, unit = looked_up(dialect_of(self.connection), each, item, item.c.id == each.c.item, *_OF_UNIT)
        possible = case((each.c.way >= _POSSIBLE_FROM, 1), else_=0).label("possible")
        told = select(possible, each, *(unit.c[name] for name in _OF_UNIT))
        return told.select_from(rows).cte(f"affected{self.name}")

    def _asked(self, query: Select[Any], walk: CTE) -> Select[Any]:
        return query if self.things else query.where(walk.c.top)

    def _up(self) -> CTE:
        walk = self._first_steps().cte(f"walk{self.name}", recursive=True)
        rows, m = self._married(walk, and_(self.marriages.c.child_id == walk.c.item, not_(walk.c.top)))
        lo, hi = later(walk.c.lo, m.c.started), earlier(walk.c.hi, m.c.ended)
        doubtful = or_(walk.c.doubtful, m.c.disputed)
        further = select(m.c.parent_id, m.c.parent_is_unit, lo, hi, doubtful, walk.c.way + mark(m.c.id), m.c.id)
        other_starts = [self._suspect_units()]
        containers = self.suspicion.containers
        if self.things and containers is not None:
            other_starts.append(self._suspect_containers(containers))
        if self.suspicion.doubts:
            other_starts.append(self.possible_first_steps())
        if containers is not None:
            other_starts.append(self._first_steps_from_containers(containers))
        return walk.union_all(*other_starts, further.select_from(rows).where(lo < hi))

    def _first_steps(self) -> Select[Any]:
        suspect = self.suspicion.suspected.items
        rows, m = self._married(suspect, self.marriages.c.child_id == suspect.c.item)
        lo = later(suspect.c.since, m.c.started)
        doubtful: ColumnElement[bool] = m.c.disputed
        if self.suspicion.doubts:
            doubtful = or_(doubtful, among(self.connection, m.c.id, sorted(self.suspicion.doubts)))
        steps = _step(m, lo, doubtful, mark(m.c.id)).select_from(rows).where(lo < m.c.ended)
        if not self.things:
            return steps
        return steps.where(not_(_is_packed(suspect.c.item, m.c.parent_id)))

    def possible_first_steps(self) -> Select[Any]:
        """Draws within the slack of a lot change, taken as of a suspect lot that is the other one."""
        pairs = [(marriage_id, lot_id) for marriage_id, lots in self.suspicion.doubts.items() for lot_id in lots]
        columns = {name: (BigId, [pair[place] for pair in pairs]) for place, name in enumerate(("marriage", "lot"))}
        pair = given(self.connection, "pair", columns)
        suspect = self._suspect_lots()
        suspected = pair.join(suspect, suspect.c.item == pair.c.lot)
        t = self.marriages.c
        was_in = and_(t.id == pair.c.marriage, t.started < t.ended, t.started >= suspect.c.since)
        rows, m = self._married(suspected, was_in)
        return _step(m, m.c.started, true(), mark(suspect.c.lot, LOT_MARK) + mark(m.c.id)).select_from(rows)

    def _suspect_lots(self) -> FromClause:
        """Suspects and the containers of suspect lots: `item`, since when, and the lot that is suspect."""
        suspect = self.suspicion.suspected.items
        lots = select(suspect.c.item, suspect.c.since, suspect.c.item.label("lot"))
        if self.suspicion.containers is None:
            return lots.subquery("suspect_lots")
        inside = self.suspicion.containers.c
        return lots.union_all(select(inside.item, inside.since, inside.lot)).subquery("suspect_lots")

    def _first_steps_from_containers(self, containers: CTE) -> Select[Any]:
        """What was taken from a container once some of a suspect lot was in it."""
        c, t = containers.c, self.marriages.c
        drawn_after = and_(t.child_id == c.item, t.started >= c.since, t.started < t.ended)
        rows, m = self._married(containers, drawn_after)
        doubtful = or_(c.doubtful, m.c.started >= c.certain_until, m.c.disputed)
        if self.suspicion.doubts:
            doubtful = or_(doubtful, among(self.connection, m.c.id, sorted(self.suspicion.doubts)))
        return _step(m, m.c.started, doubtful, mark(c.lot, LOT_MARK) + mark(m.c.id)).select_from(rows)

    def _beside_in_packaging(self, walk: CTE) -> Select[Any]:
        """The units that were in the same carton as an accessory: what is itself a unit or packaging is none."""
        last, accessory, of_accessory = marriage.alias("last"), item.alias("accessory"), part.alias("accessory_part")
        reached = walk.join(item, item.c.id == walk.c.item).join(part, part.c.part == item.c.part)
        reached = reached.join(last, last.c.id == walk.c.last).outerjoin(accessory, accessory.c.id == last.c.child_id)
        reached = reached.outerjoin(of_accessory, of_accessory.c.part == accessory.c.part)
        unit, of_unit = item.alias("packed_unit"), part.alias("packed_part")
        rows, m = self._married(reached, self.marriages.c.parent_id == walk.c.item, *("child_id",))
        rows = rows.join(unit, unit.c.id == m.c.child_id).join(of_unit, of_unit.c.part == unit.c.part)
        lo, hi = later(walk.c.lo, m.c.started), earlier(walk.c.hi, m.c.ended)
        doubtful = or_(walk.c.doubtful, m.c.disputed)
        beside = select(m.c.child_id, true(), lo, hi, doubtful, walk.c.way + mark(m.c.id)).select_from(rows)
        lies_beside = or_(accessory.c.id.is_(None), not_(or_(of_accessory.c.sold, of_accessory.c.packaging)))
        return beside.where(not_(walk.c.top), part.c.packaging, lies_beside, of_unit.c.sold, lo < hi)

    def _suspect_units(self) -> Select[Any]:
        """Suspects that are units, or things, themselves: the way to them is empty."""
        suspect = self.suspicion.suspected.items
        rows, unit = looked_up(dialect_of(self.connection), suspect, item, item.c.id == suspect.c.item, "part")
        units = select(
            suspect.c.item,
            true(),
            suspect.c.since,
            literal(FOREVER, BigId),
            false(),
            literal("", Text),
            literal(0, BigId),
        )
        if self.things:
            return units
        return units.select_from(rows.join(part, part.c.part == unit.c.part)).where(part.c.sold)

    def _suspect_containers(self, containers: CTE) -> Select[Any]:
        """Containers that some of a suspect lot went into."""
        c = containers.c
        way = mark(c.lot, LOT_MARK)
        return select(c.item, true(), c.since, literal(FOREVER, BigId), c.doubtful, way, literal(0, BigId))

    def _married(self, rows: FromClause, on: ColumnElement[bool], *more: str) -> tuple[FromClause, FromClause]:
        if self.as_of is not None:
            on = and_(on, self.marriages.c.started <= self.as_of)
        return looked_up(dialect_of(self.connection), rows, self.marriages, on, *_STEP, *more)

    def _bytewise(self, text: ColumnElement[str]) -> ColumnElement[str]:
        return collate(text, "C") if dialect_of(self.connection) == "postgresql" else text


def _is_packed(child: ColumnElement[int], parent: ColumnElement[int]) -> ColumnElement[bool]:
    """Whether a unit lies in packaging: that is not affected by it."""
    holder, of_holder = item.alias("holder_item"), part.alias("holder_part")
    packed, of_packed = item.alias("packed_item"), part.alias("part_of_packed")
    in_packaging = exists().where(holder.c.id == parent, of_holder.c.part == holder.c.part, of_holder.c.packaging)
    is_unit = exists().where(packed.c.id == child, of_packed.c.part == packed.c.part, of_packed.c.sold)
    return and_(in_packaging, is_unit)


def _step(m: FromClause, lo: ColumnElement[int], doubtful: ColumnElement[bool], way: ColumnElement[str]) -> Select[Any]:
    return select(
        m.c.parent_id.label("item"),
        m.c.parent_is_unit.label("top"),
        lo.label("lo"),
        m.c.ended.label("hi"),
        doubtful.label("doubtful"),
        way.label("way"),
        m.c.id.label("last"),
    )


def doubtful_draws(connection: Connection, suspicion: Suspicion, as_of: Moment | None) -> Sequence[Row[Any]]:
    """Draws that may be of a suspect lot: the `item`, whether it is the `top`, `lo`, `hi`, the marriage `last`."""
    if not suspicion.doubts:
        return []
    walk = _Walk(connection, suspicion, as_of, through_packaging=False, things=True, marriages=marriage)
    return connection.execute(walk.possible_first_steps()).all()


# -- the answers

_ORDER: Final = ("possible", "part", "code")


def all_exposures(connection: Connection, found: Exposed) -> Iterator[Sequence[Exposure]]:
    """All of them in order, a chunk at a time."""
    units = found.units.c
    query = select(found.units).order_by(*(units[name] for name in _ORDER)).execution_options(yield_per=CHUNK)
    for rows in connection.execute(query).partitions():
        yield [exposure_of(row) for row in rows]


def page_of_exposures(
    connection: Connection, found: Exposed, after: Cursor | None, limit: int
) -> tuple[list[Exposure], list[Count]]:
    """Up to `limit` exposures in order, from the one after `after`, and the counts of all: one walk for both."""
    units = found.units.c
    page = select(literal_column("1").label("shown"), literal_column("1").label("number"), found.units)
    if after is not None:
        page = page.where(tuple_(*(units[name] for name in _ORDER)) > tuple_(*after))
    shown = page.order_by(*(units[name] for name in _ORDER)).limit(limit).subquery("page")
    grouped = (units.possible, units.part, units.state)
    counted = {**{column.name: column for column in grouped}, "number": func.count()}
    counts = select(
        literal_column("0").label("shown"),
        *(counted.get(column.name, null()).label(column.name) for column in shown.c if column.name != "shown"),
    ).group_by(*grouped)
    rows = connection.execute(union_all(counts, select(shown)).order_by("shown", *_ORDER)).all()
    return (
        [exposure_of(row) for row in rows if row.shown],
        [Count(row.possible, row.part, row.state, row.number) for row in rows if not row.shown],
    )


def exposures_among(connection: Connection, found: Exposed, items: Sequence[int]) -> dict[int, Exposure]:
    """The exposures of some items, by their numbers."""
    query = select(found.units).where(among(connection, found.units.c.item, items))
    return {row.item: exposure_of(row) for row in connection.execute(query)}


def exposure_of(row: Row[Any]) -> Exposure:
    """An exposure from a row of the units or things that are exposed."""
    # By the way itself: among several conditions a thing can be possible although its way is certain.
    is_certain = row.way < _POSSIBLE_FROM
    start = int(row.way[:_DIGITS]) - (_CERTAIN if is_certain else _POSSIBLE)
    way = list(marks(row.way[_DIGITS:]))
    return Exposure(
        item_id=row.item,
        part=row.part,
        serial=row.code,
        state=row.state,
        started_at=row.started_at,
        possible=row.possible,
        since=start,
        until=row.until,
        lot_id=next((number for is_lot, number in way if is_lot), None),
        marriages=tuple(number for is_lot, number in way if not is_lot),
        is_certain=is_certain,
    )


# -- what is told of them


def marriages_by_id(connection: Connection, ids: Sequence[int]) -> dict[int, Row[Any]]:
    """Marriages by their numbers."""
    found = connection.execute(_marriages_by_id(dialect_of(connection)), value_parameters(connection, ids))
    return {row.id: row for row in found.all()}


@cache
def _marriages_by_id(dialect: Dialect) -> Select[Any]:
    t = marriage.c
    columns = (t.id, t.child_id, t.parent_id, t.position, t.started, t.ended, t.disputed)
    return select(*columns).where(among_values(dialect, t.id))


def last_visits(connection: Connection, ids: Sequence[int]) -> dict[int, tuple[Moment, str]]:
    """When and where items were last worked on."""
    found = connection.execute(_visits(dialect_of(connection)), value_parameters(connection, ids))
    return {row.item_id: (row.last_at, row.scan_point) for row in found.all()}


@cache
def _visits(dialect: Dialect) -> Select[Any]:
    """Visits of some items, each item's last one last."""
    t = visit.c
    there = select(t.item_id, t.last_at, t.scan_point).where(among_values(dialect, t.item_id))
    return there.order_by(t.last_at, t.scan_point)
