"""The forward question beside a plain recursive query.

Run it from the repository: python -m api_tests.benchmarks.first_measure [--marriages 1000000]
"""

from __future__ import annotations

import argparse
import os
import platform
import statistics
import tempfile
import time
from collections.abc import Callable
from functools import partial
from importlib.metadata import version
from pathlib import Path

from rich.console import Console
from rich.progress import track
from sqlalchemy import insert, text

from api_tests import servers
from api_tests.benchmarks.posting import plant
from partkin.actions.load_catalogue import load_catalogue
from partkin.questions.units_affected import affected_page, affected_rows
from partkin.rules.messages import NamedItem
from partkin.rules.messages.criteria import Alarm, Suspects
from partkin.rules.moments import FOREVER
from partkin.store import tables
from partkin.store.database import Database

ERRORS = Console(stderr=True)
ROUNDS = 3


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
    take_statistics(database)
    return sizes


def take_statistics(database: Database) -> None:
    """Of a store filled behind the service's back, as PostgreSQL does by itself in time; on SQLite there are none."""
    if database.dialect == "postgresql":
        with database.write() as connection:
            connection.execute(text("ANALYZE"))


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
    arguments.add_argument("--marriages", type=int, default=1_000_000)
    asked = arguments.parse_args()
    with servers.postgresql() as server, tempfile.TemporaryDirectory(prefix="partkin-benchmark-") as folder:
        on_postgresql = servers.PostgreSQLStores(server)
        on_sqlite = servers.SQLiteStores(Path(folder))
        versions = ", ".join(f"{name} {version(name)}" for name in ("fastapi", "sqlalchemy", "uvicorn", "psycopg"))
        print(f"{os.cpu_count()} cores, {platform.machine()}, Python {platform.python_version()}, {versions}")
        measure_forward({"SQLite": on_sqlite.migrated(), "PostgreSQL": on_postgresql.migrated()}, asked.marriages)


if __name__ == "__main__":
    main()
