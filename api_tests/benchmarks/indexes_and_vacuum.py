"""What forms of indexes, fill factors and vacuums cost on PostgreSQL, and the forms of an index on SQLite.

Run it from the repository: python -m api_tests.benchmarks.indexes_and_vacuum [--marriages 1000000] [--units 200]

It fills plants, so that it needs a gigabyte on disk for a million marriages, and plays shifts of the demo.
"""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import closing, contextmanager
from functools import partial
from pathlib import Path
from typing import Any

import psycopg
from sqlalchemy import func, select, text

from api_tests import servers
from api_tests.benchmarks.closures import BY_INDEX, PLAIN, suspects
from api_tests.benchmarks.make_plant import make
from api_tests.benchmarks.posting import backfill, marriage, message, with_catalogue
from partkin.questions.birth_record import birth_record
from partkin.questions.preview import preview
from partkin.rules.messages.criteria import Alarm, Suspects
from partkin.store.database import Database
from partkin.store.genealogy.exposure import exposed_by, suspicions
from partkin.store.tables import marriage as marriages

ROUNDS = 3
ASKED = 3
"""Times that a question is asked in a round; the least of all rounds counts."""

FORMS: Mapping[str, str] = {
    "all that a walk reads": "child_id, started, ended, parent_id, parent_is_unit, disputed, id",
    "child, start, parent": "child_id, started, parent_id",
    "child, parent": "child_id, parent_id",
    "child": "child_id",
}
"""Forms of ix_marriage_child_id."""

TOGETHER = 300
"""Marriages that one statement adds."""

FILL_FACTORS = (100, 90, 80)


def connected(url: str) -> psycopg.Connection[tuple[Any, ...]]:
    """A connection in which each statement is a transaction; foreign keys and triggers rest."""
    connection = psycopg.connect(url, autocommit=True)
    connection.execute("SET session_replication_role = replica")
    return connection


def one(connection: psycopg.Connection[tuple[Any, ...]], query: str, *values: object) -> Any:
    """The one value that a query gives."""
    row = connection.execute(query.encode(), values).fetchone()
    assert row is not None
    return row[0]


def seconds(do: Callable[[], object]) -> float:
    """How long it takes."""
    began = time.perf_counter()
    do()
    return time.perf_counter() - began


def processor_seconds(database: Database, do: Callable[[], object]) -> float:
    """What this process and the server's for this store spend on it: the time of day tells little beside other work."""
    began = time.process_time() + served_seconds(database)
    do()
    return time.process_time() + served_seconds(database) - began


def served_seconds(database: Database) -> float:
    """What PostgreSQL's processes that serve a store have spent; none serve SQLite."""
    if database.dialect == "sqlite":
        return 0.0
    with database.read() as connection:
        serve = connection.scalars(text("SELECT pid FROM pg_stat_activity WHERE datname = current_database()")).all()
    return sum(int(Path(f"/proc/{process}/schedstat").read_text().split()[0]) for process in serve) / 1e9


# -- forms of the index by components


def with_form(database: Database, columns: str) -> float:
    """Make the index anew in a form; its bytes a marriage."""
    on_postgresql = database.dialect == "postgresql"
    size = (
        "pg_relation_size('ix_marriage_child_id')"
        if on_postgresql
        else "(SELECT sum(pgsize) FROM dbstat WHERE name = 'ix_marriage_child_id')"
    )
    with database.write() as connection:
        connection.execute(text("DROP INDEX ix_marriage_child_id"))
        connection.execute(text(f"CREATE INDEX ix_marriage_child_id ON marriage ({columns})"))
        connection.execute(text("ANALYZE marriage"))
        if on_postgresql:  # what other processes do in parallel would not be counted
            connection.execute(text("SET max_parallel_workers_per_gather = 0"))
    with database.read() as connection:
        return float(connection.scalar(text(f"SELECT 1.0 * {size} / (1 + count(*)) FROM marriage")) or 0)


