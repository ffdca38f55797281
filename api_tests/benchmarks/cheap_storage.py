"""Which tables questions and posts read, and what moving some of them to a cheap disk costs, on PostgreSQL.

Run it from the repository: python -m api_tests.benchmarks.cheap_storage [--marriages 300000]

What is read is told in pages of 8 kB of a table itself, its indexes apart, whether they were in memory or not. Tables
are moved while the service records and answers; "cheap" is another folder of the same disk here, so what a move costs
is told, and not how slow that disk is.
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import shutil
import statistics
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Iterator, Mapping
from contextlib import closing, contextmanager
from datetime import UTC, datetime
from functools import partial
from importlib.metadata import version
from itertools import count
from pathlib import Path
from typing import Any

import httpx2
import psycopg
import zstandard
from sqlalchemy import func, make_url, select

from api_tests import servers
from api_tests.benchmarks.make_plant import make
from api_tests.benchmarks.partitions import probing
from api_tests.benchmarks.trees import postgresql_version
from partkin.actions.rebuild_books import check_books
from partkin.exports.night import export_night
from partkin.memory.held import Held
from partkin.questions.asked_items import AskedItem
from partkin.questions.birth_record import birth_record
from partkin.questions.clearance import clearance
from partkin.questions.item_history import history
from partkin.questions.mass_balance import mass_balance
from partkin.questions.preview import preview
from partkin.questions.units_affected import affected_page
from partkin.questions.whereabouts import where_is
from partkin.rules.messages import NamedItem
from partkin.rules.messages.criteria import Alarm, Suspects
from partkin.store import tables
from partkin.store.database import Database
from partkin.store.journal.entries import last_entry, read_entries
from partkin.store.migrate import upgrade

UNITS = 20
"""Asked about in turn."""

POSTS = 200
LOCKED = 1.0
"""Seconds that a moved table is kept locked beyond its move: who waits for that is plain then."""

SHOWN = ("entry", "marriage", "item", "visit", "measurement", "test_run", "stale", "shipment_line")
MOVED = ("entry", "measurement", "test_run", "visit")
REPEATED = ("marriage", "unit-start", "test-run")
LOT = NamedItem(part="WIRE", lot="WIRE000002")

PACKED = ("entry", "marriage", "item", "visit", "measurement")
BLOCK, SECTOR = 1 << 17, 1 << 12
_FILES = """
    SELECT relname, '', pg_relation_filepath(oid) FROM pg_class WHERE relname = ANY(%(names)s) AND relkind = 'r'
    UNION ALL
    SELECT owner.relname, ', its indexes', pg_relation_filepath(indexrelid)
    FROM pg_index JOIN pg_class owner ON owner.oid = indrelid WHERE owner.relname = ANY(%(names)s)
    ORDER BY 1, 2
"""

Pages = Mapping[str, tuple[int, int]]
"""Of each table: its own pages, and those of its indexes."""

_READ = """
    SELECT relname, heap_blks_read + heap_blks_hit, coalesce(idx_blks_read + idx_blks_hit, 0)
    FROM pg_statio_user_tables
