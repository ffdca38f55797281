"""What the rest costs in stores of several sizes: whose answer does not grow must not cost more.

Run it from the repository: python -m api_tests.benchmarks.growth [--marriages 100000,300000,1000000,3000000]

Each store is a plant as `make_plant` makes it, of the same seed. Questions are about units from all of its time, and
are asked of the service's own functions, without HTTP; the genealogy is held in memory, as the service holds it. Posts
are recorded one at a time, durably. What reads the whole store is in a table of its own, by a million marriages.
"""

from __future__ import annotations

import argparse
import json
import statistics
import tempfile
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import closing, contextmanager
from dataclasses import dataclass, field, replace
from datetime import date
from functools import partial
from itertools import count
from pathlib import Path
from typing import Any

from sqlalchemy import func, select

from api_tests import servers
from api_tests.benchmarks.plants.catalogue import CONSIGNEES
from api_tests.benchmarks.plants.making import Maker
from api_tests.benchmarks.posting import ERRORS, Stores, print_machine
from api_tests.benchmarks.streamed import Peak, peak
from partkin.actions.load_catalogue import load_catalogue
from partkin.actions.record_messages import record_messages
from partkin.actions.rulebooks import Rulebooks
from partkin.actions.seal_journal import seal_journal
from partkin.exports.night import export_night
from partkin.memory.held import Held
from partkin.questions.asked_items import AskedItem
from partkin.questions.birth_record import birth_record
from partkin.questions.clearance import clearance
from partkin.questions.containment.cases import one_case
from partkin.questions.containment.things import case_things
from partkin.questions.entries import list_entries
from partkin.questions.holds import list_holds
from partkin.questions.instrument_use import tested_page
from partkin.questions.item_history import history
from partkin.questions.next_here import next_here
from partkin.questions.preview import preview
from partkin.questions.shipments import list_shipments, shipment_content
from partkin.questions.units import list_units
from partkin.questions.units_affected import affected_page, affected_rows
from partkin.questions.whereabouts import where_is
from partkin.rules.messages import NamedItem
from partkin.rules.messages.criteria import Alarm, Suspects
from partkin.rules.moments import Moment, datetime_of, text_of
from partkin.store.catalogue import read_catalogue
from partkin.store.database import Database
from partkin.store.journal.entries import count_entries, last_entry
from partkin.store.journal.seals import Seal, next_seal
from partkin.store.tables import entry, item, marriage, shipment
from partkin.web.reading import read_post

SIZES = (100_000, 300_000, 1_000_000, 3_000_000)
SEED = 7
MODEL, LINE = "FW-TD8", "L2"
ONES = 20
"""Units that are asked about, or posts, a round."""
ROUNDS = 5
SEALED = 5_000
"""Entries of a seal: somewhat more than an hour of the plant."""
SECOND: Moment = 1_000_000
DAY: Moment = 86_400 * SECOND

Json = dict[str, Any]
Times = dict[str, list[float]]
"""Milliseconds of each round, by what was measured."""


@contextmanager
def silent(_what: str) -> Iterator[Callable[[int, int], None]]:
    """In place of a bar."""
    yield lambda _done, _of: None


