"""Marriages and entries in partitions by number, beside the product's tables, on one plant in one PostgreSQL.

Run it from the repository: python -m api_tests.benchmarks.partitions [--marriages 1000000]

Numbers ascend in time, so a partition is a span of time: fifteen for fifteen years. A unique index of a partitioned
table must have the number in it, so what must be unique over all years needs tables of its own: `installed` holds what
is in something now (a serial-numbered component in one parent, a slot with one component), `message` the ids of
messages. The partitions lie in a schema of their own, which one of two stores searches first: so the product's own
statements run on both forms. The last fifteenth of both is written anew: half of it in bulk, then batches as the
recorder writes them.
"""

from __future__ import annotations

import argparse
import os
import platform
import shutil
import statistics
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import closing, contextmanager
from functools import partial
from importlib.metadata import version
from itertools import pairwise
from pathlib import Path
from typing import Any, NamedTuple

import psycopg
from sqlalchemy import BigInteger, Column, Index, Integer, MetaData, Table, Text, func, make_url, select, text

from api_tests import servers
from api_tests.benchmarks.closures import BY_INDEX, suspects
from api_tests.benchmarks.make_plant import make
from api_tests.benchmarks.trees import postgresql_version
from partkin.questions.asked_items import AskedItem
from partkin.questions.birth_record import birth_record
from partkin.questions.item_history import history
from partkin.questions.units_affected import affected_page
from partkin.rules.facts import FACTS_PER_ENTRY
from partkin.rules.messages.criteria import Alarm, Suspects
from partkin.rules.moments import FOREVER
from partkin.store.column_types import MessageId
from partkin.store.database import Database
from partkin.store.genealogy.exposure import exposed_by, suspicions
from partkin.store.journal.entries import entries_of_messages
from partkin.store.statements import insert_rows, update_rows
from partkin.store.tables import entry, item, marriage

PARTS = 15
FORMS = ("one table", "partitions")
ROUNDS = 7
POSTS = 64
"""Entries that the recorder writes in one transaction."""

WRITTEN = (f"a batch of {POSTS} posts", "its journal", "its marriages")
BATCHES = 15
"""Such transactions in a round."""

LOCKED = 0.5
"""Seconds that a moved table is kept locked beyond its move: who waits for that is plain then."""

_OPEN = f"ended = {FOREVER} AND NOT disputed"
_IN_SOMETHING = f"{_OPEN} AND (child_is_serial OR slot > 0)"
_INSTALLED = "CASE WHEN child_is_serial THEN child_id END, parent_id, CASE WHEN slot > 0 THEN position END, slot"

_own = MetaData()
installed = Table(
    "installed",
    _own,
    Column("child_id", BigInteger, comment="serial-numbered; else null"),
    Column("parent_id", BigInteger, nullable=False),
    Column("position", Text(collation="C")),
    Column("slot", Integer, nullable=False),
    Index("ux_installed_child_id", "child_id", unique=True, postgresql_where=text("child_id IS NOT NULL")),
    Index("ux_installed_slot", *("parent_id", "position", "slot"), unique=True, postgresql_where=text("slot > 0")),
)
message = Table(
    "message", _own, Column("message_id", MessageId, primary_key=True), Column("entry", BigInteger, nullable=False)
)


class Plant(NamedTuple):
    """A plant in both forms."""

    url: str
    forms: dict[str, Database]
    bounds: list[int]
    """Entries with which each partition but the first begins."""


# -- making both forms


