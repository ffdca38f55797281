"""A first measure, without tuning: posts a second beside the framework's empty endpoint; the forward question.

Run it from the repository: python -m api_tests.benchmarks.first_measure [--posts 4000] [--marriages 1000000]
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import socket
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from datetime import date
from functools import partial
from importlib.metadata import version
from pathlib import Path

import httpx2
from rich.console import Console
from rich.progress import track
from sqlalchemy import insert, text

from api_tests import servers
from api_tests.benchmarks.load import Run, request, send
from partkin.actions.load_catalogue import load_catalogue
from partkin.questions.units_affected import affected_page, affected_rows
from partkin.rules.catalogue import Alternate, Catalogue, Part, Position, RouteStep, ScanPoint
from partkin.rules.catalogue.tables import catalogue_of
from partkin.rules.messages import NamedItem
from partkin.rules.messages.criteria import Alarm, Suspects
from partkin.rules.moments import FOREVER
from partkin.store import tables
from partkin.store.database import Database

ERRORS = Console(stderr=True)
ROUNDS = 3
CONNECTIONS = 16
DAY = date(2026, 1, 1)
AT = "2026-03-02T06:00:00Z"


def plant() -> Catalogue:
    """A unit of three components: two scanned serial ones, and a lot drawn at the point of use."""

    def part(number: str, trace: str, *, made: bool = False) -> Part:
        return Part(number, number, trace, made, made)  # type: ignore[arg-type]

    positions = {"MOTOR": "MOTOR", "BOARD": "BOARD", "SEAL": "SEAL"}
    return catalogue_of(
        [
            part("UNIT", "serial", made=True),
            part("MOTOR", "serial"),
            part("BOARD", "serial"),
            part("SEAL", "lot"),
            ScanPoint("LINE", "L", "line", "build", 2),
            *(Position("UNIT", position, position, 1, ("LINE",), (), DAY) for position in positions),
            *(Alternate("UNIT", position, component, DAY) for position, component in positions.items()),
            RouteStep("UNIT", 1, "LINE", needs_complete=False, needs_tests=()),
        ]
    )


# -- posting


def message(kind: str, number: str, **said: object) -> dict[str, object]:
    """A message of the benchmark's station."""
    return {"kind": kind, "message_id": number, "operator": "B1", "occurred_at": AT, "scan_point": "LINE", **said}


def started(base_url: str, first: int, count: int) -> list[bytes]:
    """Start units, and write the posts that marry them."""
    lines = [message("lot-loading", f"l{first}", lot={"part": "SEAL", "lot": "S1"})] if first == 0 else []
    lines += [message("unit-start", f"u{n}", part="UNIT", serial=f"U{n}") for n in range(first, first + count)]
    body = "\n".join(map(json.dumps, lines)).encode()
    headers = {"content-type": "application/x-ndjson"}
    answer = httpx2.post(f"{base_url}/v1/messages", content=body, headers=headers, timeout=300)
    assert all(json.loads(line)["status"] == 201 for line in answer.text.splitlines()), answer.text[:500]
    return [marriage(n) for n in range(first, first + count)]


def marriage(n: int) -> bytes:
    """The post that marries a motor and a board with unit n."""
    components = [{"item": {"part": part, "serial": f"{part[0]}{n}"}} for part in ("MOTOR", "BOARD")]
    said = message("marriage", f"m{n}", unit={"part": "UNIT", "serial": f"U{n}"}, components=components)
    return request("/v1/marriages", json.dumps(said).encode())


@contextmanager
def empty_endpoint() -> Iterator[str]:
    """The empty endpoint, served as the service is; its base URL."""
    with socket.create_server(("127.0.0.1", 0)) as free:
        port = str(free.getsockname()[1])
    command = [sys.executable, "-m", "uvicorn", "api_tests.benchmarks.empty_endpoint:app", "--port", port]
    process = subprocess.Popen([*command, "--log-level", "warning", "--no-access-log"])
    try:
        while True:
            try:
                httpx2.get(f"http://127.0.0.1:{port}/")
                break
            except httpx2.TransportError:
                time.sleep(0.05)
        yield f"http://127.0.0.1:{port}"
    finally:
        process.terminate()
        process.wait()


