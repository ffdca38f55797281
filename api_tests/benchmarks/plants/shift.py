"""What happens to sixty units, played once on a scratch store and judged by the service's own code.

Sixty units are started in the time of a window, twenty a line; what becomes of them fills some more windows. Everything
that will be another number, name or moment in another sixty units is told apart here: it stands only for itself.
"""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Generator, Iterable, Iterator, Sequence
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path
from random import Random
from tempfile import TemporaryDirectory
from typing import Any

from sqlalchemy import insert, select

from api_tests.benchmarks.plants.catalogue import (
    BOUGHT,
    CELLS,
    CONSIGNEES,
    LINES,
    MEASURED,
    MODELS,
    MODULES,
    NUMBERED,
    SCANNED,
    STATIONS,
    feeds,
    plant,
    station,
    supplier_of,
)
from partkin.actions.load_catalogue import load_catalogue
from partkin.actions.record_messages import record_messages
from partkin.actions.rulebooks import Rulebooks
from partkin.rules.moments import Moment, moment_of_text, text_of
from partkin.store import tables
from partkin.store.books.writing import BOOKS
from partkin.store.database import Database
from partkin.store.journal.entries import Entry, add_entries, last_entry, read_entries
from partkin.store.migrate import upgrade
from partkin.web.reading import read_post

WINDOW = 240_000
"""Milliseconds in which the units of a block are started, one every 12 s on each line."""

A_LINE = 20
UNITS = A_LINE * len(LINES)
BEGIN: Moment = moment_of_text("2024-06-03T00:00:00Z")
"""When the block begins."""

NOW: Moment = moment_of_text("2031-01-01T00:00:00Z")
"""When everything is recorded: no station says this moment."""

FIRST_NUMBER = 1_000_000
"""Entries are numbered from here, so that their numbers are told from counts; running numbers a hundred times so."""

RECEIVED, IN_CONTAINER, PRODUCED = 777_777, 666_666, "2023-12-24"
"""What receipts and loadings say, for another number or day."""

SHIPMENT, NOTE = "N900001", "D900002"
COMPRESSORS = 15
"""On a receipt."""

HALFWAY = 18
"""After so many steps the units are at their seventh station."""

TROUBLE = ("retest", "retest", "repair", "repair", "swap", "second swap", "scrap", "hold", "refusal", "told")

Json = dict[str, Any]
Script = Generator[list[Json], list[Json], None]
Part = Generator[list[Json], list[Json], str]


@dataclass(frozen=True)
class Stage:
    """What the books have once so much has happened."""

    last_entry: int
    rows: dict[str, list[tuple[Any, ...]]]
    """By table."""


@dataclass
class Played:
    """All that came of the play."""

    catalogue: Entry
    receipts: dict[str, Entry]
    """By part."""
    loadings: dict[tuple[int, bool], Entry]
    """By the feed's place, and whether it was the first loading there."""
    entries: list[Entry]
    """Of the units."""
    halfway: Stage
    packed: Stage
    shipped: Stage


def play(seed: int) -> Played:
    """Play a shift; the same seed gives the same."""
    with (
        TemporaryDirectory(prefix="partkin-shift-") as folder,
        closing(Database(f"sqlite:///{Path(folder) / 'shift.db'}")) as database,
    ):
        upgrade(database)
        return _Play(database, Random(f"shift {seed}")).all()


