"""Rehearsals of a recall: a suspect is drawn at random and traced, each step timed; nothing is stopped."""

from __future__ import annotations

import json
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import asdict, dataclass, field, fields
from time import perf_counter
from typing import Any

from sqlalchemy import Connection

from partkin.rules.facts import FACTS_PER_ENTRY, ItemKey
from partkin.rules.messages import DrillStep, NamedItem
from partkin.rules.messages.criteria import Suspects
from partkin.rules.messages.criteria_json import suspects_json
from partkin.rules.moments import Moment, text_of
from partkin.rules.rows import DrillRow
from partkin.rules.sampling import draw
from partkin.store.containment import records
from partkin.store.containment.cases import exposed_things, found_things
from partkin.store.database import Readable
from partkin.store.genealogy.exposure import all_exposures, exposed, marriages_by_id
from partkin.store.genealogy.mass_balance import balances
from partkin.store.genealogy.whereabouts import standing
from partkin.store.journal.entries import entries_of_messages

GOAL_MILLISECONDS = 4 * 60 * 60 * 1000
"""What a trace test may take in food certification schemes; no law for appliances, but a goal that is known."""

CHUNK = 1000
"""Units looked up in one trip."""


class NothingToDraw(LookupError):
    """Nothing stands in a unit that a recall could be rehearsed with."""


@dataclass(slots=True)
class Rehearsal:
    """What was drawn, what each step took, and what was found."""

    seed: str
    suspects: Suspects
    steps: list[DrillStep] = field(default_factory=list)
    certain: int = 0
    possible: int = 0
    consignees: int = 0
    received: int | None = None
    accounted: int | None = None
    """Both only of a lot: in pieces."""

    def said(self) -> dict[str, Any]:
        """What the message says that keeps it."""
        members = {one.name: getattr(self, one.name) for one in fields(self)}
        return members | {"suspects": suspects_json(self.suspects), "steps": [asdict(step) for step in self.steps]}


def rehearse(database: Readable, seed: str, part: str | None) -> Rehearsal:
    """Draw a lot or a serial component that stands in something, and trace it as in a recall. Raises NothingToDraw.

    First the part is drawn, where none is named, then the item: as `rules/sampling.py` draws, each from its names in
    the books, so that whoever has the seed and the books can draw again.
    """
    with database.read() as connection:
        drill = Rehearsal(seed, Suspects(items=(_drawn(connection, seed, part),)))
        _trace(connection, drill)
    return drill


def _drawn(connection: Connection, seed: str, part: str | None) -> NamedItem:
    parts = records.parts_standing(connection) if part is None else [part]
    items = records.items_standing(connection, draw(seed, parts, 1)[0]) if parts else []
    if not items:
        what = "No component stands" if part is None else f"No lot and no serial item of {part} stands"
        raise NothingToDraw(f"{what} in anything: there is nothing to rehearse with.")
    named = {str(key): key for key in items}
    return _named(named[draw(seed, named, 1)[0]])


def _named(key: ItemKey) -> NamedItem:
    return NamedItem(key.part, lot=key.code) if key.kind == "lot" else NamedItem(key.part, serial=key.code)


def _trace(connection: Connection, drill: Rehearsal) -> None:
    with _timed(drill, "suspects found"):
        things = found_things(connection, exposed_things(connection, drill.suspects))
        lots = [thing.item.id for thing in things if thing.suspect and thing.item.kind == "lot"]
    with _timed(drill, "affected units listed, each with the way to it"):
        units = _listed(connection, drill)
    with _timed(drill, "every unit found where it is"):
        for start in range(0, len(units), CHUNK):
            standing(connection, units[start : start + CHUNK])
    with _timed(drill, "consignees found"):
        drill.consignees = len(records.consignees_sent(connection, units))
    if lots:
        with _timed(drill, "mass balance made"):
            made = balances(connection, lots).values()
            drill.received = sum(one.received for one in made)
            drill.accounted = drill.received - sum(one.unaccounted for one in made)


@contextmanager
def _timed(drill: Rehearsal, step: str) -> Iterator[None]:
    started = perf_counter()
    yield
    drill.steps.append(DrillStep(step=step, milliseconds=round(1000 * (perf_counter() - started), 3)))


def _listed(connection: Connection, drill: Rehearsal) -> list[int]:
    """Every affected unit by its number; they are counted, and the marriages on the ways to them read."""
    units = []
    for chunk in all_exposures(connection, exposed(connection, drill.suspects, None)):
        marriages_by_id(connection, [number for one in chunk for number in one.marriages])
        units += [one.item_id for one in chunk]
        drill.possible += sum(bool(one.possible) for one in chunk)
    drill.certain = len(units) - drill.possible
    return units


# -- those that were


def answered_before(
    database: Readable, message_id: str, operator: str, at: Moment, seed: str | None, part: str | None
) -> tuple[int, str] | None:
    """Status and text of the answer to the same drill; each run takes other times, so only what was asked counts."""
    with database.read() as connection:
        entry = entries_of_messages(connection, [message_id]).get(message_id)
    if entry is None or (entry.kind, entry.operator, entry.occurred_at) != ("drill", operator, at):
        return None
    said = json.loads(entry.message)
    same = seed in (None, said["seed"]) and part in (None, said["suspects"]["items"][0]["part"])
    return (entry.status, entry.answer) if same else None


def list_drills(database: Readable, *, after: int, limit: int) -> list[dict[str, Any]]:
    """Drills in the order in which they were recorded, from the one after `after`."""
    with database.read() as connection:
        return [_told(row) for row in records.drills_after(connection, after=after, limit=limit)]


def _told(row: DrillRow) -> dict[str, Any]:
    steps = json.loads(row.steps)
    return {
        "drill": row.id,
        "entry": row.id // FACTS_PER_ENTRY,
        "at": text_of(row.occurred_at),
        "by": row.drilled_by,
        "seed": row.seed,
        "suspects": json.loads(row.suspects),
        "steps": steps,
        "milliseconds": round(sum(step["milliseconds"] for step in steps), 3),
        "goal_milliseconds": GOAL_MILLISECONDS,
        "certain": row.certain,
        "possible": row.possible,
        "consignees": row.consignees,
        "received": row.received,
        "accounted": row.accounted,
    }