def questions(database: Database) -> Iterator[tuple[str, Callable[[], object]]]:
    """What is asked, with its name."""
    for suspect in suspects(database):
        alarm = Alarm(suspects=Suspects(items=(suspect.named,)))
        yield f"{suspect.name}: closure", partial(closure, database, alarm)
        yield f"{suspect.name}: plain query", partial(plain, database, suspect.number)
        yield f"{suspect.name}: preview", partial(preview, database, alarm)
    with database.read() as connection:
        query = (
            "SELECT item.part, item.code FROM marriage JOIN item ON item.id = parent_id WHERE parent_is_unit LIMIT 1"
        )
        part, serial = connection.execute(text(query)).one()
    yield "a birth record", partial(birth_record, database, part, serial)


def closure(database: Database, alarm: Alarm) -> object:
    """Units that suspects are in, counted in the store."""
    with database.read() as connection:
        units = exposed_by(connection, suspicions(connection, alarm.suspects, None), None).units
        return connection.scalar(select(func.count()).select_from(units))


def plain(database: Database, number: int) -> object:
    """The same by the plain recursive query."""
    with database.read() as connection:
        return connection.scalar(BY_INDEX if database.dialect == "postgresql" else PLAIN, {"lot": number})


def measure_forms(url: str) -> None:
    """A table of the forms: bytes, and how long questions take, of the form that holds all."""
    with closing(Database(url)) as database:
        asked, sizes = dict(questions(database)), dict.fromkeys(FORMS, 0.0)
        least: dict[tuple[str, str], float] = {}
        for _ in range(ROUNDS):
            for form, columns in FORMS.items():
                sizes[form] = with_form(database, columns)
                for name, ask in asked.items():
                    ask()
                    spent = min(processor_seconds(database, ask) for _ in range(ASKED))
                    least[name, form] = min(spent, least.get((name, form), spent))
        print(f"\nForms of ix_marriage_child_id, {database.dialect}: processor time, least of {ROUNDS * ASKED}, warm\n")
        print(f"| | {' | '.join(FORMS)} |\n|---|{'---|' * len(FORMS)}")
        print(f"| bytes a marriage, made at once | {' | '.join(f'{sizes[form]:.1f}' for form in FORMS)} |")
        for name in asked:
            first, *others = (least[name, form] for form in FORMS)
            ratios = " | ".join(f"{other / first:.2f}" for other in others)
            print(f"| {name} | {first * 1000:,.2f} ms | {ratios} |", flush=True)


# -- as rows come


def copy_of_marriages(connection: psycopg.Connection[tuple[Any, ...]], form: str) -> list[str]:
    """An empty table like that of marriages, with its indexes; their names."""
    connection.execute("DROP TABLE IF EXISTS grown")
    connection.execute("CREATE TABLE grown (LIKE marriage)")
    query = "SELECT indexrelid::regclass::text, pg_get_indexdef(indexrelid) FROM pg_index WHERE indrelid = %s::regclass"
    names = []
    for name, definition in connection.execute(query, ["marriage"]).fetchall():
        made = definition.replace(name, f"grown_{name}").replace("public.marriage", "grown")
        if name == "ix_marriage_child_id":
            made = f"CREATE INDEX grown_{name} ON grown ({FORMS[form]})"
        connection.execute(made.encode())
        names.append(f"grown_{name}")
    return names


