"""Which units are affected by what is suspected: certainly, or possibly."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Generator, Sequence
from dataclasses import asdict
from typing import Any

from sqlalchemy import Connection

from partkin.memory import paging
from partkin.memory.held import Held
from partkin.memory.suspecting import reached, read_parts
from partkin.rules.facts_json import item_json
from partkin.rules.messages.criteria import Alarm
from partkin.rules.moments import FOREVER, Moment, text_of
from partkin.store.database import Readable
from partkin.store.genealogy.content import items_by_id
from partkin.store.genealogy.exposure import (
    Count,
    Cursor,
    Exposed,
    Exposure,
    all_exposures,
    exposed,
    exposed_by,
    last_visits,
    marriages_by_id,
    page_of_exposures,
    suspicions,
)
from partkin.store.genealogy.suspects import Mistake, criteria_without_suspects, unknown_names
from partkin.store.genealogy.walks import BEGINNING

CERTAINTY = ("certain", "possible")


class UnknownSuspects(LookupError):
    """The criteria name what nobody knows: a mistake in an alarm must not be answered with nobody affected."""

    def __init__(self, mistakes: Sequence[Mistake]) -> None:
        super().__init__("; ".join(f"{mistake.pointer}: {mistake.detail}" for mistake in mistakes))
        self.mistakes = mistakes


def affected_page(
    database: Readable, alarm: Alarm, *, after: Cursor | None, limit: int, held: Held | None = None
) -> dict[str, Any]:
    """Up to `limit` affected units, certain ones first, with counts of all of them.

    Found on the genealogy that is held in memory, where it is; else in the store. `next` is the cursor of the last unit
    when there are more. Raises UnknownSuspects.
    """
    base = None if held is None else held.newest()
    with database.read() as connection:
        require_known(connection, alarm)
        suspected = suspicions(connection, alarm.suspects, alarm.moment)
        genealogy = None if base is None else base.at(connection)
        if genealogy is None:
            found = exposed_by(connection, suspected, alarm.moment)
            exposures, counts = page_of_exposures(connection, found, after, limit + 1)
        else:
            units = reached(connection, genealogy, read_parts(connection, genealogy), suspected, alarm.moment)
            counts = paging.counts(genealogy, units.affected)
            numbers = paging.page(connection, genealogy, units.affected, after, limit + 1)
            found, told = units.exposures(connection, numbers)
            exposures = [told[number] for number in numbers]
        shown = exposures[:limit]
        rows = exposures_told(connection, found, shown, alarm.moment)
        notes = criteria_without_suspects(connection, alarm.suspects, alarm.moment)
    return {
        "as_of": None if alarm.moment is None else text_of(alarm.moment),
        "notes": [asdict(note) for note in notes],
        "counts": _counts_json(counts),
        **{certainty: [row for row in rows if row["certainty"] == certainty] for certainty in CERTAINTY},
        "next": shown[-1].cursor if len(exposures) > limit else None,
    }


def affected_rows(database: Readable, alarm: Alarm) -> Generator[list[dict[str, Any]], None, None]:
    """All affected units, certain ones first, a chunk at a time, in one transaction.

    The first chunk is empty: asking for it raises UnknownSuspects before an answer has begun.
    """
    with database.read() as connection:
        require_known(connection, alarm)
        found = exposed(connection, alarm.suspects, alarm.moment)
        yield []
        for chunk in all_exposures(connection, found):
            yield exposures_told(connection, found, chunk, alarm.moment)


def require_known(connection: Connection, alarm: Alarm) -> None:
    """Raises UnknownSuspects unless the catalogue and the books know all that is named."""
    mistakes = unknown_names(connection, alarm.suspects)
    if mistakes:
        raise UnknownSuspects(mistakes)


def _counts_json(counts: Sequence[Count]) -> dict[str, Any]:
    by_state: dict[str, dict[str, int]] = defaultdict(lambda: dict.fromkeys(CERTAINTY, 0))
    by_part: dict[str, dict[str, int]] = defaultdict(lambda: dict.fromkeys(CERTAINTY, 0))
    totals = dict.fromkeys(CERTAINTY, 0)
    for count in counts:
        for counted in (totals, by_state[count.state], by_part[count.part]):
            counted[CERTAINTY[count.possible]] += count.units
    return {**totals, "by_state": dict(by_state), "by_part": dict(by_part)}


def exposures_told(
    connection: Connection, found: Exposed, exposures: Sequence[Exposure], as_of: Moment | None
) -> list[dict[str, Any]]:
    """The rows of the answer, with what else the books say about these units and the ways to them."""
    marriages = marriages_by_id(connection, [number for one in exposures for number in one.marriages])
    numbers = {number for row in marriages.values() for number in (row.child_id, row.parent_id)}
    numbers |= {one.lot_id for one in exposures}
    names = items_by_id(connection, sorted(number for number in numbers if number is not None))
    visits = last_visits(connection, [one.item_id for one in exposures])
    end_of_sight = FOREVER if as_of is None else as_of + 1

    def ended(moment: Moment) -> str | None:
        """As it was known then: what ended later had not ended."""
        return text_of(moment) if moment < end_of_sight else None

    def step(number: int, lot_id: int | None, *, possibly: bool) -> dict[str, Any]:
        row = marriages[number]
        of_another = lot_id is not None and possibly  # booked on another lot, or taken from a mixed container
        return {
            **item_json(names[row.child_id if lot_id is None else lot_id]),
            "position": row.position,
            "into": item_json(names[row.parent_id]),
            "started": text_of(row.started),
            "ended": ended(row.ended),
            "certain": not (row.disputed or number in found.doubts or of_another),
            "booked_as": None if lot_id is None or row.child_id is None else item_json(names[row.child_id]),
        }

    def told(one: Exposure) -> dict[str, Any]:
        where_at, where = visits.get(one.item_id, (None, None))
        since = one.started_at if one.since == BEGINNING else one.since
        return {
            "certainty": CERTAINTY[one.possible],
            "part": one.part,
            "serial": one.serial,
            "state": one.state,
            "inside": ended(one.until) is None,
            "where": where,
            "where_at": None if where_at is None else text_of(where_at),
            "exposed_from": None if since is None else text_of(since),
            "exposed_to": ended(one.until),
            "path": [
                step(number, None if place else one.lot_id, possibly=not one.is_certain)
                for place, number in enumerate(one.marriages)
            ],
        }

    return [told(one) for one in exposures]