@dataclass
class _Play:
    database: Database
    chance: Random
    rulebooks: Rulebooks = field(init=False)
    counts: Counter[str] = field(default_factory=Counter)
    taken: set[int] = field(default_factory=set)
    """Milliseconds at which something happens already."""
    cartons: list[str] = field(default_factory=list)
    drives: dict[str, str] = field(default_factory=dict)
    """Those that wait for a unit at rework: the spare one, and the one taken out."""

    def all(self) -> Played:
        self._prepare()
        environment = self._environment()
        first = self._last() + 1
        scripts = [self._compressors(), self._spare(), *self._units()]
        halfway = self._play(scripts, HALFWAY)
        packed = self._snapshot()
        self._play([self._shipment()])
        with self.database.read() as connection:
            entries = {entry.id: entry for entry in read_entries(connection, after=FIRST_NUMBER)}
        _require_order(entries.values())
        receipts, loadings = environment
        return Played(
            entries[FIRST_NUMBER + 1],
            {part: entries[number] for part, number in receipts.items()},
            {place: entries[number] for place, number in loadings.items()},
            [entry for number, entry in entries.items() if number >= first],
            halfway,
            packed,
            self._snapshot(),
        )

    # -- posting

    def _prepare(self) -> None:
        nothing = Entry(
            FIRST_NUMBER, None, "unreadable", None, "unreadable", None, None, None, 0, None, 400, "{}", "{}"
        )
        with self.database.write() as connection:
            add_entries(connection, [nothing])
            counters = [
                {"scheme": part, "period": "", "last": FIRST_NUMBER * 100 * place}
                for place, part in enumerate(NUMBERED, start=1)
            ]
            connection.execute(insert(tables.number_counter), counters)
        load_catalogue(self.database, plant(), operator="B1", now=0)
        self.rulebooks = Rulebooks(self.database)

    def _post(self, messages: Sequence[Json]) -> list[Json]:
        posts = [read_post(json.dumps(message).encode(), self.rulebooks.newest) for message in messages]
        outcomes = record_messages(self.database, self.rulebooks, posts, now=NOW, clock_slack=0)
        answers = [json.loads(outcome.answer) for outcome in outcomes]
        for message, answer in zip(messages, answers, strict=True):
            refused = message.get("operator") == "B-NEW"
            if answer["outcome"] != ("refused" if refused else "recorded") or answer.get("discrepancies"):
                raise RuntimeError(f"the play is wrong: {message} was answered with {answer}")
        return answers

    def _play(self, scripts: Iterable[Script], halfway: int = 0) -> Stage:
        """All scripts side by side, a step of each at a time; what the books have after `halfway` of these."""
        waiting = [(script, next(script)) for script in scripts]
        step, stage = 0, None
        while waiting:
            answers = iter(self._post([message for _, messages in waiting for message in messages]))
            following = []
            for script, messages in waiting:
                try:
                    following.append((script, script.send([next(answers) for _ in messages])))
                except StopIteration:
                    continue
            waiting, step = following, step + 1
            if step == halfway:
                stage = self._snapshot()
        return stage or self._snapshot()

    def _last(self) -> int:
        with self.database.read() as connection:
            return last_entry(connection)

    def _snapshot(self) -> Stage:
        with self.database.read() as connection:
            rows = {table.name: [tuple(row) for row in connection.execute(select(table))] for table in BOOKS.values()}
            return Stage(last_entry(connection), rows)

    def says(self, at: int, kind: str, **said: Any) -> Json:
        """A message so many milliseconds after the beginning; nothing else happens in the same one."""
        at += self.chance.randrange(700)
        while at in self.taken:
            at += 1
        self.taken.add(at)
        self.counts["message"] += 1
        head = {
            "kind": kind,
            "message_id": f"message-{self.counts['message']}",
            "operator": f"B-{self.chance.randrange(2101, 2180)}",
            "occurred_at": text_of(BEGIN + at * 1000)[:23] + "Z",
        }
        return {**head, **said}

    # -- what is there before

    def _environment(self) -> tuple[dict[str, int], dict[tuple[int, bool], int]]:
        """Lots are received and loaded, twice at each feed; the numbers of the entries."""
        receipts: dict[str, int] = {}
        loadings: dict[tuple[int, bool], int] = {}
        for first in (True, False):
            at = -20_000_000 if first else -10_000_000
            lots = [lot_at(place, first) for place in range(len(feeds()))]
            came = [
                self.says(
                    at + 1000 * place,
                    "receipt",
                    scan_point="GOODS-IN",
                    part=part,
                    supplier=supplier_of(part),
                    lot=lots[place],
                    quantity=RECEIVED,
                    produced_on=PRODUCED,
                    delivery_note=NOTE,
                )
                for place, (_, _, part) in enumerate(feeds())
            ]
            up = [
                self.says(
                    at + 1_000_000 + 1000 * place,
                    "lot-loading",
                    scan_point=point,
                    lot={"part": part, "lot": lots[place]},
                    **({"quantity": IN_CONTAINER} if is_counted(part) else {}),
                )
                for place, (point, _, part) in enumerate(feeds())
            ]
            for place, answer in enumerate(self._post(came)):
                receipts[feeds()[place][2]] = answer["entry"]
            for place, answer in enumerate(self._post(up)):
                loadings[place, first] = answer["entry"]
        return receipts, loadings

    # -- the scripts

    def _serial(self, part: str) -> str:
        self.counts[part] += 1
        return f"{BOUGHT[part]}{self.counts[part]:09d}"

    def _compressors(self) -> Script:
        serials = [self._serial("COMPRESSOR") for _ in range(UNITS)]
        yield [
            self.says(
                500 * start,
                "receipt",
                scan_point="GOODS-IN",
                part="COMPRESSOR",
                supplier=supplier_of("COMPRESSOR"),
                serials=serials[start : start + COMPRESSORS],
            )
            for start in range(0, UNITS, COMPRESSORS)
        ]

    def _spare(self) -> Script:
        self.drives["swap"] = yield from self._drive(UNITS)

    def _units(self) -> Iterator[Script]:
        troubled = dict(zip(self.chance.sample(range(UNITS), len(TROUBLE)), TROUBLE, strict=True))
        return (self._unit(number, troubled.get(number, "")) for number in range(UNITS))

    def _drive(self, number: int) -> Part:
        """A drive, from its rotor on."""
        at = 1000 + number * WINDOW // (UNITS + 1)
        rotor = yield from self._built("ROTOR", at)
        motor = yield from self._built("MOTOR", at + 60_000, rotor, self._serial("STATOR"))
        return (yield from self._built("DRIVE", at + 120_000, motor))

    def _built(self, part: str, at: int, *scanned: str) -> Part:
        points = CELLS[part]
        (answer,) = yield [self.says(at, "unit-start", scan_point=points[0], part=part)]
        serial: str = answer["unit"]["serial"]
        for step, point in enumerate(points):
            yield [self._marriage(at + 1900 + 1300 * step, point, serial, *(scanned if step == 0 else ()))]
        return serial

    def _marriage(self, at: int, point: str, unit: str, *scanned: str, **said: Any) -> Json:
        components = [{"item": serial} for serial in scanned]
        return self.says(at, "marriage", **{"scan_point": point, "unit": unit, "components": components, **said})

    def _unit(self, number: int, trouble: str) -> Script:
        line, place = LINES[number % len(LINES)], number // len(LINES)
        drive = yield from self._drive(number)
        compressor = f"{BOUGHT['COMPRESSOR']}{number + 1:09d}"
        parts = [compressor, self._serial("CONDENSER"), self._serial("EVAPORATOR")]
        pump = yield from self._built("HEAT-PUMP", 100_000 + number * WINDOW // UNITS, *parts)
        at = 320_000 + 12_000 * place + 3000 * LINES.index(line)
        (answer,) = yield [self.says(at, "unit-start", scan_point=station(line, 1), part=MODELS[line])]
        unit: str = answer["unit"]["serial"]
        scanned = [[drive], [pump], *([self._serial(part)] for part in SCANNED[2:])]
        for step, point in enumerate(station(line, station_number) for station_number in STATIONS):
            then = at + 1500 + 12_000 * step
            if trouble == "refusal" and step == 4:
                yield [self._marriage(then, point, unit, f"{BOUGHT['SENSOR']}{800_000:09d}", operator="B-NEW")]
                then += 4000
            how = {"mode": "tell"} if trouble == "told" and step == 7 else {}
            yield [self._marriage(then, point, unit, *(scanned[step] if step < len(scanned) else ()), **how)]
        yield from self._tested_and_packed(line, unit, at + 160_000, drive, trouble)

    def _tested_and_packed(self, line: str, unit: str, at: int, drive: str, trouble: str) -> Script:
        yield [self._test(at, line, unit, "SAFETY", passed=trouble != "scrap")]
        if trouble == "scrap":
            scrapped = {"item": unit, "destination": "scrap", "reason": "cabinet bent"}
            yield [self.says(at + 100_000, "disposition", scan_point=f"{line}-RW", **scrapped)]
            return
        failed = trouble in ("retest", "repair", "swap", "second swap")
        yield [self._test(at + 12_000, line, unit, "FUNCTION", passed=not failed)]
        if failed:
            at += 500_000 if trouble == "second swap" else 100_000
            yield from self._mended(line, unit, at, drive, trouble)
        if trouble == "hold":
            at += 100_000
            yield from self._held(unit, at)
        at += 60_000
        yield [self._marriage(at, f"{line}-PK", unit)]
        packing = {"scan_point": f"{line}-PK", "packaging": "CARTON", "contents": [unit]}
        (answer,) = yield [self.says(at + 6000, "packing", **packing)]
        self.cartons.append(answer["unit"]["serial"])

    def _mended(self, line: str, unit: str, at: int, drive: str, trouble: str) -> Script:
        """At the rework bench; then tested again."""
        out = {"scan_point": f"{line}-RW", "unit": unit}
        if trouble == "repair":
            new = {"item": self._serial("PUMP")}
            why = {"position": "PUMP", "reason": "noisy", "destination": "failure analysis", "replacement": new}
            yield [self.says(at - 60_000, "removal", **out, **why)]
        elif trouble == "swap":
            yield [self.says(at - 60_000, "removal", **out, component=drive, reason="belt slips")]
            self.drives["second swap"] = drive
            yield [self._marriage(at - 50_000, f"{line}-RW", unit, self.drives["swap"])]
        elif trouble == "second swap":
            while "second swap" not in self.drives:
                yield []
            yield []
            why = {"component": drive, "reason": "bearing loud", "destination": "scrap"}
            new = {"item": self.drives["second swap"]}
            yield [self.says(at - 60_000, "removal", **out, **why, replacement=new)]
        yield [self._test(at - 24_000, line, unit, "SAFETY")]
        yield [self._test(at - 12_000, line, unit, "FUNCTION")]

    def _held(self, unit: str, at: int) -> Script:
        place = {"action": "place", "item": unit, "reason": "scratch on the fascia"}
        (answer,) = yield [self.says(at - 80_000, "hold", **place)]
        (hold,) = (fact["number"] for fact in answer["facts"] if fact["fact"] == "held")
        yield [self.says(at - 10_000, "hold", action="release", hold=hold, reason="fascia polished")]

    def _test(self, at: int, line: str, unit: str, plan: str, *, passed: bool = True) -> Json:
        measured: list[Json] = [{"characteristic": code, "value": self._value(passed)} for code in MEASURED[plan]]
        measured.append({"characteristic": "LOOKS", "good": True})
        point = f"{line}-{20 if plan == 'SAFETY' else 21}"
        said = {"scan_point": point, "unit": unit, "plan": plan, "instrument": f"{line}-{plan}"}
        return self.says(at, "test-run", **said, measurements=measured)

    def _value(self, passed: bool) -> float:
        """A value that no other measurement has, with six digits after the point."""
        self.counts["value"] += 1
        return (50 if passed else 150) + (self.counts["value"] * 10 + 7) / 1_000_000

    def _shipment(self) -> Script:
        dock = {"scan_point": "DOCK", "shipment": SHIPMENT}
        yield [
            self.says(
                1_350_000 + 2500 * place,
                "shipment",
                **dock,
                action="load",
                consignee=CONSIGNEES[0],
                contents=[carton],
            )
            for place, carton in enumerate(self.cartons)
        ]
        yield [self.says(1_530_000, "shipment", **dock, action="despatch", delivery_note=NOTE)]


def _require_order(entries: Iterable[Entry]) -> None:
    """What happens to an item must be judged in the order in which it happens."""
    last: dict[int | None, Moment] = {}
    for entry in entries:
        if entry.item_id is not None:
            if last.get(entry.item_id, 0) > (entry.occurred_at or 0):
                raise RuntimeError(f"the play is out of order: {entry.message}")
            last[entry.item_id] = entry.occurred_at or 0


def lot_at(place: int, first: bool) -> str:
    """The lot that a feed has in the play: at first, and while the units are built."""
    return f"lot-{place}-{'first' if first else 'then'}"


def is_counted(part: str) -> bool:
    """Whether the containers of a part are counted at the points of use."""
    return len(part) % 3 == 0


def modules_drawn() -> frozenset[str]:
    """Parts that are drawn at the cells."""
    return frozenset(part for content in MODULES.values() for part, _, _ in content)