def measure_growth(url: str) -> None:
    """Tables of what indexes take when marriages come in their order, and of what adding them costs."""
    with connected(url) as connection:
        every = (
            "SELECT id FROM (SELECT id, row_number() OVER (ORDER BY id) FROM marriage) AS m(id, n) WHERE n %% %s = 0"
        )
        ends = [end for (end,) in connection.execute(every, [TOGETHER])]
        print(f"\nMarriages added in their order, {TOGETHER} at a time, PostgreSQL\n")
        print("| form of ix_marriage_child_id | bytes a marriage | us a marriage | bytes of log a marriage |")
        print("|---|---|---|---|")
        for form in FORMS:
            names = copy_of_marriages(connection, form)
            before = one(connection, "SELECT pg_current_wal_lsn()")
            spent = seconds(partial(add_marriages, connection, ends))
            logged = float(one(connection, "SELECT pg_current_wal_lsn() - %s::pg_lsn", before))
            count = one(connection, "SELECT count(*) FROM grown")
            grown = one(connection, "SELECT pg_relation_size('grown_ix_marriage_child_id')") / count
            print(f"| {form} | {grown:.1f} | {spent / count * 1e6:.1f} | {logged / count:.0f} |", flush=True)
        print("\n| index | made at once | as rows come |\n|---|---|---|")
        for name in names:
            grown = one(connection, "SELECT pg_relation_size(%s::regclass)", name) / count
            connection.execute(f"REINDEX INDEX {name}".encode())
            made = one(connection, "SELECT pg_relation_size(%s::regclass)", name) / count
            print(f"| {name.removeprefix('grown_')} | {made:.1f} | {grown:.1f} |", flush=True)
        connection.execute("DROP TABLE grown")


def add_marriages(connection: psycopg.Connection[tuple[Any, ...]], ends: list[int]) -> None:
    """Add the marriages up to each of these numbers."""
    for first, last in zip([0, *ends], ends, strict=False):
        add = "INSERT INTO grown SELECT * FROM marriage WHERE id > %s AND id <= %s ORDER BY id"
        connection.execute(add, [first, last])


def measure_recording(stores: servers.PostgreSQLStores, posts: int) -> None:
    """A table of how long messages take that are posted together, by the form of the index."""
    starts = [message("unit-start", f"u{n}", part="UNIT", serial=f"U{n}") for n in range(posts)]
    messages, least = [*starts, *map(marriage, range(posts))], dict[str, float]()
    for _ in range(ROUNDS):
        for form, columns in FORMS.items():
            store = with_catalogue(stores.migrated())
            with closing(Database(store)) as database, servers.running(store) as base_url:
                with_form(database, columns)
                backfill(base_url, [message("lot-loading", "l", lot={"part": "SEAL", "lot": "S1"})])
                spent = processor_seconds(database, partial(backfill, base_url, messages))
            least[form] = min(spent, least.get(form, spent))
            stores.remove(store)
    print(f"\nRecording {2 * posts:,} messages as NDJSON, PostgreSQL: processor time, least of {ROUNDS}\n")
    print("| form of ix_marriage_child_id | s | ratio |\n|---|---|---|")
    for form, spent in least.items():
        print(f"| {form} | {spent:.2f} | {spent / least[next(iter(FORMS))]:.2f} |", flush=True)


# -- fill factors


def measure_ascending(url: str) -> None:
    """A table of what an index of ascending keys takes a key, where one writes, or several whose batches overlap."""
    with connected(url) as connection:
        connection.execute("SET synchronous_commit = off")
        print("\nBytes a key of an index like pk_marriage, by its fill factor, PostgreSQL\n")
        print("| batches | 90 | 95 | 100 |\n|---|---|---|---|")
        for size in (4, 40):
            for writers, order in {"one writer": 0, "two writers in turn": 1}.items():
                taken = [bytes_a_key(connection, size, order, fill) for fill in (90, 95, 100)]
                print(f"| of {size} keys, {writers} | {' | '.join(f'{one:.1f}' for one in taken)} |", flush=True)


def bytes_a_key(connection: psycopg.Connection[tuple[Any, ...]], size: int, order: int, fill: int) -> float:
    """What is taken when batches are written in order, or each before the one it should follow (order 1)."""
    batches = 40_000 // size
    connection.execute("DROP TABLE IF EXISTS ascending")
    connection.execute("CREATE TABLE ascending (id BIGINT NOT NULL)")
    connection.execute(f"CREATE UNIQUE INDEX ix_ascending ON ascending (id) WITH (fillfactor = {fill})".encode())
    for batch in range(batches):
        first = (batch ^ order) * size
        connection.execute("INSERT INTO ascending SELECT generate_series(%s::int, %s)", [first, first + size - 1])
    taken = one(connection, "SELECT pg_relation_size('ix_ascending')")
    connection.execute("DROP TABLE ascending")
    return float(taken) / (batches * size)


