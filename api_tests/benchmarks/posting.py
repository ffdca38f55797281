"""How fast posts are recorded, beside an empty endpoint, the plain way, and what the engines can do.

Run it from the repository: python -m api_tests.benchmarks.posting [--posts 6000] [--rounds 3]
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import socket
import sqlite3
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from datetime import date
from importlib.metadata import version
from itertools import count
from pathlib import Path

import httpx2
import psycopg
from rich.console import Console

from api_tests import servers
from api_tests.benchmarks import posting_limits
from api_tests.benchmarks.load import Run, request, send, send_steadily
from partkin.actions.load_catalogue import load_catalogue
from partkin.rules.catalogue import Alternate, Catalogue, Part, Position, RouteStep, ScanPoint
from partkin.rules.catalogue.tables import catalogue_of
from partkin.store.database import Database

ERRORS = Console(stderr=True)
CONNECTIONS = (1, 16, 64)
WORKERS = (1, 2)
STEADY = 150
DAY = date(2026, 1, 1)
AT = "2026-03-02T06:00:00Z"
Stores = servers.SQLiteStores | servers.PostgreSQLStores


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


# -- what is posted


def message(kind: str, number: str, **said: object) -> dict[str, object]:
    """A message of the benchmark's station."""
    return {"kind": kind, "message_id": number, "operator": "B1", "occurred_at": AT, "scan_point": "LINE", **said}


def marriage(n: int) -> dict[str, object]:
    """The message that marries a motor and a board with unit n; a seal is drawn."""
    components = [{"item": {"part": part, "serial": f"{part[0]}{n}"}} for part in ("MOTOR", "BOARD")]
    return message("marriage", f"m{n}", unit={"part": "UNIT", "serial": f"U{n}"}, components=components)


def posts_of(numbers: range) -> list[bytes]:
    """Requests that marry."""
    return [request("/v1/marriages", json.dumps(marriage(n)).encode()) for n in numbers]


def backfill(base_url: str, messages: Sequence[dict[str, object]]) -> float:
    """Post messages as NDJSON; seconds until the last is answered."""
    body = "\n".join(map(json.dumps, messages)).encode()
    began = time.perf_counter()
    headers = {"content-type": "application/x-ndjson"}
    answer = httpx2.post(f"{base_url}/v1/messages", content=body, headers=headers, timeout=600)
    spent = time.perf_counter() - began
    assert all(json.loads(line)["status"] == 201 for line in answer.text.splitlines()), answer.text[:500]
    return spent


# -- who is measured


@dataclass(slots=True)
class Service:
    """Something that takes posts: its base URL, and what must be recorded before units can be married."""

    base_url: str
    start: Callable[[str, range], object]
    numbers: Iterator[int] = field(default_factory=count)
    """Units used so far."""

    def posts(self, posts: int) -> list[bytes]:
        """New posts, whose units have been started."""
        first = next(self.numbers) * 100_000
        numbers = range(first, first + posts)
        self.start(self.base_url, numbers)
        return posts_of(numbers)


def start_units(base_url: str, numbers: range) -> None:
    """Start units through the service, and put up the lot that all take from."""
    lot = message("lot-loading", f"l{numbers[0]}", lot={"part": "SEAL", "lot": "S1"})
    starts = [message("unit-start", f"u{n}", part="UNIT", serial=f"U{n}") for n in numbers]
    backfill(base_url, [*([lot] if numbers[0] == 0 else []), *starts])


def nothing(_base_url: str, _numbers: range) -> None:
    """Nothing must be recorded before."""


@contextmanager
def endpoint(name: str, workers: int, store: str = "") -> Iterator[str]:
    """One of the endpoints that posts are measured beside, served as the service is; its base URL."""
    with socket.create_server(("127.0.0.1", 0)) as free:
        port = str(free.getsockname()[1])
    app = f"api_tests.benchmarks.posting_endpoints:{name}"
    command = [sys.executable, "-m", "uvicorn", app, "--port", port, "--workers", str(workers)]
    environment = {**os.environ, **({"PARTKIN_STORE": store} if store else {})}
    process = subprocess.Popen([*command, "--log-level", "warning", "--no-access-log"], env=environment)
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


