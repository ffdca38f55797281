"""How long a freeze takes, by what it lists, and how long those who post meanwhile wait for it.

Run it from the repository: python -m api_tests.benchmarks.freezing [--affected 200 2000 20000 200000]

The suspect lot is in every twelfth unit, in a module; nine units in ten were shipped. Another process posts starts of
units, one after another.
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
import statistics
import tempfile
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager
from itertools import count
from multiprocessing.connection import Connection
from pathlib import Path

import httpx2

from api_tests import servers
from api_tests.benchmarks.load import request, send
from api_tests.benchmarks.posting import AT, message, print_machine
from api_tests.benchmarks.preview_measure import SHARE, fill
from partkin.store.database import Database

ROUNDS = 3
QUIET_SECONDS = 1
SUSPECTS = {"items": [{"part": "SEAL", "lot": "SUSPECT"}]}


def post_on(base_url: str, first: int, stop: Connection) -> None:
    """Start units until told to stop; then tell the longest that one took, in seconds."""
    longest = 0.0
    for number in count(first):
        if stop.poll():
            break
        start = message("unit-start", f"w{number}", part="UNIT", serial=f"W{number}")
        run = send(base_url, [request("/v1/units", json.dumps(start).encode())], 1)
        assert set(run.statuses) == {201}, run.statuses
        longest = max(longest, run.percentile(1))
    stop.send(longest)


@contextmanager
def posting(base_url: str, first: int) -> Iterator[list[float]]:
    """Another process posts; afterwards the list holds how long the longest of its posts took."""
    longest: list[float] = []
    ours, theirs = multiprocessing.Pipe()
    process = multiprocessing.Process(target=post_on, args=(base_url, first, theirs), daemon=True)
    process.start()
    try:
        time.sleep(QUIET_SECONDS)
        yield longest
        ours.send(None)
        longest.append(ours.recv())
    finally:
        process.kill()
        process.join()


def freeze(client: httpx2.Client, case: str) -> tuple[int, float]:
    """Open a case and freeze it: how many things it lists, and the seconds of the freeze."""
    said = {"case": case, "operator": "B1", "occurred_at": AT, "reason": "the supplier said so"}
    opened = {**said, "message_id": f"o{case}", "action": "open", "title": "seals", "suspects": SUSPECTS}
    client.post("/v1/cases", json=opened).raise_for_status()
    began = time.perf_counter()
    answer = client.post("/v1/cases", json={**said, "message_id": f"f{case}", "action": "freeze"})
    spent = time.perf_counter() - began
    answer.raise_for_status()
    (frozen,) = (fact for fact in answer.json()["facts"] if fact["fact"] == "case frozen")
    return frozen["things"], spent


def measure(name: str, store: str, affected: int) -> None:
    """Fill a store, and print its line of the table."""
    with closing(Database(store)) as database:
        fill(database, affected * SHARE, 2)
    spent, waited, things = [], [], 0
    with servers.served(store) as (_, base_url), httpx2.Client(base_url=base_url, timeout=600) as client:
        for round_ in range(ROUNDS):
            with posting(base_url, 1_000_000 * round_) as longest:
                things, seconds = freeze(client, f"C{round_}")
            spent.append(seconds)
            waited += longest
    shown = (f"{min(one):.2f} / {statistics.median(one):.2f} / {max(one):.2f}" for one in (spent, waited))
    print(f"| {name} | {things:,} | {' | '.join(shown)} | {statistics.median(spent) / things * 1e6:.0f} |", flush=True)


def main() -> None:
    """Measure, and print a table."""
    arguments = argparse.ArgumentParser(description=__doc__)
    arguments.add_argument("--affected", type=int, nargs="+", default=[200, 2_000, 20_000, 200_000])
    asked = arguments.parse_args()
    with servers.postgresql() as server, tempfile.TemporaryDirectory(prefix="partkin-benchmark-") as folder:
        print_machine(server)
        print("\nFreezes, s, min / median / max\n")
        print("| | things listed | of the freeze | the longest post meanwhile | us a thing |\n|---|---|---|---|---|")
        in_files, on_server = servers.SQLiteStores(Path(folder)), servers.PostgreSQLStores(server)
        for affected in asked.affected:
            measure("SQLite", in_files.migrated(), affected)
        for affected in asked.affected:
            measure("PostgreSQL", on_server.migrated(), affected)


if __name__ == "__main__":
    main()
