"""The preview of a suspect lot at a plant's scale, in memory and in the store, beside the plain recursive query.

Run it from the repository: python -m api_tests.benchmarks.preview_measure [--units 2500000] [--marriages 10000000]

Every unit holds a module that holds pieces of a lot; the other marriages are of lots, drawn at points of use. The
suspect lot is in every twelfth module. Nine units in ten were shipped, a hundred a shipment. The books are filled
without a journal: one entry stands for all that made them.
"""

from __future__ import annotations

import argparse
import platform
import tempfile
import time
from dataclasses import replace
from functools import partial
from importlib.metadata import version
from pathlib import Path

from sqlalchemy import text

from api_tests import servers
from api_tests.benchmarks.first_measure import take_statistics, timed
from api_tests.benchmarks.posting import plant
from partkin.actions.load_catalogue import load_catalogue
from partkin.memory.held import Held
from partkin.questions.preview import preview
from partkin.questions.units_affected import affected_page
from partkin.rules.catalogue import Catalogue, Consignee, Part
from partkin.rules.facts import FACTS_PER_ENTRY
from partkin.rules.messages import NamedItem
from partkin.rules.messages.criteria import Alarm, Suspects
from partkin.rules.moments import FOREVER
from partkin.store.database import Database
from partkin.store.journal.entries import Entry, add_entries

SHARE = 12
"""One unit in so many holds the suspect lot."""

START = 1_767_225_600_000_000
"""2026-01-01, when the first unit is started; another one every 12 s."""

SECOND = 1_000_000
UNITS, MODULES, SHIPMENTS, LINES, MARRIAGES = (number * 10**9 for number in range(1, 6))
"""Where the numbers of each kind of row begin."""

SUSPECT, GOOD, SCREWS = 1, 2, 3
"""Numbers of the lots."""


def catalogue() -> Catalogue:
    """The units of the first measure, with a module and consignees."""
    plain = plant()
    module = Part("MODULE", "MODULE", "serial", made=True, sold=False)
    consignees = tuple(Consignee(f"SHOP-{number}", f"Shop {number}") for number in range(20))
    return replace(plain, parts=(*plain.parts, module), consignees=consignees)


