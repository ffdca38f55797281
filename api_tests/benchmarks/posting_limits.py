"""The engines' own limits: the same statements without HTTP and Python, and the same rows by COPY."""

from __future__ import annotations

import os
import re
import sqlite3
import subprocess
import tempfile
import time
from pathlib import Path

import psycopg
from sqlalchemy import insert, make_url

from api_tests import servers
from partkin.rules.moments import FOREVER
from partkin.store import tables
from partkin.store.database import Database

LOT, POINT, UNITS, MADE = 1, 2, 10**12, 10**13

PACKED = bytes(180).hex()
"""As long as message and answer, packed."""

N = "CAST(:n AS bigint)"

_STATEMENTS = (
    "SELECT * FROM entry WHERE message_id = MESSAGE_ID",
    (
        f"SELECT * FROM item WHERE kind = 'serial' AND (part = 'UNIT' AND code = 'U' || {N}"
        f" OR part = 'MOTOR' AND code = 'M' || {N} OR part = 'BOARD' AND code = 'B' || {N})"
    ),
    f"SELECT * FROM marriage WHERE parent_id = {UNITS} + {N}",
    f"SELECT * FROM hold WHERE item_id = {UNITS} + {N}",
    "SELECT loading.* FROM loading JOIN point_of_use ON point_of_use.id = point_of_use_id WHERE scan_point = 'LINE'",
    *(
        "INSERT INTO item (id, part, kind, code, state, used)"
        f" VALUES ({MADE} + 2 * {N} + {place}, '{part}', 'serial', '{part[0]}' || {N},"
        " 'usable', 0)"
        for place, part in enumerate(("MOTOR", "BOARD"))
    ),
    *(
        "INSERT INTO marriage (id, child_id, parent_id, position, slot, quantity, started, ended, disputed,"
        f" child_is_serial, parent_is_unit, point_of_use_id, wrong) VALUES ({MADE} + 3 * {N} + {place},"
        f" {child}, {UNITS} + {N}, '{position}', 1, 1, 1, {FOREVER}, false, {serial}, true, {point},"
        " false)"
        for place, (position, child, serial, point) in enumerate(
            (
                ("MOTOR", f"{MADE} + 2 * {N}", "true", "NULL"),
                ("BOARD", f"{MADE} + 2 * {N} + 1", "true", "NULL"),
                ("SEAL", f"{LOT}", "false", f"{POINT}"),
            )
        )
    ),
    f"UPDATE item SET state = 'finished' WHERE id = {UNITS} + {N}",
    f"UPDATE visit SET last_at = 2 WHERE item_id = {UNITS} + {N}",
    (
        "INSERT INTO entry (id, message_id, kind, mode, outcome, scan_point, operator, occurred_at, recorded_at,"
        f" item_id, status, texts) VALUES ({MADE} + {N}, MESSAGE_ID, 'marriage', 'ask',"
        f" 'recorded', 'LINE', 'B1', 1, 1, {UNITS} + {N}, 201, TEXTS)"
    ),
)
"""One post, as the plain way writes it; `n` is the unit's number."""

_KEPT = {
    "sqlite": {"MESSAGE_ID": f"'m' || {N}", "TEXTS": f"x'{PACKED}'"},
    "postgresql": {"MESSAGE_ID": f"convert_to('m' || {N}, 'UTF8')", "TEXTS": f"decode('{PACKED}', 'hex')"},
}


def statements(dialect: str) -> list[str]:
    """Those of one post, with identifiers and texts as the engine keeps them."""
    found = list(_STATEMENTS)
    for word, kept in _KEPT[dialect].items():
        found = [one.replace(word, kept) for one in found]
    return found


def fill(store: str, units: range) -> None:
    """Units that have been started, and a loaded lot, straight into the books."""
    lot = {"id": LOT, "part": "SEAL", "kind": "lot", "code": "S1", "state": "usable", "used": 0}
    loaded = {"id": LOT, "point_of_use_id": POINT, "lot_id": LOT, "loaded_at": 1, "unloaded_at": FOREVER}
    serial = {"part": "UNIT", "kind": "serial", "state": "in work", "started_at": 1, "used": 0}
    visit = {"scan_point": "LINE", "first_at": 1, "last_at": 1}
    database = Database(store)
    with database.write() as connection:
        if units.start == 0:
            connection.execute(insert(tables.item), [lot])
            connection.execute(insert(tables.point_of_use), [{"id": POINT, "scan_point": "LINE", "position": "SEAL"}])
            connection.execute(insert(tables.loading), [{**loaded, "feeder": "1", "drawn": 0}])
        connection.execute(insert(tables.item), [{"id": UNITS + n, "code": f"U{n}", **serial} for n in units])
        connection.execute(insert(tables.visit), [{"item_id": UNITS + n, **visit} for n in units])
    database.close()


def sqlite_loop(store: str, posts: int) -> float:
    """Posts a second of a bare loop, a transaction a post, as durable as the service's."""
    connection = sqlite3.connect(str(make_url(store).database), isolation_level=None)
    for pragma in ("journal_mode = WAL", "synchronous = FULL", "foreign_keys = ON"):
        connection.execute(f"PRAGMA {pragma}")
    of_a_post = statements("sqlite")
    began = time.perf_counter()
    for n in range(posts):
        connection.execute("BEGIN IMMEDIATE")
        for statement in of_a_post:
            connection.execute(statement, {"n": n}).fetchall()
        connection.execute("COMMIT")
    spent = time.perf_counter() - began
    connection.close()
    return posts / spent


def pgbench(store: str, clients: int, seconds: int) -> float | None:
    """Transactions a second by pgbench, prepared statements; None where it is not installed."""
    binaries = servers.postgresql_binaries()
    if binaries is None or not (binaries / "pgbench").exists():
        return None
    url = make_url(store)
    with psycopg.connect(store, autocommit=True) as connection:
        connection.execute("CREATE SEQUENCE IF NOT EXISTS bench MINVALUE 0")
    script = ["SELECT nextval('bench') AS n \\gset", "BEGIN;", *(f"{one};" for one in statements("postgresql"))]
    script.append("COMMIT;")
    with tempfile.NamedTemporaryFile("w", suffix=".sql") as file:
        file.write("\n".join(script))
        file.flush()
        options = ["-n", "-M", "prepared", "-c", str(clients), "-j", "2", "-T", str(seconds), "-f", file.name]
        said = subprocess.run(
            [binaries / "pgbench", *options, "-h", str(url.query["host"]), "-U", "postgres", str(url.database)],
            capture_output=True,
            text=True,
            check=True,
            env={**os.environ},
        ).stdout
    found = re.search(r"tps = ([0-9.]+)", said)
    assert found is not None, said
    return float(found[1])


COPIED = ("point_of_use", "item", "loading", "marriage", "visit", "entry")


def copied(source: str, empty: str) -> float:
    """Seconds in which COPY takes all rows of one store into another with the same catalogue, durably."""
    with tempfile.TemporaryDirectory() as folder, psycopg.connect(source) as given, psycopg.connect(empty) as taking:
        for table in COPIED:
            rows = Path(folder) / table
            with rows.open("wb") as file, given.cursor().copy(f"COPY {table} TO STDOUT") as out:
                for piece in out:
                    file.write(piece)
        kept = "WHERE kind <> 'catalogue'"  # the other store has its own
        began = time.perf_counter()
        for table in COPIED:
            only = kept if table == "entry" else ""
            with taking.cursor().copy(f"COPY {table} FROM STDIN {only}") as into:
                into.write((Path(folder) / table).read_bytes())
        taking.commit()
        return time.perf_counter() - began