@contextmanager
def service(store: str, workers: int) -> Iterator[str]:
    """The service; its base URL. It is asked to stop, so that its workers stop too."""
    with servers.served(store, "--workers", str(workers)) as (process, base_url):
        yield base_url
        process.terminate()
        process.wait()


def with_catalogue(store: str) -> str:
    """The store, with the benchmark's catalogue."""
    database = Database(store)
    load_catalogue(database, plant(), operator="B1", now=time.time_ns() // 1000)
    database.close()
    return store


def plain_start(store: str) -> Callable[[str, range], object]:
    """How units are started in a store of the plain way."""
    return lambda _base_url, numbers: posting_limits.fill(store, numbers)


# -- many connections


def measure_connections(stores: dict[str, Stores], posts: int, rounds: int) -> None:
    """Posts a second, everything in turn, several rounds."""
    for workers in WORKERS:
        with ExitStack() as running:
            services = {"empty": Service(running.enter_context(endpoint("empty", workers)), nothing)}
            for name, made in stores.items():
                store = with_catalogue(made.migrated())
                services[name] = Service(running.enter_context(service(store, workers)), start_units)
                other = with_catalogue(made.migrated())
                url = running.enter_context(endpoint("plain", workers, other))
                services[f"{name}, plain way"] = Service(url, plain_start(other))
            for connections in CONNECTIONS:
                runs = in_turn(services, posts // 8 if connections == 1 else posts, connections, rounds)
                print_posts(f"Connections: {connections}; workers: {workers}", runs)


def in_turn(services: dict[str, Service], posts: int, connections: int, rounds: int) -> dict[str, list[Run]]:
    """Runs of each service; the plain way gets a quarter of the posts, being slow."""
    runs: dict[str, list[Run]] = {name: [] for name in services}
    for _ in range(rounds):
        for name, one in services.items():
            ERRORS.print(f"{connections} connections: {name}")
            run = send(one.base_url, one.posts(posts // 4 if "plain" in name else posts), connections)
            assert set(run.statuses) == {201}, run.statuses
            runs[name].append(run)
    return runs


def print_posts(title: str, runs: dict[str, list[Run]]) -> None:
    """A table of what was posted."""
    middle = {name: statistics.median(run.per_second for run in of_name) for name, of_name in runs.items()}
    print(f"\n{title}\n")
    print("| | posts/s min | median | max | of the empty endpoint | times the plain way | p50 ms | p99 ms |")
    print("|---|---|---|---|---|---|---|---|")
    for name, of_name in runs.items():
        rates = sorted(run.per_second for run in of_name)
        plain = f"{middle[name] / middle[f'{name}, plain way']:.1f}" if f"{name}, plain way" in runs else ""
        p50, p99 = (statistics.median(run.percentile(share) for run in of_name) * 1000 for share in (0.5, 0.99))
        print(
            f"| {name} | {rates[0]:,.0f} | {middle[name]:,.0f} | {rates[-1]:,.0f} "
            f"| {middle[name] / middle['empty']:.2f} | {plain} | {p50:.1f} | {p99:.1f} |"
        )


# -- a steady line


def measure_steady(stores: dict[str, Stores], seconds: int, rounds: int) -> None:
    """Latencies at a steady rate, as of three lines at work."""
    print(f"\n{STEADY} posts/s, 16 connections, 1 worker\n")
    print("| | p50 ms | p99 ms min | median | max | p99 of the empty endpoint's |")
    print("|---|---|---|---|---|---|")
    with ExitStack() as running:
        services = {"empty": Service(running.enter_context(endpoint("empty", 1)), nothing)}
        for name, made in stores.items():
            url = running.enter_context(service(with_catalogue(made.migrated()), 1))
            services[name] = Service(url, start_units)
        runs: dict[str, list[Run]] = {name: [] for name in services}
        for _ in range(rounds):
            for name, one in services.items():
                ERRORS.print(f"steady: {name}")
                runs[name].append(send_steadily(one.base_url, one.posts(STEADY * seconds), STEADY, 16))
    empty = statistics.median(run.percentile(0.99) for run in runs["empty"]) * 1000
    for name, of_name in runs.items():
        p50 = statistics.median(run.percentile(0.5) for run in of_name) * 1000
        p99 = sorted(run.percentile(0.99) * 1000 for run in of_name)
        middle = statistics.median(p99)
        print(f"| {name} | {p50:.1f} | {p99[0]:.1f} | {middle:.1f} | {p99[-1]:.1f} | {middle / empty:.1f} |")


# -- the engines


def measure_engines(stores: dict[str, Stores], posts: int, rounds: int) -> None:
    """The plain way's statements without HTTP and Python."""
    print("\nThe same statements, one transaction a post, without HTTP, judging and Python\n")
    print("| | posts/s min | median | max |")
    print("|---|---|---|---|")
    for name, made in stores.items():
        for clients in (1,) if name == "SQLite" else CONNECTIONS:
            rates = [rate for _ in range(rounds) if (rate := engine(made, name, clients, posts)) is not None]
            if rates:
                how = "sqlite3, a bare loop" if name == "SQLite" else f"pgbench, clients: {clients}"
                print(f"| {how} | {min(rates):,.0f} | {statistics.median(rates):,.0f} | {max(rates):,.0f} |")


def engine(made: Stores, name: str, clients: int, posts: int) -> float | None:
    """Posts a second of an engine by itself."""
    store = with_catalogue(made.migrated())
    ERRORS.print(f"{name} by itself, {clients} clients")
    if name == "SQLite":
        posting_limits.fill(store, range(posts))
        return posting_limits.sqlite_loop(store, posts)
    posting_limits.fill(store, range(40_000))
    return posting_limits.pgbench(store, clients, 5)


def measure_backfill(made: Stores, posts: int, rounds: int) -> None:
    """Units and marriages as NDJSON into PostgreSQL, beside COPY of the rows that they make."""
    taken, copied = [], []
    for _ in range(rounds):
        ERRORS.print("backfill, and COPY")
        store, empty = with_catalogue(made.migrated()), with_catalogue(made.migrated())
        with service(store, 1) as base_url:
            lot = message("lot-loading", "l", lot={"part": "SEAL", "lot": "S1"})
            starts = [message("unit-start", f"u{n}", part="UNIT", serial=f"U{n}") for n in range(posts)]
            taken.append(backfill(base_url, [lot, *starts, *map(marriage, range(posts))]))
        copied.append(posting_limits.copied(store, empty))
    print(f"\nBackfill on PostgreSQL: {2 * posts:,} messages (units and their marriages), {8 * posts:,} rows\n")
    print("| | rows/s min | median | max | of COPY |")
    print("|---|---|---|---|---|")
    for name, spent in {"NDJSON, one worker": taken, "COPY of the same rows": copied}.items():
        rates = sorted(8 * posts / seconds for seconds in spent)
        share = statistics.median(copied) / statistics.median(spent)
        print(f"| {name} | {rates[0]:,.0f} | {statistics.median(rates):,.0f} | {rates[-1]:,.0f} | {share:.2f} |")


def main() -> None:
    """Measure, and print tables."""
    arguments = argparse.ArgumentParser(description=__doc__)
    arguments.add_argument("--posts", type=int, default=6000, help="posts a round")
    arguments.add_argument("--rounds", type=int, default=3)
    asked = arguments.parse_args()
    with servers.postgresql() as server, tempfile.TemporaryDirectory(prefix="partkin-benchmark-") as folder:
        on_postgresql = servers.PostgreSQLStores(server)
        stores: dict[str, Stores] = {"SQLite": servers.SQLiteStores(Path(folder)), "PostgreSQL": on_postgresql}
        print_machine(server)
        measure_connections(stores, asked.posts, asked.rounds)
        measure_steady(stores, asked.posts // 400, asked.rounds)
        measure_engines(stores, asked.posts, asked.rounds)
        measure_backfill(on_postgresql, asked.posts, asked.rounds)


def print_machine(server: str) -> None:
    """What it was measured on."""
    packages = ("fastapi", "starlette", "uvicorn", "sqlalchemy", "psycopg")
    versions = ", ".join(f"{name} {version(name)}" for name in packages)
    with psycopg.connect(server) as connection:
        postgresql = connection.info.parameter_status("server_version")
    engines = f"PostgreSQL {postgresql}, SQLite {sqlite3.sqlite_version}"
    print(f"{os.cpu_count()} cores, {platform.machine()}, Python {platform.python_version()}, {versions}, {engines}")


if __name__ == "__main__":
    main()
