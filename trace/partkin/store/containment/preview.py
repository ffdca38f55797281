"""What a freeze would stop, counted inside the database by one walk, with the first few of each kind."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterator, Mapping, Sequence
from datetime import date
from operator import attrgetter
from typing import Any, Final, Literal, NamedTuple

from sqlalchemy import (
    CTE,
    ColumnElement,
    CompoundSelect,
    Connection,
    FromClause,
    Select,
    Text,
    case,
    cast,
    func,
    literal,
    not_,
    null,
    or_,
    select,
    union_all,
)

from partkin.rules.moments import FOREVER
from partkin.store.column_types import BigId
from partkin.store.containment.cases import sent
from partkin.store.genealogy.exposure import Exposed, Exposure, exposure_of
from partkin.store.tables import characteristic, item, marriage, part, shipment

FEW: Final = 3
"""Examples of what is alike."""

_DAY: Final = 86_400_000_000
_EPOCH: Final = date(1970, 1, 1).toordinal()

Kind = Literal["unit", "waiting", "component", "removed", "lot"]
"""Units; subassemblies that stand in nothing; suspect serial components in stock that never were in anything, and that
were taken out; suspect lots and their containers."""


class Alike(NamedTuple):
    """How many things are alike in all of this, and some of them: one unit, the first few of others, all lots."""

    kind: Kind
    possible: int
    part: str
    state: str
    day: date | None
    """Of a unit: the day (UTC) on which it was started."""
    number: int
    first: Sequence[Exposure]


class SentTo(NamedTuple):
    """How many units were despatched to somebody, ever, and some of them. Who got a unit before another counts too."""

    consignee: str | None
    """None: those that never left."""
    possible: int
    number: int
    first: Sequence[Exposure]


class Group(NamedTuple):
    """What all things of a group share; what they do not have is None."""

    kind: Kind | Literal["sent", "ever sent"]
    possible: int
    part: str | None = None
    state: str | None = None
    day: int | None = None
    """Since 1970."""
    consignee: str | None = None


class Members(NamedTuple):
    """How many things are in a group, and the numbers of the first ones; of lots, of all."""

    number: int
    first: Sequence[int]


def counted(connection: Connection, found: Exposed) -> tuple[list[Alike], list[SentTo]]:
    """All that is exposed and that a freeze would stop or list; `found` is of things."""
    exposures: dict[int, Exposure] = {}
    first: dict[Group, list[int]] = defaultdict(list)
    numbers: dict[Group, int] = {}
    for row in connection.execute(_counted(connection, found.units)):
        if row.kind is None:
            exposures[row.item] = exposure_of(row)
        else:
            group = Group(row.kind, row.possible, row.of_part, row.of_state, row.day, row.consignee)
            first[group].append(row.item)
            numbers[group] = row.number
    return with_exposures({group: Members(number, first[group]) for group, number in numbers.items()}, exposures)


def with_exposures(
    groups: Mapping[Group, Members], exposures: Mapping[int, Exposure]
) -> tuple[list[Alike], list[SentTo]]:
    """Groups with the exposures of their first members. Units that were not sent to anybody make a group too."""
    alike, sent_to = [], []
    never = Counter({group.possible: 0 for group in groups})
    for group, members in groups.items():
        first = sorted((exposures[one] for one in members.first), key=attrgetter("serial"))
        if group.kind == "sent":
            sent_to.append(SentTo(group.consignee, group.possible, members.number, first))
        elif group.kind == "ever sent":
            never[group.possible] -= members.number
        else:
            day = None if group.day is None else date.fromordinal(_EPOCH + group.day)
            said = (group.kind, group.possible, group.part or "", group.state or "", day)
            alike.append(Alike(*said, members.number, first))
            if group.kind == "unit":
                never[group.possible] += members.number
    sent_to += [SentTo(None, possible, number, ()) for possible, number in never.items() if number]
    return alike, sent_to


_OF_THINGS: Final = ("possible", "part", "code", "state", "started_at", "way", "until")


def _counted(connection: Connection, things: CTE) -> CompoundSelect[Any]:
    """Of all that is alike the number and the first items; then the exposures of these."""
    told = _told(things)
    first = union_all(_units(told), _first_few(told), *_sent(connection, told)).cte("first")
    t = things.c
    # In a CASE, it is looked up in a hash: PostgreSQL would join, without knowing how many there are.
    is_shown = case((t.item.in_(select(first.c.item)), 1), else_=0) == 1
    nothing = [null() for _ in first.c if _.name not in ("item", "possible")]
    exposures = select(t.item, t.possible, *nothing, *(t[name] for name in _OF_THINGS[1:])).where(is_shown)
    shown = select(first.c.item, first.c.possible, *(one for one in first.c if one.name not in ("item", "possible")))
    return union_all(shown.add_columns(*(null().label(name) for name in _OF_THINGS[1:])), exposures)


def _group_of(kind: ColumnElement[Any], told: FromClause, *more: ColumnElement[Any]) -> Sequence[ColumnElement[Any]]:
    """The columns of a group: those that it does not have are null."""
    names: dict[str, Any] = {"of_part": Text, "of_state": Text, "day": BigId, "consignee": Text}
    given = {column.name: column for column in more}
    empty = {name: cast(null(), of_type).label(name) for name, of_type in names.items()}
    return kind.label("kind"), told.c.possible, *(given.get(name, empty[name]) for name in names)


def _units(told: CTE) -> Select[Any]:
    """Units that are alike: how many, and the first one."""
    columns = (told.c.kind, told.c.possible, told.c.of_part, told.c.of_state, told.c.day)
    one = func.min(told.c.item).label("item")
    group = _group_of(told.c.kind, told, *columns[2:])
    return select(one, *group, func.count().label("number")).where(told.c.kind == "unit").group_by(*columns)


def _first_few(told: CTE) -> Select[Any]:
    """Other things that are alike: how many, beside each of the first; of lots, beside each."""
    alike = (told.c.kind, told.c.possible, told.c.of_part, told.c.of_state)
    place = func.row_number().over(partition_by=alike, order_by=told.c.item).label("place")
    number = func.count().over(partition_by=alike).label("number")
    each = select(told.c.item, *_group_of(told.c.kind, told, *alike[2:]), number, place)
    placed = each.where(told.c.kind != "unit").subquery("placed").c
    shown = [column for column in placed if column.name != "place"]
    return select(*shown).where(or_(placed.place <= FEW, placed.kind == "lot"))


def _sent(connection: Connection, told: CTE) -> Iterator[Select[Any]]:
    """How many units were despatched to each consignee, and to any."""
    gone = sent(connection, select(told.c.item, told.c.possible).where(told.c.kind == "unit"))
    one, number = func.min(gone.c.item).label("item"), func.count(gone.c.item.distinct()).label("number")
    to = shipment.c.consignee
    by_consignee = select(one, *_group_of(literal("sent"), gone, to.label("consignee")), number)
    joined = by_consignee.join_from(gone, shipment, shipment.c.id == gone.c.shipment)
    yield joined.group_by(gone.c.possible, to)
    yield select(one, *_group_of(literal("ever sent"), gone), number).group_by(gone.c.possible)


def _told(things: CTE) -> CTE:
    """All that is exposed, with its kind; null for packaging, and for what stands in something or is gone."""
    t, m = things.c, marriage.c
    was_in = select(m.id).where(m.child_id == t.item, m.started < m.ended)
    stands = was_in.where(m.ended == FOREVER, not_(m.disputed))
    serial = select(item.c.id).where(item.c.id == t.item, item.c.kind == "serial")
    kind = case(
        (part.c.sold, "unit"),
        (part.c.packaging, None),
        (part.c.trace == "lot", "lot"),
        (t.state.not_in(("usable", "in work", "finished")), None),
        (stands.exists(), None),
        (not_(serial.exists()), None),
        (part.c.made, "waiting"),
        (was_in.exists(), "removed"),
        else_="component",
    )
    day = case((part.c.sold, t.started_at // literal(_DAY, BigId)))
    told = (t.item, t.possible, t.part.label("of_part"), t.state.label("of_state"), day.label("day"))
    return select(*told, kind.label("kind")).join_from(things, part, part.c.part == t.part).cte("told")


def title_of_part(connection: Connection, number: str) -> str:
    """What a part is called in the catalogue; empty where it is not in it."""
    return connection.scalar(select(part.c.description).where(part.c.part == number)) or ""


def unit_of_characteristic(connection: Connection, plan: str, code: str) -> str:
    """In what a characteristic is measured; empty where it has no unit."""
    t = characteristic.c
    return connection.scalar(select(t.unit).where(t.plan == plan, t.characteristic == code)) or ""
