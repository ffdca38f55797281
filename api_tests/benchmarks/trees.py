"""Birth records, one at a time and many together, beside SQL of the same rows fetched by the bare driver.

That is once the statements that a record sends, and once the plain recursive query, without intervals, tests, holds,
visits and lot changes.

Run it from the repository: python -m api_tests.benchmarks.trees [--marriages 1000000] [--many 1000]
"""

from __future__ import annotations

import argparse
import os
import platform
import random
import sqlite3
import statistics
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import closing
from functools import partial
from importlib.metadata import version
from pathlib import Path
from typing import Any

import psycopg
from sqlalchemy import case, make_url, select, update

from api_tests import servers
from api_tests.benchmarks.first_measure import BOARDS_A_UNIT, fill, take_statistics
from api_tests.statements import Sent, statements_sent
from partkin.command_line.garbage import collect_garbage_seldom
from partkin.questions.birth_record import birth_record, birth_records
from partkin.rules.moments import FOREVER
from partkin.store import tables
from partkin.store.database import Database

ONES = 200
"""Trees asked for one at a time, a round."""

ROUNDS = 9

DRIVERS: dict[str, tuple[Callable[[str], Any], str]] = {
    "SQLite": (lambda store: sqlite3.connect(str(make_url(store).database)), "?"),
    "PostgreSQL": (psycopg.connect, "%s"),
}
"""How the bare driver connects, and how it marks a parameter."""

_PLAIN = f"""
    WITH RECURSIVE inside(item, marriage, level, ended) AS (
        SELECT id, CAST(NULL AS BIGINT), 0, {FOREVER} FROM item WHERE {{roots}}
        UNION ALL
        SELECT marriage.child_id, marriage.id, inside.level + 1, marriage.ended
        FROM inside JOIN marriage ON marriage.parent_id = inside.item AND marriage.ended = inside.ended
    )
    SELECT inside.level, inside.item, item.part, item.kind, item.code, item.lot_id, item.state, item.started_at,
        item.produced_on, item.expires_on, part.description, part.supplier, marriage.id, marriage.parent_id,
        marriage.point_of_use_id, marriage.position, marriage.slot, marriage.quantity, marriage.started, marriage.ended,
        marriage.disputed, entry.id, entry.scan_point, entry.operator, entry.occurred_at, entry.recorded_at
    FROM inside
    LEFT JOIN marriage ON marriage.id = inside.marriage
    LEFT JOIN item ON item.id = inside.item
    LEFT JOIN part ON part.part = item.part
    LEFT JOIN entry ON entry.id = inside.marriage / 4096
"""
ONE = _PLAIN.format(roots="part = 'UNIT' AND kind = 'serial' AND code = {mark}")
MANY = _PLAIN.format(roots="part = 'UNIT' AND started_at >= {mark} AND started_at < {mark}")


def measure(name: str, store: str, marriages: int, many: int) -> None:
    """Ask both ways in turn, and print a line for one at a time, and one for many."""
    database = Database(store)
    fill(database, marriages)
    until = start_in_turn(database, many)
    connect, mark = DRIVERS[name]
    units = random.Random(7).sample(range(many), min(ONES, many))

    def ones() -> int:
        return sum(items_in(birth_record(database, "UNIT", f"U{unit}")) for unit in units)

    def of_many() -> int:
        records = birth_records(database, "UNIT", 0, until, as_of=None, removed=False)
        return sum(items_in(record) for some in records for record in some)

    with closing(connect(store)) as bare:
        plain_one = [(ONE.format(mark=mark), (f"U{unit}",)) for unit in units]
        print_line(name, "one", len(units), in_turn(ones, *replays(bare, sent_by(ones), plain_one)))
        plain_many = [(MANY.format(mark=mark), (0, until))]
        print_line(name, f"{many:,} together", many, in_turn(of_many, *replays(bare, sent_by(of_many), plain_many)))
    database.close()