def parted(url: str) -> Plant:
    """Make the partitions, and empty the last one of both forms; what was in it is in `late_marriage`, `late_entry`."""
    searching = make_url(url).update_query_dict({"options": "-csearch_path=parted,public"})
    searched = searching.render_as_string(hide_password=False)
    with psycopg.connect(url, autocommit=True) as connection:
        bounds = _bounds(connection)
        connection.execute("CREATE SCHEMA parted")
        for table, numbers in (("marriage", FACTS_PER_ENTRY), ("entry", 1)):
            _part(connection, table, [bound * numbers for bound in bounds])
        connection.execute("SET session_replication_role = replica")
        for table, numbers in (("marriage", FACTS_PER_ENTRY), ("entry", 1)):
            late = f"id >= {bounds[-1] * numbers}"
            connection.execute(f"CREATE TABLE late_{table} AS SELECT * FROM {table} WHERE {late}")
            connection.execute(f"DELETE FROM {table} WHERE {late}")
            connection.execute(f"VACUUM (FREEZE) {table}")
            connection.execute(f"REINDEX TABLE {table}")
    forms = {name: Database(one) for name, one in zip(FORMS, (url, searched), strict=True)}
    with forms["partitions"].write() as writing:
        _own.create_all(writing, checkfirst=False)
        filling = f"INSERT INTO installed SELECT {_INSTALLED} FROM public.marriage WHERE {_IN_SOMETHING}"
        writing.execute(text(filling))
        writing.execute(
            text("INSERT INTO message SELECT message_id, id FROM public.entry WHERE message_id IS NOT NULL")
        )
    with psycopg.connect(url, autocommit=True) as connection:
        connection.execute("VACUUM (FREEZE, ANALYZE)")
    return Plant(url, forms, bounds)


