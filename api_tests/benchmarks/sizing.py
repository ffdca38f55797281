"""What a plant needs in one year, in fifteen, and what twenty plants need: measured a marriage, and scaled.

Run it from the repository: python -m api_tests.benchmarks.sizing [--marriages 600000]

On each engine two plants are made, one of a third of the marriages: what the larger has more is what a marriage costs,
without what a store has from the beginning. Indexes are as they are made at once; those of random numbers grow by up to
half while they are filled post by post. A made plant has 59 marriages a unit, the one in the table 40, so units, their
visits and tests are told a little too small.
"""

from __future__ import annotations

import argparse
import multiprocessing
import os
import platform
import shutil
import sqlite3
import subprocess
import tempfile
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import closing
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from importlib.metadata import version
from pathlib import Path

import zstandard
from sqlalchemy import func, make_url, select

from api_tests import servers
from api_tests.benchmarks.make_plant import make
from api_tests.benchmarks.plants.sizes import sizes
from api_tests.benchmarks.trees import postgresql_version
from partkin.actions.rebuild_books import check_books
from partkin.command_line.garbage import collect_garbage_seldom
from partkin.exports.night import export_night
from partkin.memory.held import BEHIND, SPAN, Held, is_short
from partkin.memory.reading import Span
from partkin.rules.facts import FACTS_PER_ENTRY
from partkin.store import tables
from partkin.store.database import Database
from partkin.store.genealogy.walks import MARRIAGE_MARK
from partkin.store.migrate import upgrade

MARRIAGES_A_YEAR, UNITS_A_YEAR, YEARS, PLANTS = 100_000_000, 2_500_000, 15, 20
JOURNAL, GENEALOGY = {"entry", "seal"}, {"marriage", "item"}
KINDS = ("journal", "genealogy", "the rest")
ITEM_BYTES = 18
"""Of the arrays' columns."""

Amounts = Mapping[str, float]


@dataclass(frozen=True, slots=True)
class Measured:
    """A plant, or what a marriage more adds to one."""

    rows: Amounts
    """Of tables that count."""
    store: Amounts
    """Bytes with indexes, by kind."""
    largest: Amounts
    """Bytes of the largest table, and of the largest index."""
    arrays: Amounts
    """Bytes of the files; seconds and most bytes of memory while they are read."""
    export: Amounts
    """Bytes by file, as written and compressed."""
    copies: Amounts
    """Seconds and bytes of a backup, seconds to put it back; seconds of a check."""

    def minus(self, other: Measured) -> Measured:
        """What each marriage more adds."""
        more = self.rows["marriage"] - other.rows["marriage"]

        def slope(name: str) -> Amounts:
            mine, theirs = getattr(self, name), getattr(other, name)
            return {key: (mine[key] - theirs.get(key, 0)) / more for key in mine}

        return Measured(*(slope(name) for name in self.__slots__))


Stores = servers.SQLiteStores | servers.PostgreSQLStores


def measured(stores: Stores, url: str, folder: Path) -> Measured:
    """Measure a plant; files go into the folder."""
    folder.mkdir()
    with closing(Database(url)) as database:
        with database.read() as connection:
            counted = (tables.marriage, tables.entry, tables.item)
            rows = {one.name: connection.scalar(select(func.count()).select_from(one)) or 0 for one in counted}
            taken = sizes(connection)
        store = dict.fromkeys(KINDS, 0.0)
        for table, _, size in taken:
            store["journal" if table in JOURNAL else "genealogy" if table in GENEALOGY else "the rest"] += size
        largest = {
            "table": max(size for _, index, size in taken if not index),
            "index": max(size for _, index, size in taken if index),
        }
        export = _export(database, folder / "nights")
        copies = {**_copied(stores, url, folder), **_checked(database, folder)}
    return Measured(rows, store, largest, _held(url, folder / "arrays"), export, copies)


# -- files