"""


# -- what is read


def questions(database: Database, folder: Path) -> Iterator[tuple[str, int, Callable[[], object]]]:
    """Each question, and how many times it is asked at once."""
    t = tables.item.c
    with database.read() as connection:
        sold = select(t.part, t.code).join(tables.part, tables.part.c.part == t.part).where(tables.part.c.sold)
        units = [AskedItem(row.code, part=row.part) for row in connection.execute(sold.order_by(t.id).limit(UNITS))]
        (last,) = connection.execute(select(func.max(tables.entry.c.recorded_at))).one()
    alarm, held = Alarm(suspects=Suspects(items=(LOT,))), Held(database, folder / "arrays")
    held.renew()
    now = datetime.now(UTC)

    def of_units(ask: Callable[[AskedItem], object]) -> Callable[[], object]:
        return lambda: [ask(unit) for unit in units]

    yield "tree of a unit", UNITS, of_units(lambda unit: birth_record(database, unit.part, unit.code))
    yield "where is it", UNITS, of_units(partial(where_is, database))
    yield "clearance of a unit", UNITS, of_units(lambda unit: clearance(database, unit, None, now=now))
    yield "history of a unit", UNITS, of_units(lambda unit: list(history(database, unit, inside=True)))
    yield "mass balance of a lot", 1, partial(mass_balance, database, LOT.part or "", LOT.lot or "")
    yield "affected units, first page", 1, partial(affected_page, database, alarm, after=None, limit=100)
    yield "the same on arrays", 1, partial(affected_page, database, alarm, after=None, limit=100, held=held)
    yield "preview", 1, partial(preview, database, alarm)
    yield "preview on arrays", 1, partial(preview, database, alarm, held)
    yield "a night's export", 1, partial(_export, database, folder / "nights", datetime.fromtimestamp(last / 1e6, UTC))


def _export(database: Database, folder: Path, day: datetime) -> None:
    export_night(database, day.date(), folder, lambda _done, _all: None, now=time.time_ns() // 1000)


def post_again(url: str) -> None:
    """Post the last marriages, starts and tests of the journal as told ones, under other ids."""
    with closing(Database(url)) as database, database.read() as connection:
        entries = list(read_entries(connection, after=last_entry(connection) - 20 * POSTS))
    said = [json.loads(one.message) for one in entries if one.kind in REPEATED and one.outcome == "recorded"][-POSTS:]
    lines = (json.dumps({**one, "message_id": f"again-{place}", "mode": "tell"}) for place, one in enumerate(said))
    with servers.running(url) as base_url:
        headers = {"content-type": "application/x-ndjson"}
        answer = httpx2.post(f"{base_url}/v1/messages", content="\n".join(lines), headers=headers, timeout=600)
    statuses = Counter(json.loads(line)["status"] for line in answer.text.splitlines())
    assert statuses == {201: POSTS}, statuses


def pages(url: str) -> Pages:
    """Pages read since the store was made."""
    time.sleep(0.5)  # until those who asked have told what they read
    with psycopg.connect(url, autocommit=True) as connection:
        return {name: (own, indexes) for name, own, indexes in connection.execute(_READ).fetchall()}


def print_reads(url: str, folder: Path) -> None:
    """A table of what each question and a post read."""
    print(f"\nPages of tables themselves, a question\n\n| | {' | '.join(SHOWN)} | the rest | of all indexes |")
    print("|---|" + "---|" * (len(SHOWN) + 2))
    database = Database(url)
    for name, times, ask in questions(database, folder):
        _print_read(url, name, times, ask, database)
    _print_read(url, "a post", POSTS, partial(post_again, url), database)


def _print_read(url: str, name: str, times: int, ask: Callable[[], object], database: Database) -> None:
    database.close()
    before = pages(url)
    ask()
    database.close()
    read = {table: (own - before[table][0], by - before[table][1]) for table, (own, by) in pages(url).items()}
    rest = sum(own for table, (own, _) in read.items() if table not in SHOWN)
    shown = [*(read[table][0] for table in SHOWN), rest, sum(by for _, by in read.values())]
    print(f"| {name} | {' | '.join(f'{number / times:,.1f}' for number in shown)} |", flush=True)


# -- moving


@contextmanager
def in_use(base_url: str, unit: AskedItem) -> Iterator[dict[str, list[float]]]:
    """Post and ask again and again meanwhile: milliseconds of each."""
    numbers = count()
    start = {"operator": "B1", "occurred_at": "2026-11-01T06:00:00Z", "part": "ROTOR", "scan_point": "C-ROTOR"}
    asked = {"part": unit.part, "serial": unit.code}

    def post() -> None:
        message = {**start, "message_id": f"{time.time_ns()}-{next(numbers)}"}
        client.post("/v1/units", json=message).raise_for_status()

    def ask(address: str) -> None:
        client.get(address, params=asked).raise_for_status()

    with httpx2.Client(base_url=base_url, timeout=600) as client:
        questions = {name: partial(ask, f"/v1/{name}") for name in ("tree", "where", "history")}
        with probing({"post": post, **questions}) as found:
            yield found


def print_moves(url: str) -> None:
    """Move each table there and back, twice."""
    folder = Path(str(make_url(url).query["host"])) / "cheap"
    folder.mkdir()
    shutil.chown(folder, folder.parent.owner())
    with closing(Database(url)) as database, database.read() as connection:
        t = tables.item.c
        sold = select(t.part, t.code).join(tables.part, tables.part.c.part == t.part).where(tables.part.c.sold)
        row = connection.execute(sold.order_by(t.id).limit(1)).one()
    print("\n| | MB | s min | median | max | s a GB | longest post, ms | tree | where | history |")
    print("|---|---|---|---|---|---|---|---|---|---|")
    with psycopg.connect(url, autocommit=True) as connection, servers.running(url) as base_url:
        connection.execute(f"CREATE TABLESPACE cheap LOCATION '{folder}'".encode())
        for table in ("nothing", *MOVED):
            _print_move(connection, base_url, AskedItem(row.code, part=row.part), table)
        for table in MOVED:
            connection.execute(f"ALTER TABLE {table} SET TABLESPACE cheap".encode())


def _print_move(connection: psycopg.Connection[Any], base_url: str, unit: AskedItem, table: str) -> None:
    spent, size = [], 0.0
    with in_use(base_url, unit) as waits:
        time.sleep(1)
        for to in ("cheap", "pg_default") * 2 if table != "nothing" else ():
            size = float((connection.execute("SELECT pg_table_size(%s::regclass)", [table]).fetchone() or (0,))[0])
            with connection.transaction():
                began = time.perf_counter()
                connection.execute(f"ALTER TABLE {table} SET TABLESPACE {to}".encode())
                spent.append(time.perf_counter() - began)
                time.sleep(LOCKED)
            time.sleep(0.5)
    times = f"{min(spent):.2f} | {statistics.median(spent):.2f} | {max(spent):.2f}" if spent else " | | "
    a_gigabyte = f"{statistics.median(spent) / size * 1e9:.1f}" if spent else ""
    longest = " | ".join(f"{max(one):,.0f}" for one in waits.values())
    print(f"| {table} | {size / 1e6:,.0f} | {times} | {a_gigabyte} | {longest} |", flush=True)


def print_packed(url: str) -> None:
    """What a file system that compresses blocks by itself would make of tables and indexes."""
    packer, found = zstandard.ZstdCompressor(level=3), dict[str, list[int]]()
    with psycopg.connect(url, autocommit=True) as connection:
        connection.execute("CHECKPOINT")
        (folder,) = connection.execute("SHOW data_directory").fetchone() or ("",)
        for name, kind, path in connection.execute(_FILES, {"names": list(PACKED)}).fetchall():
            raw = Path(folder, path).read_bytes()
            blocks = (raw[start : start + BLOCK] for start in range(0, len(raw), BLOCK))
            sizes = found.setdefault(f"{name}{kind}", [0, 0])
            sizes[0] += len(raw)
            sizes[1] += sum(-(-len(packer.compress(block)) // SECTOR) * SECTOR for block in blocks)
    print("\n| | MB | in compressed blocks of 128 kB | of it |\n|---|---|---|---|")
    for name, (before, after) in found.items():
        print(f"| {name} | {before / 1e6:,.1f} | {after / 1e6:,.1f} | {after / before:.0%} |")


def print_check(url: str, folder: Path) -> None:
    """What `partkin check` finds while the tables are on the cheap disk."""
    with closing(Database(url)) as kept, closing(Database(f"sqlite:///{folder / 'rebuilt.db'}")) as empty:
        upgrade(empty)
        found = len(list(check_books(kept, empty, lambda _done, _all: None)))
    print(f"\nWith {', '.join(MOVED)} on the cheap disk and their indexes where they were: ", end="")
    print(f"{found} differences between the journal and the books")


def main() -> None:
    """Make the plant, measure."""
    arguments = argparse.ArgumentParser(description=__doc__)
    arguments.add_argument("--marriages", type=int, default=300_000)
    asked = arguments.parse_args()
    with servers.postgresql() as server, tempfile.TemporaryDirectory(prefix="partkin-benchmark-") as name:
        versions = ", ".join(f"{one} {version(one)}" for one in ("sqlalchemy", "psycopg"))
        print(f"{os.cpu_count()} cores, {platform.machine()}, Python {platform.python_version()}, {versions}, ", end="")
        print(postgresql_version(server))
        url = servers.PostgreSQLStores(server).migrated()
        make(url, asked.marriages, 7)
        print_reads(url, Path(name))
        print_moves(url)
        print_packed(url)
        print_check(url, Path(name))


if __name__ == "__main__":
    main()