FILLED = """
    CREATE FUNCTION fill() RETURNS event_trigger LANGUAGE plpgsql AS $$
    DECLARE made text;
    BEGIN
        FOR made IN SELECT object_identity FROM pg_event_trigger_ddl_commands() WHERE command_tag = 'CREATE TABLE'
        LOOP EXECUTE format('ALTER TABLE %s SET (fillfactor = {fill})', made); END LOOP;
    END $$;
    CREATE EVENT TRIGGER fill ON ddl_command_end WHEN TAG IN ('CREATE TABLE') EXECUTE FUNCTION fill()
"""
CHANGED = """
    SELECT relname, n_tup_ins, n_tup_upd, 100.0 * n_tup_hot_upd / n_tup_upd, pg_relation_size(relid),
    pg_indexes_size(relid) FROM pg_stat_user_tables WHERE n_tup_upd >= 50 ORDER BY n_tup_upd DESC
"""


def measure_changes(stores: servers.PostgreSQLStores, units: int) -> None:
    """A table of rows that a shift of the demo writes anew: how many without a new place in each index (HOT)."""
    found: dict[str, list[str]] = {}
    for fill in FILL_FACTORS:
        store = stores.empty()
        with connected(store) as connection:
            connection.execute(FILLED.replace("{fill}", str(fill)).encode())
            partkin = str(Path(sys.executable).with_name("partkin"))
            play = [partkin, "demo", "--once", "--store", store, "--port", "0", "--units", str(units)]
            subprocess.run(play, stdout=subprocess.DEVNULL, check=True)
            time.sleep(2)  # a backend tells what it counted within a second
            for table, added, changed, share, size, indexes in connection.execute(CHANGED):
                line = found.setdefault(table, [f"{added:,}", f"{changed:,}"])
                line.append(f"{share:.0f} % | {size / 1e3:,.0f} + {indexes / 1e3:,.0f}")
        stores.remove(store)
    print(f"\nRows written anew in a shift of {units} units, and without a new place in each index; kB with indexes\n")
    print(f"| table | added | written anew | {' | '.join(f'{fill}: HOT | kB' for fill in FILL_FACTORS)} |")
    print(f"|---|---|---|{'---|---|' * len(FILL_FACTORS)}")
    for table, line in found.items():
        print(f"| {table} | {' | '.join(line)} |")


# -- vacuum


def measure_vacuum(url: str) -> None:
    """A table of what a vacuum costs and spares after a tenth of the marriages were added."""
    with connected(url) as connection:
        connection.execute("ALTER TABLE marriage SET (autovacuum_enabled = off)")
        connection.execute("VACUUM marriage")
        other = {"id": "id + (SELECT max(id) FROM marriage)", "slot": "0", "disputed": "TRUE"}
        names = marriages.c.keys()
        values = ", ".join(other.get(name, name) for name in names)
        add = f"INSERT INTO marriage ({', '.join(names)}) SELECT {values} FROM marriage WHERE id % 10 = 0".encode()
        added = connection.execute(add).rowcount
        print(f"\nAfter {added:,} marriages more, PostgreSQL\n")
        print("| | reads of the table by index-only scans | ms of it |\n|---|---|---|")
        print_scan(connection, "before a vacuum")
        vacuumed = seconds(partial(connection.execute, "VACUUM marriage"))
        print_scan(connection, "after it")
        analyzed = seconds(partial(connection.execute, "ANALYZE marriage"))
        print(
            f"\nThe vacuum took {vacuumed:.2f} s, {vacuumed / added * 1e6:.2f} s a million; ANALYZE {analyzed:.2f} s."
        )
        connection.execute("ALTER TABLE marriage RESET (autovacuum_enabled)")