@dataclass
class Store:
    """A plant, and what is asked of it."""

    database: Database
    held: Held
    folder: Path
    rulebooks: Rulebooks = field(init=False)
    units: list[str] = field(init=False)
    """Serial numbers of units from all of its time but the end, when they are still in work."""
    drums: list[str] = field(init=False)
    """Their drums: components with serial numbers."""
    shipments: list[str] = field(init=False)
    end: Moment = field(init=False)
    """When the last entry was recorded."""
    posted: Iterator[int] = field(default_factory=lambda: count(1))

    def __post_init__(self) -> None:
        self.rulebooks = Rulebooks(self.database)
        t, m = item.c, marriage.c
        drum = item.alias("drum")
        with self.database.read() as connection:
            all_units = connection.execute(
                select(t.code, drum.c.code)
                .join_from(item, marriage, m.parent_id == t.id)
                .join(drum, drum.c.id == m.child_id)
                .where(t.part == MODEL, t.kind == "serial", drum.c.part == "DRUM")
                .order_by(t.code)
            ).all()
            self.end = connection.scalar(select(func.max(entry.c.recorded_at))) or 0
            sent = connection.scalars(select(shipment.c.code).order_by(shipment.c.code)).all()
        places = [len(all_units) * 9 // 10 * place // ONES for place in range(ONES)]
        self.units = [all_units[place][0] for place in places]
        self.drums = [all_units[place][1] for place in places]
        self.shipments = [sent[len(sent) * place // ONES] for place in range(ONES)]

    # -- posts

    def post(self, kind: str, **said: object) -> Json:
        """Record a message at once, some time after all that the plant did; its answer."""
        number = next(self.posted)
        at = self.end + DAY + number * SECOND
        head = {"kind": kind, "message_id": f"growth-{number}", "operator": "B-2101", "occurred_at": text_of(at)}
        post = read_post(json.dumps({**head, **said}).encode(), self.rulebooks.newest)
        (outcome,) = record_messages(self.database, self.rulebooks, [post], now=at, clock_slack=0)
        assert outcome.status == 201, outcome.answer
        answer: Json = json.loads(outcome.answer)
        return answer

    def start(self) -> str:
        """Start a unit, which gets a number."""
        serial: str = self.post("unit-start", scan_point=f"{LINE}-01", part=MODEL)["unit"]["serial"]
        return serial

    def load_changed_catalogue(self) -> None:
        """Load a catalogue with one change."""
        with self.database.read() as connection:
            present = read_catalogue(connection)
        first, *others = present.consignees
        renamed = replace(first, name=f"Shop, renamed {next(self.posted)}")
        changed = replace(present, consignees=(renamed, *others))
        load_catalogue(self.database, changed, operator="B1", now=self.end + DAY)

    def freeze(self, case: str, drum: str) -> None:
        """Freeze a case of one component."""
        suspects = {"items": [{"part": "DRUM", "serial": drum}]}
        why = {"title": "drum cracks", "reason": "found in a test"}
        self.post("containment", action="open", case=case, suspects=suspects, **why)
        self.post("containment", action="freeze", case=case)

    # -- questions

    def alarm(self, drum: str) -> Alarm:
        """One component is suspect."""
        return Alarm(suspects=Suspects(items=(NamedItem(part="DRUM", serial=drum),)))

    def night(self) -> date:
        """The day in the middle of the journal."""
        with self.database.read() as connection:
            middle = select(entry.c.recorded_at).where(entry.c.id <= last_entry(connection) // 2)
            return datetime_of(connection.scalar(middle.order_by(entry.c.id.desc()).limit(1)) or 0).date()

    def last_seal(self) -> Seal | None:
        """The seal of the last entries, without recording it."""
        with self.database.read() as connection:
            last = last_entry(connection)
            before = Seal(1, last - SEALED, last - SEALED, 0, "00" * 32, "00" * 32)
            return next_seal(connection, before, last, self.end)


def all_of(chunks: Iterator[Sequence[object]]) -> int:
    """How many rows come in all chunks."""
    return sum(map(len, chunks))


def questions(store: Store) -> dict[str, Sequence[Callable[[], object]]]:
    """What is asked, each several times, of different things where there are any."""
    database, now = store.database, datetime_of(store.end)
    hour = store.end - 3600 * SECOND
    with database.read() as connection:
        last = last_entry(connection)
    units = [AskedItem(serial, part=MODEL) for serial in store.units]
    alarms = [store.alarm(drum) for drum in store.drums]

    def of_units(ask: Callable[[AskedItem], object]) -> list[Callable[[], object]]:
        return [partial(ask, unit) for unit in units]

    def of_alarms(ask: Callable[[Alarm], object]) -> list[Callable[[], object]]:
        return [partial(ask, alarm) for alarm in alarms]

    def often(ask: Callable[[], object]) -> list[Callable[[], object]]:
        return [ask] * ONES

    def shipped(of: str | None, despatched: bool | None, after: str) -> Callable[[], object]:
        return lambda: list_shipments(database, consignee=of, despatched=despatched, after=after, limit=100)

    def listed(state: Any, after: str) -> Callable[[], object]:
        return lambda: list_units(database, part=None, state=state, after=(MODEL, after), limit=100)

    return {
        "clearance of a unit": of_units(lambda unit: clearance(database, unit, None, now=now)),
        "where is it": of_units(lambda unit: where_is(database, unit)),
        "history of a unit": of_units(lambda unit: all_of(history(database, unit, inside=False))),
        "history of a unit and what was in it": of_units(lambda unit: all_of(history(database, unit, inside=True))),
        "birth record": of_units(lambda unit: birth_record(database, MODEL, unit.code)),
        "next at a station": often(lambda: next_here(database, f"{LINE}-02", now=now)),
        "units with a component, in the store": of_alarms(
            lambda alarm: affected_page(database, alarm, after=None, limit=100)
        ),
        "units with a component, in memory": of_alarms(
            lambda alarm: affected_page(database, alarm, after=None, limit=100, held=store.held)
        ),
        "units with a component, as rows": of_alarms(lambda alarm: all_of(affected_rows(database, alarm))),
        "preview of a component, in the store": of_alarms(lambda alarm: preview(database, alarm)),
        "preview of a component, in memory": of_alarms(lambda alarm: preview(database, alarm, store.held)),
        "last page of the journal": often(lambda: list_entries(database, after=last - 101, limit=101)),
        "first page of units": often(listed(None, "")),
        "last page of units": often(listed(None, store.units[-1])),
        "units in work": often(listed("in work", "")),
        "holds in force": often(lambda: list_holds(database, released=False, after=0, limit=101)),
        "shipments, last page": often(shipped(None, None, store.shipments[-1])),
        "shipments to a consignee": [shipped(one, None, "") for one in CONSIGNEES[:ONES]],
        "shipments not despatched": often(shipped(None, False, "")),
        "content of a shipment": [partial(shipment_content, database, code) for code in store.shipments],
        "tested on an instrument in an hour": often(
            lambda: tested_page(database, f"{LINE}-SAFETY", since=hour, after=(hour, 0), limit=100)
        ),
        "seal of the last entries": [store.last_seal],
    }


def in_rounds(asks: Mapping[str, Sequence[Callable[[], object]]]) -> Times:
    """Milliseconds of one, in each round, after one to warm up."""
    spent: Times = {}
    for name, several in asks.items():
        for ask in several:
            ask()
        spent[name] = []
        for _ in range(ROUNDS):
            began = time.perf_counter()
            for ask in several:
                ask()
            spent[name].append((time.perf_counter() - began) * 1000 / len(several))
    return spent


def recorded(store: Store) -> Times:
    """Posts, freezes and catalogues that are recorded."""
    started: list[str] = []
    drums = iter(store.drums)
    cases = (f"C{number}" for number in count(1))
    frozen: list[str] = []

    def freeze() -> None:
        frozen.append(next(cases))
        store.freeze(frozen[-1], next(drums))

    def marry() -> object:
        return store.post("marriage", scan_point=f"{LINE}-01", unit=started.pop(), components=[])

    def block() -> object:
        return store.post("number-block", part="ROTOR", count=100, reason="labels ahead")

    posts: dict[str, Sequence[Callable[[], object]]] = {
        "start of a unit, which gets a number": [lambda: started.append(store.start())] * ONES,
        "marriage": [marry] * ONES,
        "a hundred numbers": [block] * ONES,
        "catalogue with one change": [store.load_changed_catalogue],
        "case of a component, opened and frozen": [freeze],
    }
    spent = in_rounds(posts)
    case: dict[str, Sequence[Callable[[], object]]] = {
        "case of a component": [partial(one_case, store.database, frozen[0])],
        "what it lists": [lambda: all_of(case_things(store.database, frozen[0]))],
    }
    return spent | in_rounds(case)


def exported(store: Store) -> list[float]:
    """Milliseconds for a thousand entries of a night's export, over and over."""
    spent = []
    for _ in range(ROUNDS - 2):
        entries = 0

        def tell(done: int, _of: int) -> None:
            nonlocal entries
            entries = done

        with tempfile.TemporaryDirectory(prefix="partkin-benchmark-") as folder:
            began = time.perf_counter()
            export_night(store.database, store.night(), Path(folder), tell, now=store.end + 2 * DAY)
            spent.append((time.perf_counter() - began) * 1_000_000 / entries)
    return spent


def seconds(ask: Callable[[], object]) -> float:
    """How long something takes that is done once."""
    began = time.perf_counter()
    ask()
    return time.perf_counter() - began


def checked(url: str) -> Peak:
    """What `partkin check` takes."""
    return peak("check", "--json", "--store", url)


def started(url: str, folder: Path) -> float:
    """Seconds until the service answers; the genealogy was read before."""
    began = time.perf_counter()
    with servers.served(url, PARTKIN_CACHE_FOLDER=str(folder)):
        return time.perf_counter() - began


def measure_whole(name: str, url: str, store: Store) -> None:
    """What reads the whole store: print a line."""
    with store.database.read() as connection:
        millions = (connection.scalar(select(func.count()).select_from(marriage)) or 0) / 1e6
        entries = count_entries(connection)
    sealed = seconds(partial(seal_journal, store.database, now=store.end))
    check = checked(url)
    start = started(url, store.folder)
    read = seconds(lambda: Held(store.database, store.folder / "again").renew())
    print(
        f"| {name} | {millions * 1e6:,.0f} | {entries:,} | {start:.1f} | {read / millions:.1f} "
        f"| {sealed / millions:.1f} | {check.seconds / millions:.0f} | {check.megabytes:.0f} |",
        flush=True,
    )


def measure(name: str, url: str, marriages: int) -> Times:
    """Make a plant, print its line of what reads all of it, and measure the rest."""
    ERRORS.print(f"{name}: {marriages:,} marriages")
    Maker(marriages, SEED).make(url, silent)
    with (
        closing(Database(url)) as database,
        tempfile.TemporaryDirectory(prefix="partkin-benchmark-") as folder,
    ):
        store = Store(database, Held(database, Path(folder)), Path(folder))
        store.held.renew()
        measure_whole(name, url, store)
        times = in_rounds(questions(store)) | recorded(store)
        return times | {"a night's export, a thousand entries": exported(store)}


def print_times(name: str, sizes: Sequence[int], times: Mapping[int, Times]) -> None:
    """A table of one engine."""
    print(f"\n{name}: ms, min / median / max\n")
    print("| |", *(f"{size:,} |" for size in sizes), "times the smallest store |")
    print("|---|" + "---|" * (len(sizes) + 1))
    for what in times[sizes[0]]:
        of_sizes = [times[size][what] for size in sizes]
        shown = (f"{min(one):.2f} / {statistics.median(one):.2f} / {max(one):.2f}" for one in of_sizes)
        factor = statistics.median(of_sizes[-1]) / statistics.median(of_sizes[0])
        print(f"| {what} | {' | '.join(shown)} | {factor:.1f} |")


def main() -> None:
    """Measure, and print tables."""
    arguments = argparse.ArgumentParser(description=__doc__)
    arguments.add_argument("--marriages", default=",".join(map(str, SIZES)), help="sizes of stores")
    asked = arguments.parse_args()
    sizes = [int(size) for size in asked.marriages.split(",")]
    with servers.postgresql() as server, tempfile.TemporaryDirectory(prefix="partkin-benchmark-") as folder:
        print_machine(server)
        print("\nWhat reads the whole store, seconds a million marriages\n")
        print(
            "| | marriages | entries | s until the service answers | read into memory | first seal | check "
            "| MB that check takes |\n|---|---|---|---|---|---|---|---|"
        )
        times: dict[str, dict[int, Times]] = {}
        stores: dict[str, Stores] = {
            "SQLite": servers.SQLiteStores(Path(folder)),
            "PostgreSQL": servers.PostgreSQLStores(server),
        }
        for name, made in stores.items():
            times[name] = {}
            for size in sizes:
                url = made.empty()
                times[name][size] = measure(name, url, size)
                made.remove(url)
        for name, of_engine in times.items():
            print_times(name, sizes, of_engine)


if __name__ == "__main__":
    main()