def _bounds(connection: psycopg.Connection[Any]) -> list[int]:
    """Entries by which marriages are parted into as many each."""
    numbers = _shares(connection, "marriage", [place / PARTS for place in range(1, PARTS)])
    return [number // FACTS_PER_ENTRY for number in numbers]


def _shares(connection: psycopg.Connection[Any], table: str, shares: Sequence[float]) -> list[int]:
    """The number that so large a share of a table's rows has not reached, for each share."""
    query = f"SELECT percentile_disc(%s::float[]) WITHIN GROUP (ORDER BY id) FROM {table}"
    (numbers,) = connection.execute(query.encode(), [list(shares)]).fetchone() or ([],)
    return list(numbers)


def _part(connection: psycopg.Connection[Any], table: str, bounds: Sequence[int]) -> None:
    """Partitions of a table with the rows and indexes that it has, but for unique ones without the number."""

    def run(statement: str) -> list[Any]:
        cursor = connection.execute(statement.encode())
        return cursor.fetchall() if cursor.description else []

    like = f"LIKE public.{table} INCLUDING CONSTRAINTS"
    run(f"CREATE TABLE parted.{table} ({like}, PRIMARY KEY (id)) PARTITION BY RANGE (id)")
    edges = ["MINVALUE", *map(str, bounds), "MAXVALUE"]
    for place in range(PARTS):
        span = f"FROM ({edges[place]}) TO ({edges[place + 1]})"
        run(f"CREATE TABLE parted.{table}_{place + 1} PARTITION OF parted.{table} FOR VALUES {span}")
    run(f"INSERT INTO parted.{table} SELECT * FROM public.{table} WHERE id < {bounds[-1]}")
    indexes = f"SELECT pg_get_indexdef(indexrelid) FROM pg_index WHERE indrelid = 'public.{table}'::regclass"
    for (definition,) in run(f"{indexes} AND NOT indisunique"):
        run(definition.replace(" ON public.", " ON parted."))
    keys = f"SELECT pg_get_constraintdef(oid) FROM pg_constraint WHERE conrelid = 'public.{table}'::regclass"
    for (definition,) in run(f"{keys} AND contype = 'f'"):
        run(f"ALTER TABLE parted.{table} ADD {definition}")


def in_turn(place: int) -> Sequence[str]:
    """The forms; every other time the other way round, as the second finds more in caches."""
    return FORMS if place % 2 else FORMS[::-1]


# -- writing


def write_in_bulk(plant: Plant) -> dict[str, list[float]]:
    """Rows a second of the first half of what is late, in some statements for each form in turn."""
    with psycopg.connect(plant.url) as connection:
        edges = _shares(connection, "late_entry", [place / ROUNDS / 2 for place in range(ROUNDS + 1)])
    found: dict[str, list[float]] = {name: [] for name in FORMS}
    for place, span in enumerate(pairwise(edges)):
        for name in in_turn(place):
            began = time.perf_counter()
            rows = _copy(plant.forms[name], *span, own=name == "partitions")
            found[name].append(rows / (time.perf_counter() - began))
    return found


def _copy(database: Database, first: int, before: int, *, own: bool) -> int:
    entries = f"id >= {first} AND id < {before}"
    married = f"id >= {first * FACTS_PER_ENTRY} AND id < {before * FACTS_PER_ENTRY}"
    statements = [
        f"INSERT INTO entry SELECT * FROM late_entry WHERE {entries}",
        f"INSERT INTO marriage SELECT * FROM late_marriage WHERE {married}",
    ]
    with database.write() as connection:
        rows = sum(connection.execute(text(one)).rowcount for one in statements)
        if own:
            into = "INSERT INTO message SELECT message_id, id FROM late_entry WHERE message_id IS NOT NULL"
            connection.execute(text(f"{into} AND {entries}"))
            what = f"SELECT {_INSTALLED} FROM late_marriage WHERE {_IN_SOMETHING} AND {married}"
            connection.execute(text(f"INSERT INTO installed {what}"))
    return rows


Rows = Sequence[tuple[Any, ...]]


class Batch(NamedTuple):
    """What posts that came together write."""

    entries: Rows
    marriages: Rows


def write_in_batches(plant: Plant) -> dict[str, dict[str, list[float]]]:
    """Milliseconds a batch of the rest, for each form in turn: all of it, and each half of its statements."""
    batches = _batches(plant.forms["one table"])
    found: dict[str, dict[str, list[float]]] = {what: {name: [] for name in FORMS} for what in WRITTEN}
    for place in range(ROUNDS):
        some = [next(batches) for _ in range(BATCHES)]
        for name in in_turn(place):
            spent = [_record(plant.forms[name], batch, own=name == "partitions") for batch in some]
            for what, seconds in zip(WRITTEN, zip(*spent, strict=True), strict=True):
                found[what][name].append(statistics.mean(seconds) * 1000)
    return found


def _batches(database: Database) -> Iterator[Batch]:
    with database.read() as connection:
        (last,) = connection.execute(select(func.max(entry.c.id))).one()
    late, married = (table.to_metadata(MetaData(), name=f"late_{table.name}") for table in (entry, marriage))
    while True:
        with database.read() as connection:
            following = select(late).where(late.c.id > last).order_by(late.c.id).limit(POSTS)
            entries = [tuple(row) for row in connection.execute(following)]
            first, last = entries[0][0], entries[-1][0]
            of_them = married.c.id.between(first * FACTS_PER_ENTRY, (last + 1) * FACTS_PER_ENTRY - 1)
            yield Batch(entries, [tuple(row) for row in connection.execute(select(married).where(of_them))])


def _record(database: Database, batch: Batch, *, own: bool) -> tuple[float, float, float]:
    """Seconds of the transaction, of what it writes of the journal, of marriages."""
    began = time.perf_counter()
    with database.write() as connection:
        connection.execute(select(1))
        begun = time.perf_counter()
        insert_rows(connection, entry, tuple(entry.c.keys()), batch.entries)
        if own:
            told = [(row[1], row[0]) for row in batch.entries if row[1] is not None]
            insert_rows(connection, message, tuple(message.c.keys()), told)
        halfway = time.perf_counter()
        insert_rows(connection, marriage, tuple(marriage.c.keys()), batch.marriages)
        if own:
            insert_rows(connection, installed, tuple(installed.c.keys()), list(_now_in(batch.marriages)))
        ended = time.perf_counter()
    return time.perf_counter() - began, halfway - begun, ended - halfway


def _now_in(marriages: Rows) -> Iterator[tuple[Any, ...]]:
    for values in marriages:
        row = dict(zip(marriage.c.keys(), values, strict=True))
        open_and_sure = row["ended"] == FOREVER and not row["disputed"]
        if open_and_sure and (row["child_is_serial"] or row["slot"] > 0):
            child = row["child_id"] if row["child_is_serial"] else None
            yield child, row["parent_id"], row["position"] if row["slot"] > 0 else None, row["slot"]


# -- asking


def asked(plant: Plant) -> dict[str, dict[str, Callable[[], object]]]:
    """Each question, of each form."""
    return {name: dict(_questions(plant.forms[name], own=name == "partitions")) for name in FORMS}


def _questions(database: Database, *, own: bool) -> Iterator[tuple[str, Callable[[], object]]]:
    found = {suspect.name: suspect for suspect in suspects(database)}
    component, large, small = (found[name] for name in ("a serial component", "a lot in 200,000", "a lot in 10,000"))
    with database.read() as connection:
        sold = select(item.c.part, item.c.code).join(marriage, marriage.c.parent_id == item.c.id)
        serials = connection.execute(sold.where(marriage.c.parent_is_unit).order_by(marriage.c.id).limit(1)).one()
        ids = list(connection.scalars(select(entry.c.message_id).where(entry.c.id > 1000).limit(POSTS)))
        parents = list(connection.scalars(select(marriage.c.parent_id).order_by(marriage.c.id.desc()).limit(POSTS)))
    yield "marriages of one component", partial(_marriages_of, database, component.number)
    yield "closure of a serial component, plain query", partial(_plain, database, component.number)
    for name, suspect in (("small", small), ("large", large)):
        alarm = Alarm(suspects=Suspects(items=(suspect.named,)))
        yield f"closure of a {name} lot, plain query", partial(_plain, database, suspect.number)
        yield f"closure of a {name} lot, our walk", partial(_walk, database, alarm)
        yield f"its first page and counts ({name})", partial(affected_page, database, alarm, after=None, limit=100)
    yield "whole tree of a unit", partial(birth_record, database, *serials)
    yield "history of a unit", partial(_history, database, AskedItem(serials.code, part=serials.part))
    yield f"{POSTS} message ids", partial(_messages, database, ids, own=own)
    yield f"what is in {POSTS} parents, as the recorder looks", partial(_held_in, database, parents)


def _marriages_of(database: Database, number: int) -> int:
    with database.read() as connection:
        return len(connection.execute(select(marriage).where(marriage.c.child_id == number)).all())


def _plain(database: Database, number: int) -> int:
    with database.read() as connection:
        return int(connection.execute(BY_INDEX, {"lot": number}).scalar_one())


def _walk(database: Database, alarm: Alarm) -> int:
    with database.read() as connection:
        units = exposed_by(connection, suspicions(connection, alarm.suspects, None), None).units
        return connection.scalar(select(func.count()).select_from(units)) or 0


def _history(database: Database, unit: AskedItem) -> int:
    return sum(map(len, history(database, unit, inside=True)))


def _messages(database: Database, ids: Sequence[str], *, own: bool) -> int:
    with database.read() as connection:
        if not own:
            return len(entries_of_messages(connection, ids))
        by_message = select(entry).join(message, message.c.entry == entry.c.id)
        return len(connection.execute(by_message.where(message.c.message_id.in_(ids))).all())


def _held_in(database: Database, parents: Sequence[int]) -> int:
    with database.write() as connection:
        lasting = select(marriage).where(marriage.c.parent_id.in_(parents), marriage.c.ended == FOREVER)
        return len(connection.execute(lasting).all())


def ask(plant: Plant) -> dict[str, dict[str, list[float]]]:
    """Milliseconds of each question and form, in turn, after two to warm up; both must give the same."""
    forms = asked(plant)
    found: dict[str, dict[str, list[float]]] = {}
    for question in forms[FORMS[0]]:
        first, second = (forms[name][question]() for name in FORMS)
        assert first == second, question
        spent: dict[str, list[float]] = {name: [] for name in FORMS}
        for place in range(-2, ROUNDS):
            for name in in_turn(place):
                began = time.perf_counter()
                forms[name][question]()
                if place >= 0:
                    spent[name].append((time.perf_counter() - began) * 1000)
        found[question] = spent
    return found


def end_marriages(plant: Plant) -> dict[str, list[float]]:
    """Milliseconds to end as many marriages as there are posts in a batch, as the recorder does; rolled back."""
    found: dict[str, list[float]] = {name: [] for name in FORMS}
    with plant.forms["one table"].read() as connection:
        serial = select(marriage).where(marriage.c.ended == FOREVER, marriage.c.child_is_serial)
        rows = [row._asdict() for row in connection.execute(serial.order_by(marriage.c.id.desc()).limit(POSTS))]
    ended = [tuple({**row, "ended": row["started"]}.values()) for row in rows]
    children = [row["child_id"] for row in rows]
    for place in range(ROUNDS):
        for name in in_turn(place):
            with plant.forms[name].write() as connection:
                began = time.perf_counter()
                update_rows(connection, marriage, tuple(marriage.c.keys()), ended)
                if name == "partitions":
                    connection.execute(installed.delete().where(installed.c.child_id.in_(children)))
                found[name].append((time.perf_counter() - began) * 1000)
                connection.rollback()
    return found


# -- sizes, moving, vacuum

_SIZES = """
    SELECT regexp_replace(owner.relname, '_[0-9]+$', '') AS name, sum(pg_table_size(owner.oid)),
        sum(pg_indexes_size(owner.oid))
    FROM pg_class owner WHERE owner.relkind = 'r' AND relnamespace = %s::regnamespace
    AND regexp_replace(owner.relname, '_[0-9]+$', '') = ANY(%s) GROUP BY 1 ORDER BY 1
"""


def print_sizes(plant: Plant) -> None:
    """Bytes a marriage of both forms."""
    with psycopg.connect(plant.url) as connection:
        (marriages,) = connection.execute("SELECT count(*) FROM marriage").fetchone() or (1,)
        print("\n| form | table | bytes a marriage | with indexes |\n|---|---|---|---|")
        for name, schema in zip(FORMS, ("public", "parted"), strict=True):
            tables = ["marriage", "entry", "installed", "message"]
            for table, own, indexes in connection.execute(_SIZES, [schema, tables]).fetchall():
                print(f"| {name} | {table} | {own / marriages:,.1f} | {(own + indexes) / marriages:,.1f} |")


@contextmanager
def probing(probes: dict[str, Callable[[], object]]) -> Iterator[dict[str, list[float]]]:
    """Ask again and again meanwhile, each in a thread of its own: milliseconds of each."""
    stop, found = threading.Event(), {name: [0.0] for name in probes}

    def run(name: str) -> None:
        while not stop.is_set():
            began = time.perf_counter()
            probes[name]()
            found[name].append((time.perf_counter() - began) * 1000)
            time.sleep(0.005)

    threads = [threading.Thread(target=run, args=[name]) for name in probes]
    for thread in threads:
        thread.start()
    try:
        yield found
    finally:
        stop.set()
        for thread in threads:
            thread.join()


def _probes(plant: Plant, name: str) -> dict[str, Callable[[], object]]:
    """What goes on while a year is moved: all of other years than the one that is."""
    database = plant.forms[name]
    component = next(one for one in suspects(database) if one.name == "a serial component").number
    newest = plant.bounds[-1] * FACTS_PER_ENTRY

    def by_number() -> None:
        with database.read() as connection:
            connection.execute(select(marriage).where(marriage.c.id > newest).order_by(marriage.c.id).limit(1)).all()

    with database.read() as connection:
        row = connection.execute(select(marriage).order_by(marriage.c.id.desc()).limit(1)).one()._asdict()
    row |= {"id": row["id"] + FACTS_PER_ENTRY, "disputed": True}

    def insert_one() -> None:
        with database.write() as connection:
            insert_rows(connection, marriage, tuple(row), [tuple(row.values())])
            connection.rollback()

    return {
        "by child": partial(_marriages_of, database, component),
        "by number, newest year": by_number,
        "insert": insert_one,
    }


def move(plant: Plant) -> None:
    """Move a year, and the whole table, to another tablespace and back; who waits while it is locked."""
    folder = Path(str(make_url(plant.url).query["host"])) / "cheap"
    folder.mkdir()
    shutil.chown(folder, folder.parent.owner())
    print("\n| | MB | s min | median | max | MB/s | longest by child, ms | by number, newest year | insert |")
    print("|---|---|---|---|---|---|---|---|---|")
    with psycopg.connect(plant.url, autocommit=True) as connection:
        connection.execute(f"CREATE TABLESPACE cheap LOCATION '{folder}'".encode())
        what = {"one table": "public.marriage", "partitions": f"parted.marriage_{PARTS // 2}"}
        for name, table in what.items():
            size = f"SELECT pg_table_size('{table}'::regclass) / 1e6"
            (megabytes,) = connection.execute(size.encode()).fetchone() or (0,)
            spent = []
            with probing(_probes(plant, name)) as waits:
                for to in ("cheap", "pg_default") * 2:
                    with connection.transaction():
                        began = time.perf_counter()
                        connection.execute(f"ALTER TABLE {table} SET TABLESPACE {to}".encode())
                        spent.append(time.perf_counter() - began)
                        time.sleep(LOCKED)
                    time.sleep(0.1)
            longest = " | ".join(f"{max(one):,.0f}" for one in waits.values())
            rate = float(megabytes) / statistics.median(spent)
            label = "whole table" if name == "one table" else "one partition"
            print(f"| {label} | {megabytes:,.0f} | {_three(spent)} | {rate:,.0f} | {longest} |", flush=True)


def vacuum(plant: Plant) -> None:
    """Vacuum after the same marriages of the newest year were changed in both."""
    what = {"one table": ("public.marriage",), "partitions": (f"parted.marriage_{PARTS}", "parted.marriage")}
    print("\n| | s min | median | max |\n|---|---|---|---|")
    with psycopg.connect(plant.url, autocommit=True) as connection:
        for tables in what.values():
            for table in tables:
                spent = []
                for _ in range(ROUNDS):
                    late = f"id >= {plant.bounds[-1] * FACTS_PER_ENTRY} AND id % 50 = 0"
                    whole = table.rstrip("_0123456789")
                    connection.execute(f"UPDATE {whole} SET quantity = quantity WHERE {late}".encode())
                    began = time.perf_counter()
                    connection.execute(f"VACUUM {table}".encode())
                    spent.append(time.perf_counter() - began)
                print(f"| {table} | {_three(spent)} |", flush=True)


def detach(plant: Plant) -> None:
    """Take the oldest year away, put it back; what the whole-tree question then misses."""
    with psycopg.connect(plant.url, autocommit=True) as connection:
        spans = "SELECT pg_get_expr(relpartbound, oid) FROM pg_class WHERE oid = 'parted.marriage_1'::regclass"
        (span,) = connection.execute(spans).fetchone() or ("",)
        before = {name: question() for name, question in asked(plant)["partitions"].items()}
        times = []
        for statement in (
            "DETACH PARTITION parted.marriage_1 CONCURRENTLY",
            f"ATTACH PARTITION parted.marriage_1 {span}",
        ):
            began = time.perf_counter()
            connection.execute(f"ALTER TABLE parted.marriage {statement}".encode())
            times.append(time.perf_counter() - began)
            if len(times) == 1:
                whole = next(name for name in before if name.startswith("closure of a large lot, plain"))
                left = asked(plant)["partitions"][whole]()
    print(
        f"\nDetached concurrently in {times[0]:.2f} s, attached again in {times[1]:.2f} s; "
        f"without it the large lot is in {left:,} units in place of {before[whole]:,}"
    )


# -- printing


def _three(values: Sequence[float]) -> str:
    return f"{min(values):,.2f} | {statistics.median(values):,.2f} | {max(values):,.2f}"


def print_table(title: str, found: dict[str, dict[str, list[float]]]) -> None:
    """Both forms of each thing measured, and the median of the rounds' ratios."""
    print(f"\n{title}\n")
    print(
        "| | one table min | median | max | partitions min | median | max | ratio |\n|---|---|---|---|---|---|---|---|"
    )
    for name, forms in found.items():
        one, other = (forms[form] for form in FORMS)
        ratio = statistics.median(theirs / ours for ours, theirs in zip(one, other, strict=True))
        print(f"| {name} | {_three(one)} | {_three(other)} | {ratio:.2f} |", flush=True)


def measure(url: str) -> None:
    """All of it."""
    plant = parted(url)
    try:
        print_table("Rows of the journal and marriages a second", {"in bulk": write_in_bulk(plant)})
        written = {**write_in_batches(plant), f"ends of {POSTS} marriages": end_marriages(plant)}
        print_table("Writing, ms", written)
        with psycopg.connect(plant.url, autocommit=True) as connection:
            connection.execute("VACUUM (ANALYZE)")
        print_sizes(plant)
        print_table("Asking, warm, ms", ask(plant))
        move(plant)
        vacuum(plant)
        detach(plant)
    finally:
        for database in plant.forms.values():
            database.close()


def main() -> None:
    """Make the plant, part it, measure."""
    arguments = argparse.ArgumentParser(description=__doc__)
    arguments.add_argument("--marriages", type=int, default=1_000_000)
    given = arguments.parse_args()
    with servers.postgresql() as server, closing(servers.PostgreSQLStores(server)) as stores:
        versions = ", ".join(f"{name} {version(name)}" for name in ("sqlalchemy", "psycopg"))
        print(f"{os.cpu_count()} cores, {platform.machine()}, Python {platform.python_version()}, {versions}, ", end="")
        print(postgresql_version(server))
        url = stores.migrated()
        make(url, given.marriages, 7)
        measure(url)


if __name__ == "__main__":
    main()
