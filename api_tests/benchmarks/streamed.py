"""The memory that streamed answers take: of the service, for a million rows, read quickly and slowly.

Run it from the repository: python -m api_tests.benchmarks.streamed [--units 1000000]

One suspect lot is in every unit; the books are filled without a journal, as `preview_measure` does it. Each answer is
asked of a `partkin serve` of its own. Its growth is the highest resident memory while it answered, less that before;
what of it is not mapped from files is looked at twenty times a second. A slow reader takes half a megabyte a second and
goes away after some seconds. Commands are measured whole, with all that Python loads.
"""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Any, NamedTuple

import httpx2
from sqlalchemy import text

from api_tests import servers
from api_tests.benchmarks.first_measure import take_statistics
from api_tests.benchmarks.posting import ERRORS, print_machine
from api_tests.benchmarks.preview_measure import SECOND, START, fill
from partkin.rules.moments import text_of
from partkin.store.database import Database

SUSPECTS = {"items": [{"part": "SEAL", "lot": "SUSPECT"}]}
ITEMS_A_UNIT = 4
LOOK_SECONDS = 0.05
SLOW_PIECE, SLOW_SECONDS = 1 << 19, 15
"""Bytes that a slow reader takes each second, and for how long."""
MEGABYTE = 1e6


class Ask(NamedTuple):
    """An answer that is streamed."""

    name: str
    address: str
    body: Any = None
    slowly: bool = False


def asks(units: int) -> list[Ask]:
    """All of them; of birth records as many as have a row for each unit."""
    alarm = {"suspects": SUSPECTS}
    until = text_of(START + units // ITEMS_A_UNIT * 12 * SECOND)
    return [
        Ask("units affected, NDJSON", "/v1/affected?format=ndjson", alarm),
        Ask("units affected, NDJSON, a slow reader", "/v1/affected?format=ndjson", alarm, slowly=True),
        Ask("units affected, CSV", "/v1/affected?format=csv", alarm),
        Ask("birth records, NDJSON", f"/v1/trees?started_from={text_of(START)}&started_to={until}"),
        Ask("records of a mass balance, NDJSON", "/v1/mass-balance?part=SEAL&lot=SUSPECT&format=ndjson"),
        Ask("tested on an instrument, NDJSON", "/v1/instruments/T1/tested?format=ndjson"),
        Ask("things of a case, NDJSON", "/v1/cases/C1/things?format=ndjson"),
        Ask("things of a case, NDJSON, a slow reader", "/v1/cases/C1/things?format=ndjson", slowly=True),
    ]


def fill_all(database: Database, units: int) -> None:
    """Units, a test of each, and a case that lists them."""
    fill(database, units, 1, share=1)
    suspects = json.dumps(SUSPECTS)
    with database.write() as connection:
        connection.execute(
            text(
                "INSERT INTO test_run (id, item_id, plan, instrument, occurred_at, verdict, wrong)"
                " SELECT id, id, 'SAFETY', 'T1', started_at, 'pass', false FROM item WHERE part = 'UNIT'"
            )
        )
        connection.execute(
            text(
                "INSERT INTO containment_case (id, code, title, status, revision, suspects, opened_at, opened_by,"
                " reason) VALUES (1, 'C1', 'seals', 'frozen', 1, :suspects, :at, 'B1', 'leaks')"
            ),
            {"suspects": suspects, "at": START},
        )
        connection.execute(
            text(
                "INSERT INTO case_item (id, case_id, item_id, revision, certainty, suspect, state, gone)"
                " SELECT id, 1, id, 1, 'certain', false, state, state = 'shipped' FROM item WHERE part = 'UNIT'"
            )
        )
    take_statistics(database)


# -- memory


def memory(pid: int) -> dict[str, float]:
    """Megabytes of a process, by what the system calls them."""
    lines = Path(f"/proc/{pid}/status").read_text().splitlines()
    return {
        name: float(kilobytes.split()[0]) / 1000
        for name, _, kilobytes in (line.partition(":") for line in lines if line.startswith(("Vm", "Rss")))
    }


class Growth(NamedTuple):
    """Megabytes more than before."""

    all: float
    own: float
    """Not mapped from files."""


class Watch:
    """The growth of a process, from now on."""

    def __init__(self, pid: int) -> None:
        self._pid = pid
        self._before = memory(pid)
        self._own = 0.0
        self._ended = threading.Event()
        Path(f"/proc/{pid}/clear_refs").write_text("5")  # the highest resident memory counts from now on
        self._thread = threading.Thread(target=self._look, daemon=True)
        self._thread.start()

    def _look(self) -> None:
        while not self._ended.wait(LOOK_SECONDS):
            self._own = max(self._own, memory(self._pid).get("RssAnon", 0.0))

    def end(self) -> Growth:
        """The growth until now."""
        self._ended.set()
        self._thread.join()
        return Growth(memory(self._pid)["VmHWM"] - self._before["VmRSS"], max(0.0, self._own - self._before["RssAnon"]))


# -- readers


class Read(NamedTuple):
    """What a reader got."""

    rows: int
    size: int
    seconds: float
    first: float
    """Seconds until the first byte."""


def read(base_url: str, ask: Ask) -> Read:
    """Read an answer, to its end or slowly."""
    method = "GET" if ask.body is None else "POST"
    rows = size = 0
    first = 0.0
    began = time.perf_counter()
    with (
        httpx2.Client(timeout=600) as client,
        client.stream(method, base_url + ask.address, json=ask.body) as response,
    ):
        assert response.status_code == 200, response.read()
        for piece in response.iter_raw(SLOW_PIECE):
            first = first or time.perf_counter() - began
            rows, size = rows + piece.count(b"\n"), size + len(piece)
            if ask.slowly:
                time.sleep(1)
                if time.perf_counter() - began - first > SLOW_SECONDS:
                    break
    return Read(rows, size, time.perf_counter() - began, first)


@contextmanager
def service(store: str) -> Iterator[tuple[int, str]]:
    """A service that does not hold the genealogy in memory; warmed up by a small question."""
    with servers.served(store, PARTKIN_HOLD_FROM_ENTRIES=str(10**12)) as (process, base_url):
        httpx2.get(f"{base_url}/v1/tree?part=UNIT&serial=U1", timeout=60)
        yield process.pid, base_url


def measure(name: str, store: str, units: int) -> None:
    """Fill a store, and print its lines of the table."""
    ERRORS.print(f"{name}: {units:,} units")
    with closing(Database(store)) as database:
        fill_all(database, units)
    for ask in asks(units):
        with service(store) as (pid, base_url):
            watch = Watch(pid)
            got = read(base_url, ask)
            print_line(name, ask.name, got, watch.end())
    with tempfile.TemporaryDirectory(prefix="partkin-benchmark-") as folder:
        file = Path(folder) / "affected.csv"
        took = peak("affected", "--lot", "SEAL", "SUSPECT", "--csv", str(file), "--store", store)
        with file.open("rb") as written:
            rows = sum(1 for _ in written)
        got = Read(rows, file.stat().st_size, took.seconds, took.seconds)
        print_line(name, "`partkin affected --csv`, whole", got, Growth(took.megabytes, took.megabytes))


class Peak(NamedTuple):
    """What a command takes."""

    seconds: float
    megabytes: float
    """Of resident memory, at most."""


def peak(*arguments: str) -> Peak:
    """Run a command of partkin, and see what it takes."""
    command = [str(Path(sys.executable).with_name("partkin")), *arguments]
    began, most = time.perf_counter(), 0.0
    with subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL) as process:
        while process.poll() is None:
            most = max(most, memory(process.pid).get("VmHWM", 0.0))
            time.sleep(LOOK_SECONDS)
    assert process.returncode == 0, arguments
    return Peak(time.perf_counter() - began, most)