def sent_by(ask: Callable[[], object]) -> list[Sent]:
    """What a question sends."""
    with statements_sent() as sent:
        ask()
    return [one for one in sent if not one.text.startswith("BEGIN")]


def replays(bare: Any, *of_each: Sequence[tuple[str, Any]]) -> Iterator[Callable[[], object]]:
    """The same statements again, by the bare driver."""
    for sent in of_each:
        yield partial(replay, bare, sent)


def replay(bare: Any, sent: Sequence[tuple[str, Any]]) -> int:
    """Rows that statements give."""
    return sum(len(bare.execute(statement, parameters).fetchall()) for statement, parameters in sent)


def start_in_turn(database: Database, many: int) -> int:
    """Let units start one after another, and nothing else; the moment at which so many have started."""
    t = tables.item.c
    with database.write() as connection:
        connection.execute(update(tables.item).values(started_at=case((t.part == "UNIT", t.id))))
    take_statistics(database)
    with database.read() as connection:
        started = select(t.started_at).where(t.part == "UNIT").order_by(t.started_at).offset(many).limit(1)
        return int(connection.execute(started).scalar_one())


def items_in(record: dict[str, Any]) -> int:
    """How many items a record has."""
    return 1 + sum(items_in(child) for child in record["content"])


def in_turn(*asks: Callable[[], object]) -> list[list[float]]:
    """Seconds of each of several rounds, of each way to ask, after one to warm up."""
    for ask in asks:
        ask()
    spent: list[list[float]] = [[] for _ in asks]
    for _ in range(ROUNDS):
        for seconds, ask in zip(spent, asks, strict=True):
            began = time.perf_counter()
            ask()
            seconds.append(time.perf_counter() - began)
    return spent


def print_line(name: str, trees: str, count: int, spent: Sequence[Sequence[float]]) -> None:
    """A line of the table: milliseconds a record, and how many times as long as by the bare driver."""
    ours, same, plain = (sorted(seconds / count * 1000 for seconds in rounds) for rounds in spent)
    middle, of_same, of_plain = (statistics.median(one) for one in (ours, same, plain))
    print(f"| {name} | {trees} | {ours[0]:.3f} | {middle:.3f} | {ours[-1]:.3f} ", end="")
    print(f"| {of_same:.3f} | {middle / of_same:.1f} | {of_plain:.3f} | {middle / of_plain:.1f} |")


def main() -> None:
    """Measure, and print a table."""
    collect_garbage_seldom()  # as the service does
    arguments = argparse.ArgumentParser(description=__doc__)
    arguments.add_argument("--marriages", type=int, default=1_000_000)
    arguments.add_argument("--many", type=int, default=1000, help="trees asked for together")
    asked = arguments.parse_args()
    with servers.postgresql() as server, tempfile.TemporaryDirectory(prefix="partkin-benchmark-") as folder:
        stores = {
            "SQLite": servers.SQLiteStores(Path(folder)).migrated(),
            "PostgreSQL": servers.PostgreSQLStores(server).migrated(),
        }
        versions = ", ".join(f"{name} {version(name)}" for name in ("sqlalchemy", "psycopg"))
        print(f"{os.cpu_count()} cores, {platform.machine()}, Python {platform.python_version()}, {versions}, ", end="")
        print(f"SQLite {sqlite3.sqlite_version}, {postgresql_version(server)}\n")
        print(f"Birth records of {BOARDS_A_UNIT + 4} items, of {asked.marriages:,} marriages, warm, ms a record\n")
        print("| | records | min | median | max | same SQL, bare driver | ratio | plain recursive query | ratio |")
        print("|---|---|---|---|---|---|---|---|---|")
        for name, store in stores.items():
            measure(name, store, asked.marriages, asked.many)


def postgresql_version(server: str) -> str:
    """The name and version of the server."""
    with psycopg.connect(server) as connection:
        return f"PostgreSQL {connection.info.parameter_status('server_version')}"


if __name__ == "__main__":
    main()