def _export(database: Database, folder: Path) -> dict[str, float]:
    t = tables.entry.c
    with database.read() as connection:
        first, last = connection.execute(select(func.min(t.recorded_at), func.max(t.recorded_at))).one()
    day, until = (datetime.fromtimestamp(at / 1e6, UTC).date() for at in (first, last))
    found: dict[str, float] = {"s": 0.0}
    packer = zstandard.ZstdCompressor(level=10)
    while day <= until:
        began = time.perf_counter()
        night = export_night(database, day, folder, lambda _done, _all: None, now=time.time_ns() // 1000)
        found["s"] += time.perf_counter() - began
        for path in night.iterdir():
            raw = path.read_bytes()
            for name, size in ((path.name, len(raw)), (f"{path.name}.zst", len(packer.compress(raw)))):
                found[name] = found.get(name, 0) + size
        day += timedelta(days=1)
    return found


def _held(url: str, folder: Path) -> dict[str, float]:
    """In a process of its own, whose memory is measured."""
    with multiprocessing.get_context("spawn").Pool(1) as pool:
        seconds, most = pool.apply(_read, (url, str(folder)))
    files = sum(path.stat().st_size for path in folder.rglob("*.npy"))
    return {"read s": seconds, "read memory": most, "files": files}


def _read(url: str, folder: str) -> tuple[float, float]:
    began = time.perf_counter()
    with closing(Database(url)) as database:
        assert Held(database, Path(folder)).renew(0)
    seconds = time.perf_counter() - began
    (most,) = (line for line in Path("/proc/self/status").read_text().splitlines() if line.startswith("VmHWM:"))
    return seconds, int(most.split()[1]) * 1024


# -- copies and checks


def _timed(run: Callable[[], object]) -> float:
    began = time.perf_counter()
    run()
    return time.perf_counter() - began


def _copied(stores: Stores, url: str, folder: Path) -> dict[str, float]:
    """A dump and its restoring on PostgreSQL; on SQLite a copy of the file beside whoever writes."""
    copy, address = folder / "copy", make_url(url)
    if address.get_backend_name() == "sqlite":
        with closing(sqlite3.connect(str(address.database))) as kept, closing(sqlite3.connect(copy)) as other:
            spent = _timed(lambda: kept.backup(other))
        return {
            "backup s": spent,
            "backup": copy.stat().st_size,
            "restore s": _timed(lambda: shutil.copy(copy, folder / "again")),
        }
    named = address.set(drivername="postgresql").render_as_string(hide_password=False)
    dump = ["pg_dump", "--format=custom", "--compress=1", f"--file={copy}", named]
    spent = _timed(lambda: subprocess.run(dump, check=True))
    empty = stores.empty()
    restored = _timed(lambda: subprocess.run(["pg_restore", f"--dbname={empty}", str(copy)], check=True))
    stores.remove(empty)
    return {"backup s": spent, "backup": copy.stat().st_size, "restore s": restored}


def _checked(database: Database, folder: Path) -> dict[str, float]:
    """What `partkin check` does, but for seals and attachments, of which a made plant has none."""
    with closing(Database(f"sqlite:///{folder / 'rebuilt.db'}")) as empty:
        upgrade(empty)
        began = time.perf_counter()
        assert not list(check_books(database, empty, lambda _done, _all: None))
        return {"check s": time.perf_counter() - began}


# -- the table


def _rows_of(found: Mapping[str, Measured], years: int, plants: int) -> Iterator[tuple[str, float, str]]:
    """What is needed: name, number, unit."""
    marriages = MARRIAGES_A_YEAR * years * plants
    any_one = found["PostgreSQL"]
    yield "marriages", marriages / 1e6, "million"
    yield "units", UNITS_A_YEAR * years * plants / 1e6, "million"
    yield "entries of the journal", marriages * any_one.rows["entry"] / 1e6, "million"
    yield "items", marriages * any_one.rows["item"] / 1e6, "million"
    for engine, one in found.items():
        yield f"store on {engine}", marriages * sum(one.store.values()) / 1e9, "GB"
        for kind in KINDS:
            yield f"of it {kind} ({engine})", marriages * one.store[kind] / 1e9, "GB"
    yield "arrays in files", marriages * any_one.arrays["files"] / 1e9, "GB"
    yield "most memory while they are read or renewed", plants * _most_memory(any_one, years) / 1e9, "GB"
    packed = {name: size for name, size in any_one.export.items() if name.endswith(".zst")}
    plain = sum(size for name, size in any_one.export.items() if name != "s" and name not in packed)
    yield "nights' exports", marriages * plain / 1e9, "GB"
    yield "the same, compressed", marriages * sum(packed.values()) / 1e9, "GB"
    yield "of it the journal", marriages * any_one.export["journal.jsonl.zst"] / 1e9, "GB"
    for engine, one in found.items():
        yield f"backup of {engine}", marriages * one.copies["backup"] / 1e9, "GB"


def _most_memory(one: Measured, years: int) -> float:
    """Of all marriages as far as they are in one layer, and of all items."""
    marriages = MARRIAGES_A_YEAR * years
    in_a_layer = min(marriages, SPAN / one.rows["entry"])
    return in_a_layer * one.arrays["read memory"] + (marriages - in_a_layer) * one.rows["item"] * ITEM_BYTES


def print_needs(found: Mapping[str, Measured]) -> None:
    """The table of what is needed."""
    columns = [list(_rows_of(found, years, plants)) for years, plants in ((1, 1), (YEARS, 1), (YEARS, PLANTS))]
    print(f"\n| | | 1 year | {YEARS} years | {PLANTS} plants, {YEARS} years |\n|---|---|---|---|---|")
    for lines in zip(*columns, strict=True):
        (name, _, unit), *_ = lines
        print(f"| {name} | {unit} | {' | '.join(f'{number:,.{int(number < 10)}f}' for _, number, _ in lines)} |")


def print_times(found: Mapping[str, Measured]) -> None:
    """Hours that copies and checks of a whole store take, after a year and after all."""
    print(f"\n| | | s a GB of the store | hours, 1 year | hours, {YEARS} years |\n|---|---|---|---|---|")
    for engine, one in found.items():
        store = sum(one.store.values())
        spent = {
            "backup": one.copies["backup s"],
            "restore": one.copies["restore s"],
            "check": one.copies["check s"],
            "export of all nights": one.export["s"],
            "read the arrays anew": one.arrays["read s"],
        }
        for name, seconds in spent.items():
            hours = MARRIAGES_A_YEAR * seconds / 3600
            print(f"| {engine} | {name} | {seconds / store * 1e9:,.1f} | {hours:,.2f} | {hours * YEARS:,.2f} |")


def print_export(one: Measured) -> None:
    """Bytes a marriage by file."""
    print("\n| file of a night | bytes a marriage | compressed |\n|---|---|---|")
    names = sorted((name for name in one.export if f"{name}.zst" in one.export), key=lambda name: -one.export[name])
    for name in names:
        if one.export[name] >= 1:
            print(f"| {name} | {one.export[name]:,.1f} | {one.export[f'{name}.zst']:,.1f} |")


def print_limits(found: Mapping[str, Measured]) -> None:
    """How far what has a limit is from it when one plant's years are over."""
    one, marriages = found["PostgreSQL"], MARRIAGES_A_YEAR * YEARS
    entries = marriages * one.rows["entry"]
    with closing(sqlite3.connect(":memory:")) as connection:
        ((pages,),) = connection.execute("PRAGMA max_page_count").fetchall()
        ((page,),) = connection.execute("PRAGMA page_size").fetchall()
    limits = {
        f"numbers of rows (entries * {FACTS_PER_ENTRY}) below 2^63": entries * FACTS_PER_ENTRY / (1 << 63),
        "numbers in JSON below 2^53 (RFC 8785)": entries * FACTS_PER_ENTRY / (1 << 53),
        "numbers of marriages below 10^15 (marks of ways)": entries * FACTS_PER_ENTRY / MARRIAGE_MARK,
        "items below 2^31 (their places in the arrays)": marriages * one.rows["item"] / (1 << 31),
        "largest table of PostgreSQL, of 32 TB": marriages * one.largest["table"] / (1 << 45),
        "largest index of PostgreSQL, of 32 TB": marriages * one.largest["index"] / (1 << 45),
        "transactions until all must be frozen (2^31), at a post each": entries / (1 << 31),
        f"file of SQLite, of {pages * page / 1e12:.1f} TB": marriages
        * sum(found["SQLite"].store.values())
        / pages
        / page,
    }
    print(f"\n| after {YEARS} years | of the limit |\n|---|---|")
    for name, share in limits.items():
        print(f"| {name} | {share:.2%} |")
    a_day = MARRIAGES_A_YEAR * one.rows["entry"] / 365
    layers, times = _renewed(round(a_day * 365))
    written = a_day / one.rows["entry"] * one.arrays["files"] * times / 1e9
    print(
        f"\nThe arrays are renewed {a_day / BEHIND:,.1f} times a day: after a year they are in {len(layers)} layers, ",
        end="",
    )
    print(f"each entry was written {times:.1f} times, {written:,.2f} GB a day")


def _renewed(entries: int) -> tuple[list[int], float]:
    """The layers after so many entries, by how many each has, and how often one was written."""
    layers: list[int] = []
    written = 0
    for _ in range(entries // BEHIND):
        newest = BEHIND
        while layers and is_short(Span(1, layers[-1]), Span(1, newest), SPAN):
            newest += layers.pop()
        layers.append(newest)
        written += newest
    return layers, written / entries


def measure(engines: Mapping[str, Stores], marriages: int, folder: Path) -> dict[str, Measured]:
    """What a marriage costs on each engine."""
    found = {}
    for engine, stores in engines.items():
        both = []
        for count in (marriages // 3, marriages):
            url, files = stores.migrated(), folder / f"{engine}-{count}"
            make(url, count, 7)
            both.append(measured(stores, url, files))
            stores.remove(url)
            shutil.rmtree(files)
        found[engine] = both[1].minus(both[0])
    return found


def main() -> None:
    """Measure, and print the tables."""
    arguments = argparse.ArgumentParser(description=__doc__)
    arguments.add_argument("--marriages", type=int, default=600_000)
    asked = arguments.parse_args()
    collect_garbage_seldom()  # as commands do
    with servers.postgresql() as server, tempfile.TemporaryDirectory(prefix="partkin-benchmark-") as name:
        folder = Path(name)
        versions = ", ".join(f"{one} {version(one)}" for one in ("sqlalchemy", "psycopg", "numpy"))
        print(f"{os.cpu_count()} cores, {platform.machine()}, Python {platform.python_version()}, {versions}, ", end="")
        print(f"{postgresql_version(server)}, SQLite {sqlite3.sqlite_version}")
        engines: dict[str, Stores] = {
            "PostgreSQL": servers.PostgreSQLStores(server),
            "SQLite": servers.SQLiteStores(folder),
        }
        found = measure(engines, asked.marriages, folder)
    print_needs(found)
    print_times(found)
    print_export(found["PostgreSQL"])
    print_limits(found)


if __name__ == "__main__":
    main()