def print_line(name: str, what: str, got: Read, grown: Growth) -> None:
    """One line of the table."""
    print(
        f"| {name} | {what} | {got.rows:,} | {got.size / MEGABYTE:,.0f} | {got.first:.1f} | {got.seconds:.0f} "
        f"| {got.seconds / max(1, got.rows) * 1e6:.0f} | {grown.all:,.0f} | {grown.own:,.0f} |",
        flush=True,
    )


def main() -> None:
    """Measure, and print a table."""
    arguments = argparse.ArgumentParser(description=__doc__)
    arguments.add_argument("--units", type=int, default=1_000_000)
    asked = arguments.parse_args()
    with servers.postgresql() as server, tempfile.TemporaryDirectory(prefix="partkin-benchmark-") as folder:
        print_machine(server)
        print(f"\nAnswers about {asked.units:,} units, and the memory by which the service grows\n")
        print(
            "| | answer | rows | MB | s until the first row | s | us a row | MB of growth "
            "| of it not mapped from files |\n|---|---|---|---|---|---|---|---|---|"
        )
        stores: dict[str, servers.SQLiteStores | servers.PostgreSQLStores] = {
            "SQLite": servers.SQLiteStores(Path(folder)),
            "PostgreSQL": servers.PostgreSQLStores(server),
        }
        for name, made in stores.items():
            url = made.migrated()
            measure(name, url, asked.units)
            made.remove(url)


if __name__ == "__main__":
    main()
