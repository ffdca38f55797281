"""What a freeze of these suspects would stop, in numbers, before anything is done."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, field
from functools import partial
from typing import Any, TypeVar

from sqlalchemy import Connection

from partkin.memory.arrays import Genealogy
from partkin.memory.counting import grouped, pieces_standing
from partkin.memory.held import Held
from partkin.memory.suspecting import reached, read_parts
from partkin.questions.units_affected import CERTAINTY, exposures_told, require_known
from partkin.rules.containment.words import in_words
from partkin.rules.messages.criteria import Alarm
from partkin.rules.moments import Moment, text_of
from partkin.store.containment.cases import points_up
from partkin.store.containment.preview import (
    FEW,
    Alike,
    Kind,
    SentTo,
    counted,
    title_of_part,
    unit_of_characteristic,
    with_exposures,
)
from partkin.store.database import Readable
from partkin.store.genealogy.exposure import Exposed, Exposure, Suspicions, exposed_by, suspicions
from partkin.store.genealogy.mass_balance import Stands, balances
from partkin.store.genealogy.suspects import criteria_without_suspects

Json = dict[str, Any]
T = TypeVar("T", Alike, SentTo)

NEVER_SENT = "in the plant"
"""Stands in place of a consignee for the units that never left."""

NEVER_STARTED = "unknown"
"""Stands in place of a day for units that were never started here."""


@dataclass(slots=True)
class _Group:
    """Numbers of things, and the first few: certain ones first, then by part number and serial number."""

    numbers: dict[str, int] = field(default_factory=lambda: dict.fromkeys(CERTAINTY, 0))
    first: Sequence[Exposure] = ()

    def add(self, one: Alike | SentTo) -> None:
        self.numbers[CERTAINTY[one.possible]] += one.number
        self.first = sorted([*self.first, *one.first], key=lambda exposure: exposure.cursor)[:FEW]


def preview(database: Readable, alarm: Alarm, held: Held | None = None) -> Json:
    """What is suspected in words; what is affected as of the alarm's moment, by its state and despatches of now.

    Counted on the genealogy that is held in memory, where it is; else in the store. Raises UnknownSuspects.
    """
    base = None if held is None else held.newest()
    with database.read() as connection:
        require_known(connection, alarm)
        suspected = suspicions(connection, alarm.suspects, alarm.moment)
        genealogy, stands = None if base is None else base.at(connection), None
        if genealogy is None:
            found = exposed_by(connection, suspected, alarm.moment, things=True)
            alike, sent_to = counted(connection, found)
        else:
            stands = partial(pieces_standing, genealogy)
            found, (alike, sent_to) = _counted_in_memory(connection, genealogy, suspected, alarm.moment)
        groups = _groups(alike, sent_to)
        rows = _examples(connection, found, alarm, groups)
        titles = partial(title_of_part, connection), partial(unit_of_characteristic, connection)
        return {
            "as_of": None if alarm.moment is None else text_of(alarm.moment),
            "in_words": list(in_words(alarm.suspects, *titles)),
            "notes": [asdict(note) for note in criteria_without_suspects(connection, alarm.suspects, alarm.moment)],
            **_told(groups, rows),
            "lots_in_stock": _lots_in_stock(connection, [one for one in alike if one.kind == "lot"], stands),
            "points_of_use": points_up(connection, found),
        }


def _counted_in_memory(
    connection: Connection, genealogy: Genealogy, suspected: Suspicions, as_of: Moment | None
) -> tuple[Exposed, tuple[list[Alike], list[SentTo]]]:
    """The counts, and what is exposed by the ways to the members that are told."""
    parts = read_parts(connection, genealogy)
    walked = reached(connection, genealogy, parts, suspected, as_of, things=True)
    groups = grouped(genealogy, parts, walked.affected)
    first = sorted({number for members in groups.values() for number in members.first})
    found, exposures = walked.exposures(connection, first)
    return found, with_exposures(groups, exposures)


def _groups(alike: Sequence[Alike], sent_to: Iterable[SentTo]) -> Json:
    def of(kind: Kind) -> list[Alike]:
        return [one for one in alike if one.kind == kind]

    def by_part(things: Iterable[Alike]) -> Json:
        return {"all": _in_one(things), "by_part": _by(things, lambda one: one.part)}

    units = of("unit")
    return {
        "counts": {
            **by_part(units),
            "by_state": _by(units, lambda one: one.state),
            "by_day": _by(units, lambda one: str(one.day or NEVER_STARTED)),
            "by_consignee": _by(sent_to, lambda one: one.consignee or NEVER_SENT),
        },
        "subassemblies_waiting": by_part(of("waiting")),
        "components_in_stock": by_part(of("component")),
        "components_removed": by_part(of("removed")),
    }


def _in_one(things: Iterable[Alike]) -> _Group:
    group = _Group()
    for one in things:
        group.add(one)
    return group


def _by(things: Iterable[T], name_of: Callable[[T], str]) -> dict[str, _Group]:
    groups: dict[str, _Group] = defaultdict(_Group)
    for one in things:
        groups[name_of(one)].add(one)
    return dict(sorted(groups.items()))


def _examples(connection: Connection, found: Exposed, alarm: Alarm, groups: Json) -> Mapping[int, Json]:
    """What is told of the first few of all groups, by their numbers."""
    exposures = list({one.item_id: one for group in _each(groups) for one in group.first}.values())
    rows = exposures_told(connection, found, exposures, alarm.moment)
    return dict(zip((one.item_id for one in exposures), rows, strict=True))


def _each(groups: Json) -> Iterator[_Group]:
    for value in groups.values():
        yield from [value] if isinstance(value, _Group) else _each(value)


def _told(groups: Json, rows: Mapping[int, Json]) -> Json:
    """Groups as they are answered; that of all is not named."""
    told: Json = {}
    for name, value in groups.items():
        if not isinstance(value, _Group):
            told[name] = _told(value, rows)
            continue
        group = {**value.numbers, "examples": [rows[one.item_id] for one in value.first]}
        told |= group if name == "all" else {name: group}
    return told


def _lots_in_stock(connection: Connection, lots: Iterable[Alike], stands: Stands | None) -> list[Json]:
    """Suspect lots, and containers of them, of which there are pieces in stock."""
    exposures = sorted((one for alike in lots for one in alike.first), key=lambda one: one.cursor)
    balance_of = balances(connection, [one.item_id for one in exposures], stands)
    return [
        {
            "part": one.part,
            "lot": one.serial,
            "certainty": CERTAINTY[one.possible],
            "pieces": balance.in_stock,
            "counted_at": None if balance.counted_at is None else text_of(balance.counted_at),
        }
        for one in exposures
        if (balance := balance_of[one.item_id]).in_stock > 0
    ]