def fill(database: Database, units: int, drawn: int, share: int = SHARE) -> None:
    """Fill the books: `drawn` marriages of lots a unit beside the module and its lot, in one of `share` the suspect."""
    load_catalogue(database, catalogue(), operator="B1", now=time.time_ns() // 1000)
    number = "n" if database.dialect == "sqlite" else "n::bigint"
    fast = "PRAGMA foreign_keys = OFF" if database.dialect == "sqlite" else "SET session_replication_role = replica"
    for statement in (fast, *_statements(units, drawn, share, number)):
        with database.write() as connection:
            if statement != fast and database.dialect == "postgresql":
                connection.execute(text(fast))
            connection.execute(text(_for_engine(statement, database.dialect)))
    take_statistics(database)
    last = (MARRIAGES + units * (drawn + 2)) // FACTS_PER_ENTRY + 1
    filling = Entry(last, None, "unreadable", None, "unreadable", None, None, None, START, None, 400, "{}", "{}")
    with database.write() as connection:
        add_entries(connection, [filling])
        if database.dialect == "postgresql":
            connection.execute(text("SELECT setval('entry_numbers', :last)"), {"last": last})


def _for_engine(statement: str, dialect: str) -> str:
    """`numbers(COUNT)` stands for the numbers below a count."""
    if dialect == "postgresql":
        return statement.replace("numbers(", "generate_series(0, -1 + ").replace("AS numbers", "AS numbers(n)")
    head, _, rest = statement.partition("FROM numbers(")
    count, _, tail = rest.partition(")")
    if not rest:
        return statement
    recursive = f"WITH RECURSIVE numbers(n) AS (SELECT 0 UNION ALL SELECT n + 1 FROM numbers WHERE n + 1 < {count})"
    into, _, select = head.partition("SELECT")
    return f"{into} {recursive} SELECT{select} FROM numbers{tail.replace(' AS numbers', '')}"


def _statements(units: int, drawn: int, share: int, n: str) -> list[str]:
    """What fills the books, in order; `n` counts."""
    items = "INSERT INTO item (id, part, kind, code, state, started_at, used)"
    married = (
        "INSERT INTO marriage (id, child_id, parent_id, position, slot, quantity, started, ended, disputed, "
        "child_is_serial, parent_is_unit, point_of_use_id, wrong)"
    )
    step, truck = 12 * SECOND, 1200 * SECOND
    a_unit = drawn + 2
    begun, gone = f"{START} + {n} * {step}", f"{START} + ({n} / 100 + 1) * {truck}"
    numbered = f"FROM numbers({units}) AS numbers"
    lots = {SUSPECT: "SUSPECT", GOOD: "GOOD", SCREWS: "SCREWS"}
    lot_rows = ", ".join(f"({lot}, 'SEAL', 'lot', '{code}', 'usable', NULL, 0)" for lot, code in lots.items())
    state = "CASE WHEN n % 10 = 0 THEN 'finished' ELSE 'shipped' END"
    lot = f"CASE WHEN n % {share} = 0 THEN {SUSPECT} ELSE {GOOD} END"
    into, slot = f"{n} / {drawn}", f"n % {drawn}"
    return [
        f"{items} VALUES {lot_rows}",
        f"{items} SELECT {UNITS} + {n}, 'UNIT', 'serial', 'U' || n, {state}, {begun}, 0 {numbered}",
        f"{items} SELECT {MODULES} + {n}, 'MODULE', 'serial', 'M' || n, 'finished', {begun}, 0 {numbered}",
        (
            f"{married} SELECT {MARRIAGES} + {n} * {a_unit}, {lot}, {MODULES} + {n}, 'SEAL', 1, 2,"
            f" {begun}, {FOREVER}, false, false, false, NULL, false {numbered}"
        ),
        (
            f"{married} SELECT {MARRIAGES} + {n} * {a_unit} + 1, {MODULES} + {n}, {UNITS} + {n}, 'MODULE', 1, 1,"
            f" {begun} + {SECOND}, {FOREVER}, false, true, true, NULL, false {numbered}"
        ),
        (
            f"{married} SELECT {MARRIAGES} + ({into}) * {a_unit} + 2 + {slot}, {SCREWS}, {UNITS} + {into}, 'SCREWS',"
            f" 1 + {slot}, 1, {START} + ({into}) * {step}, {FOREVER}, false, false, true, NULL, false"
            f" FROM numbers({units * drawn}) AS numbers"
        ),
        (
            "INSERT INTO shipment (id, code, consignee, opened_at, despatched_at)"
            f" SELECT {SHIPMENTS} + {n}, 'S' || n, 'SHOP-' || (n % 20), {START} + ({n} + 1) * {truck},"
            f" {START} + ({n} + 1) * {truck} FROM numbers({units // 100}) AS numbers"
        ),
        (
            "INSERT INTO shipment_line (id, shipment_id, item_id, loaded_at, unloaded_at)"
            f" SELECT {LINES} + {n}, {SHIPMENTS} + {n} / 100, {UNITS} + {n}, {gone}, {FOREVER}"
            f" {numbered} WHERE n % 10 <> 0"
        ),
    ]


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


def plain_count(database: Database) -> int:
    """Units above the suspect lot, by the plain query."""
    with database.read() as connection:
        return int(connection.execute(PLAIN, {"lot": SUSPECT}).scalar_one())


def measure(name: str, store: str, units: int, drawn: int) -> None:
    """Fill a store, and print a line of the table."""
    database = Database(store)
    began = time.perf_counter()
    fill(database, units, drawn)
    filled = time.perf_counter() - began
    alarm = Alarm(suspects=Suspects(items=(NamedItem(part="SEAL", lot="SUSPECT"),)))
    with tempfile.TemporaryDirectory(prefix="partkin-benchmark-") as folder:
        held = Held(database, Path(folder))
        began = time.perf_counter()
        held.renew()
        read = time.perf_counter() - began
        shown = preview(database, alarm, held)
        assert shown == preview(database, alarm)
        counts = shown["counts"]
        in_memory = timed(partial(preview, database, alarm, held))
        size = sum(path.stat().st_size for path in Path(folder).rglob("*.npy"))
    in_store = timed(partial(preview, database, alarm))
    page = timed(partial(affected_page, database, alarm, after=None, limit=100))
    plain = timed(partial(plain_count, database))
    assert counts["certain"] == plain_count(database), counts
    marriages = units * (drawn + 2)
    print(
        f"| {name} | {marriages:,} | {units:,} | {counts['certain']:,} | {in_memory:,.0f} | {in_memory / plain:.2f} "
        f"| {in_store:,.0f} | {in_store / plain:.2f} | {page:,.0f} | {plain:,.0f} | {filled:,.0f} | {read:,.0f} "
        f"| {size / marriages:.0f} |",
        flush=True,
    )
    database.close()


def main() -> None:
    """Measure, and print a table."""
    arguments = argparse.ArgumentParser(description=__doc__)
    arguments.add_argument("--units", type=int, default=2_500_000)
    arguments.add_argument("--marriages", type=int, default=10_000_000)
    asked = arguments.parse_args()
    drawn = max(1, asked.marriages // asked.units - 2)
    print(f"{platform.machine()}, Python {platform.python_version()}, sqlalchemy {version('sqlalchemy')}")
    print("\nPreview of a suspect lot, warm, ms (median of 3)\n")
    print(
        "| | marriages | units | affected | preview in memory | ratio | in the store | ratio | first page "
        "| plain recursive query | s to fill | s to read into memory | its bytes a marriage |"
    )
    print("|---|---|---|---|---|---|---|---|---|---|---|---|---|")
    with servers.postgresql() as server, tempfile.TemporaryDirectory(prefix="partkin-benchmark-") as folder:
        measure("SQLite", servers.SQLiteStores(Path(folder)).migrated(), asked.units, drawn)
        measure("PostgreSQL", servers.PostgreSQLStores(server).migrated(), asked.units, drawn)


if __name__ == "__main__":
    main()