def print_scan(connection: psycopg.Connection[tuple[Any, ...]], when: str) -> None:
    """A line of an index-only scan of all draws."""
    query = "SELECT count(started) FROM marriage WHERE point_of_use_id >= 0"
    connection.execute("SET enable_seqscan = off")
    connection.execute("SET enable_bitmapscan = off")
    connection.execute("SET max_parallel_workers_per_gather = 0")
    connection.execute(query.encode())
    plan = one(connection, f"EXPLAIN (ANALYZE, FORMAT JSON) {query}")
    told = plan if isinstance(plan, list) else json.loads(plan)
    scan = told[0]["Plan"]["Plans"][0]
    print(f"| {when} | {scan['Heap Fetches']:,} | {scan['Actual Total Time']:,.0f} |", flush=True)


def measure_counter(url: str, changes: int) -> None:
    """A table of what a row takes that is written anew over and over, as counters are."""
    print(f"\nOne row written anew {changes:,} times, a transaction each, PostgreSQL\n")
    print("| | autovacuum | kB | HOT |\n|---|---|---|---|")
    for beside in ("alone", "beside a question that goes on"):
        for vacuumed in ("off", "on"):
            with connected(url) as connection, reading(url, beside != "alone"):
                size, share = changed_over_and_over(connection, changes, vacuumed)
            print(f"| {beside} | {vacuumed} | {size / 1e3:,.0f} | {share:.0f} % |", flush=True)


def changed_over_and_over(
    connection: psycopg.Connection[tuple[Any, ...]], changes: int, vacuumed: str
) -> tuple[float, float]:
    """Bytes of a table of one row in the end, and how many of a hundred changes needed no new place in its index."""
    connection.execute("SET synchronous_commit = off")
    made = f"CREATE TABLE counter (id INTEGER PRIMARY KEY, last BIGINT) WITH (autovacuum_enabled = {vacuumed})"
    connection.execute(made.encode())
    connection.execute("INSERT INTO counter VALUES (1, 0)")
    for _ in range(changes):
        connection.execute("UPDATE counter SET last = last + 1 WHERE id = 1")
    time.sleep(2)  # a backend tells what it counted within a second
    size = one(connection, "SELECT pg_total_relation_size('counter')")
    told = "SELECT 100.0 * n_tup_hot_upd / n_tup_upd FROM pg_stat_user_tables WHERE relname = 'counter'"
    share = one(connection, told)
    connection.execute("DROP TABLE counter")
    return float(size), float(share)


@contextmanager
def reading(url: str, wanted: bool) -> Iterator[None]:
    """A transaction that sees the store as it is now, until the end."""
    with psycopg.connect(url) as connection:
        if wanted:
            connection.execute("SET TRANSACTION ISOLATION LEVEL REPEATABLE READ")
            connection.execute("SELECT count(*) FROM pg_class")
        yield


def main() -> None:
    """Measure, and print tables."""
    arguments = argparse.ArgumentParser(description=__doc__)
    arguments.add_argument("--marriages", type=int, default=1_000_000)
    arguments.add_argument("--units", type=int, default=200, help="units of the demo's shift")
    asked = arguments.parse_args()
    with tempfile.TemporaryDirectory(prefix="partkin-benchmark-") as folder:
        store = servers.SQLiteStores(Path(folder)).migrated()
        make(store, asked.marriages, 7)
        measure_forms(store)
    with servers.postgresql() as server:
        stores = servers.PostgreSQLStores(server)
        store = stores.migrated()
        make(store, asked.marriages, 7)
        measure_forms(store)
        measure_growth(store)
        measure_vacuum(store)
        measure_recording(stores, 2000)
        measure_ascending(server)
        measure_changes(stores, asked.units)
        measure_counter(server, 20_000)


if __name__ == "__main__":
    main()
