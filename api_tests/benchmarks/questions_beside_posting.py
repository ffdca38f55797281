"""What heavy questions cost those who post: latencies at a steady rate, alone and while questions run back to back.

Run it from the repository: python -m api_tests.benchmarks.questions_beside_posting [--units 2500000] [--seconds 20]

The suspect lot is in every twelfth unit. One process posts, another one asks: the service that posts go to, which has
one worker, or a second one over the same store, which runs at a lower priority.
"""

from __future__ import annotations

import argparse
import multiprocessing
import os
import statistics
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from functools import partial
from itertools import count, product
from multiprocessing.sharedctypes import Synchronized
from pathlib import Path

import httpx2

from api_tests import servers
from api_tests.benchmarks.load import Run, send_steadily
from api_tests.benchmarks.posting import STEADY, Service, backfill, message, print_machine, start_units
from api_tests.benchmarks.preview_measure import fill
from partkin.memory.held import Held
from partkin.store.database import Database

ROUNDS = 3
LOW = 10
"""Niceness of the second service."""

FREE = 100
"""Times 100,000: serial numbers of units from there on are not in the store."""

SUSPECTS = {"suspects": {"items": [{"part": "SEAL", "lot": "SUSPECT"}]}}
QUESTIONS = {
    "preview": "/v1/preview",
    "first page": "/v1/affected?limit=100",
    "all rows, as NDJSON": "/v1/affected?format=ndjson",
}


@contextmanager
def asking(base_url: str, address: str) -> Iterator[Synchronized[int]]:
    """Another process asks, one question after another; how many were answered so far."""
    answered = multiprocessing.Value("i", 0)
    process = multiprocessing.Process(target=ask_on, args=(base_url + address, answered), daemon=True)
    process.start()
    try:
        yield answered
    finally:
        process.kill()
        process.join()


def ask_on(address: str, answered: Synchronized[int]) -> None:
    """Ask until killed; what is answered is read to its end, and not kept."""
    with httpx2.Client(timeout=300) as client:
        while True:
            with client.stream("POST", address, json=SUSPECTS) as response:
                assert response.status_code == 200, response.read()
                for _ in response.iter_raw():
                    pass
            answered.value += 1


def steady(service: Service, seconds: int) -> Run:
    """Post at the steady rate."""
    run = send_steadily(service.base_url, service.posts(STEADY * seconds), STEADY, 16)
    assert set(run.statuses) == {201}, run.statuses
    return run


def measure(name: str, store: str, units: int, seconds: int) -> None:
    """Fill a store, and print its lines of the table."""
    database = Database(store)
    fill(database, units, 2)
    with tempfile.TemporaryDirectory(prefix="partkin-benchmark-") as folder:
        Held(database, Path(folder)).renew()
        database.close()
        serves = partial(servers.served, store, PARTKIN_CACHE_FOLDER=folder)
        with serves() as (_, base_url), serves() as (second, of_second):
            os.setpriority(os.PRIO_PROCESS, second.pid, LOW)
            backfill(base_url, [message("lot-loading", "l", lot={"part": "SEAL", "lot": "S1"})])
            service = Service(base_url, start_units, count(FREE))
            steady(service, 2)
            for (kind, address), (asked, asked_url) in product(
                QUESTIONS.items(), {"the same": base_url, "a second": of_second}.items()
            ):
                alone, beside, rates = [], [], []
                for _ in range(ROUNDS):
                    alone.append(steady(service, seconds))
                    with asking(asked_url, address) as answered:
                        began = time.perf_counter()
                        beside.append(steady(service, seconds))
                        rates.append(answered.value / (time.perf_counter() - began))
                print_line(f"{name} | {kind} | {asked}", alone, beside, statistics.median(rates))


def print_line(what: str, alone: list[Run], beside: list[Run], rate: float) -> None:
    """One line of the table."""
    times = [[run.percentile(share) * 1000 for run in runs] for share in (0.5, 0.99) for runs in (alone, beside)]
    shown = (f"{min(one):.1f} / {statistics.median(one):.1f} / {max(one):.1f}" for one in times)
    factor = statistics.median(times[3]) / statistics.median(times[2])
    print(f"| {what} | {rate:.2f} | {' | '.join(shown)} | {factor:.1f} |", flush=True)


def main() -> None:
    """Measure, and print a table."""
    arguments = argparse.ArgumentParser(description=__doc__)
    arguments.add_argument("--units", type=int, default=2_500_000)
    arguments.add_argument("--seconds", type=int, default=20, help="of a run")
    asked = arguments.parse_args()
    with servers.postgresql() as server, tempfile.TemporaryDirectory(prefix="partkin-benchmark-") as folder:
        print_machine(server)
        print(f"\n{STEADY} posts/s beside questions about {asked.units // 12:,} units; ms, min / median / max\n")
        print(
            "| | question | asked service | answered a second | p50 alone | p50 beside | p99 alone | p99 beside "
            "| factor of p99 |"
        )
        print("|---|---|---|---|---|---|---|---|---|")
        measure("SQLite", servers.SQLiteStores(Path(folder)).migrated(), asked.units, asked.seconds)
        measure("PostgreSQL", servers.PostgreSQLStores(server).migrated(), asked.units, asked.seconds)


if __name__ == "__main__":
    main()