def measure_posts(stores: dict[str, str], count: int) -> None:
    """Posts a second: the empty endpoint and both databases in turn, several rounds."""
    runs: dict[str, list[Run]] = {name: [] for name in ("empty endpoint", *stores)}
    with ExitStack() as running:
        urls = {"empty endpoint": running.enter_context(empty_endpoint())}
        for name, store in stores.items():
            database = Database(store)
            load_catalogue(database, plant(), operator="B1", now=time.time_ns() // 1000)
            database.close()
            urls[name] = running.enter_context(servers.served(store))[1]
        for turn in track(range(ROUNDS), "posting", transient=True, console=ERRORS):
            for name, url in urls.items():
                first = turn * count
                posts = [marriage(n) for n in range(count)] if name == "empty endpoint" else started(url, first, count)
                runs[name].append(send(url, posts, CONNECTIONS))
    print_posts(runs)


def print_posts(runs: dict[str, list[Run]]) -> None:
    """A table of what was posted."""
    empty = statistics.median(run.per_second for run in runs["empty endpoint"])
    print(f"\nMarriages of two scanned components and one drawn lot, {CONNECTIONS} connections, one worker\n")
    print("| | posts/s min | median | max | ratio | p50 ms | p99 ms | marriages/s |")
    print("|---|---|---|---|---|---|---|---|")
    for name, of_name in runs.items():
        assert all(set(run.statuses) == {201} for run in of_name), [run.statuses for run in of_name]
        rates = sorted(run.per_second for run in of_name)
        middle = statistics.median(rates)
        p50, p99 = (statistics.median(run.percentile(share) for run in of_name) * 1000 for share in (0.5, 0.99))
        married = "" if name == "empty endpoint" else f"{3 * middle:,.0f}"
        print(
            f"| {name} | {rates[0]:,.0f} | {middle:,.0f} | {rates[-1]:,.0f} | {middle / empty:.2f} "
            f"| {p50:.1f} | {p99:.1f} | {married} |"
        )


# -- the forward question

BOARDS_A_UNIT = 17
"""Direct components of a unit besides its module; the module has three of its own."""


def fill(database: Database, marriages: int) -> dict[str, int]:
    """Units with a module each, straight into the books; lots of several sizes go into the modules."""
    a_unit = BOARDS_A_UNIT + 4
    units = marriages // a_unit
    sizes = {"one unit": 1, "a tenth": units // 10, "half of all": units // 2}
    load_catalogue(database, plant(), operator="B1", now=time.time_ns() // 1000)
    lots = {name: number for number, name in enumerate(sizes, start=1)}
    with database.write() as connection:
        connection.execute(insert(tables.item), [item(number, "SEAL", "lot", name) for name, number in lots.items()])
    for first in track(range(0, units, 2000), f"writing {marriages:,} marriages", transient=True, console=ERRORS):
        items, rows = [], []
        for unit in range(first, min(first + 2000, units)):
            base = 1000 + unit * (a_unit + 2)
            items += [item(base, "UNIT", "serial", f"U{unit}"), item(base + 1, "MOTOR", "serial", f"M{unit}")]
            items += [item(base + 2 + n, "BOARD", "serial", f"B{unit}-{n}") for n in range(BOARDS_A_UNIT)]
            rows.append(married(base, base + 1, base, "MODULE", 1, is_unit=True))
            rows += [married(base + 1 + n, base + 2 + n, base, "BOARD", n, is_unit=True) for n in range(BOARDS_A_UNIT)]
            into = [lots[name] for name, size in sizes.items() if unit < size]
            rows += [
                married(base + 1 + BOARDS_A_UNIT + n, lot, base + 1, "SEAL", n + 1, is_unit=False)
                for n, lot in enumerate(into)
            ]
        with database.write() as connection:
            connection.execute(insert(tables.item), items)
            connection.execute(insert(tables.marriage), rows)
    with database.write() as connection:
        connection.execute(text("ANALYZE"))
    return sizes


def item(number: int, part: str, kind: str, code: str) -> dict[str, object]:
    """A row of items."""
    return {"id": number, "part": part, "kind": kind, "code": code, "state": "finished", "started_at": 1, "used": 0}


def married(number: int, child: int, parent: int, position: str, slot: int, *, is_unit: bool) -> dict[str, object]:
    """A row of marriages."""
    return {
        "id": number,
        "child_id": child,
        "parent_id": parent,
        "position": position,
        "slot": slot,
        "quantity": 1,
        "started": 1_772_000_000_000_000 + number,
        "ended": FOREVER,
        "disputed": False,
        "wrong": False,
        "child_is_serial": child > 1000,
        "parent_is_unit": is_unit,
        "point_of_use_id": None,
    }


PLAIN = text(
    """
    WITH RECURSIVE above(item) AS (
        SELECT CAST(:lot AS BIGINT)
        UNION
        SELECT marriage.parent_id FROM above JOIN marriage ON marriage.child_id = above.item
    )
    SELECT count(*) FROM above JOIN item ON item.id = above.item WHERE item.part = 'UNIT'
    """
)


def measure_forward(stores: dict[str, str], marriages: int) -> None:
    """The forward question beside the plain recursive query without intervals and certainty."""
    print(f"\nThe forward question over {marriages:,} marriages, warm, ms (median of {ROUNDS})\n")
    print("| | units | counts and first page | every row with its path | plain recursive query | ratio |")
    print("|---|---|---|---|---|---|")
    for name, store in stores.items():
        database = Database(store)
        for lot, (size, units) in enumerate(fill(database, marriages).items(), start=1):
            alarm = Alarm(suspects=Suspects(items=(NamedItem(part="SEAL", lot=size),)))
            page = timed(partial(affected_page, database, alarm, after=None, limit=100))
            rows = timed(partial(count_rows, database, alarm))
            plain = timed(partial(plain_count, database, lot))
            print(f"| {name} | {units:,} ({size}) | {page:,.1f} | {rows:,.1f} | {plain:,.1f} | {page / plain:.1f} |")
        database.close()


def count_rows(database: Database, alarm: Alarm) -> int:
    """Rows of the whole answer, each with its path."""
    return sum(map(len, affected_rows(database, alarm)))


def plain_count(database: Database, lot: int) -> int:
    """Units above a lot, by the plain query."""
    with database.read() as connection:
        return int(connection.execute(PLAIN, {"lot": lot}).scalar_one())


def timed(ask: Callable[[], object]) -> float:
    """Milliseconds of a question, after one to warm up."""
    ask()
    spent = []
    for _ in range(ROUNDS):
        began = time.perf_counter()
        ask()
        spent.append((time.perf_counter() - began) * 1000)
    return statistics.median(spent)


def main() -> None:
    """Measure, and print tables."""
    arguments = argparse.ArgumentParser(description=__doc__)
    arguments.add_argument("--posts", type=int, default=4000, help="posts a round")
    arguments.add_argument("--marriages", type=int, default=1_000_000)
    asked = arguments.parse_args()
    with servers.postgresql() as server, tempfile.TemporaryDirectory(prefix="partkin-benchmark-") as folder:
        on_postgresql = servers.PostgreSQLStores(server)
        on_sqlite = servers.SQLiteStores(Path(folder))
        versions = ", ".join(f"{name} {version(name)}" for name in ("fastapi", "sqlalchemy", "uvicorn", "psycopg"))
        print(f"{os.cpu_count()} cores, {platform.machine()}, Python {platform.python_version()}, {versions}")
        measure_posts({"SQLite": on_sqlite.migrated(), "PostgreSQL": on_postgresql.migrated()}, asked.posts)
        measure_forward({"SQLite": on_sqlite.migrated(), "PostgreSQL": on_postgresql.migrated()}, asked.marriages)


if __name__ == "__main__":
    main()
