"""The store's tables: made and changed by migrations alone, and exactly those that the code works with."""

from __future__ import annotations

import json
import os
import re
import shutil
import subprocess
import sys
from collections.abc import Callable, Iterator
from dataclasses import fields
from datetime import date
from pathlib import Path

import httpx2
import pytest
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext
from sqlalchemy import Connection, MetaData, insert, select, text
from sqlalchemy.exc import DBAPIError
from stdnum.iso7064 import mod_37_36

from api_tests.cases import frozen
from api_tests.plant import Station, differences, dryer, load, motor, recorded
from api_tests.servers import running, served
from api_tests.test_seals import UNLOCK
from partkin.exports.night import export_night
from partkin.rules.rows import Row
from partkin.store.books.writing import BOOKS
from partkin.store.database import Database
from partkin.store.journal.dictionaries import add_dictionary
from partkin.store.journal.entries import Entry, read_entries
from partkin.store.migrate import (
    StoreAtAnotherRevision,
    current_revision,
    downgrade,
    head_revision,
    require_current,
    upgrade,
)
from partkin.store.tables import dictionary, entry, metadata

CHECKOUT = Path(__file__).parents[1]

ISSUED = [["DRYER", "1"], ["PUMP", "1"], ["DRYER", "3"]]
"""The numbers that the store of the first version issued."""

LATER = 4_000_000_000_000_000
"""A moment at which every night of that store is over."""

POSTGRESQL_SCHEMA = """
    WITH tables AS (
        SELECT oid, relname FROM pg_class
        WHERE relnamespace = 'public'::regnamespace AND relkind IN ('r', 'p') AND relname <> 'alembic_version'
    )
    SELECT relname || '.' || attname, concat_ws(
        ' ', format_type(atttypid, atttypmod), collname, attidentity, attgenerated,
        CASE WHEN attnotnull THEN 'NOT NULL' END, pg_get_expr(adbin, adrelid), col_description(attrelid, attnum)
    )
    FROM tables
    JOIN pg_attribute ON attrelid = tables.oid AND attnum > 0 AND NOT attisdropped
    LEFT JOIN pg_collation ON pg_collation.oid = attcollation
    LEFT JOIN pg_attrdef ON adrelid = attrelid AND adnum = attnum
    UNION ALL
    SELECT 'order of marriage', string_agg(attname, ' ' ORDER BY attnum)
    FROM tables JOIN pg_attribute ON attrelid = tables.oid AND attnum > 0 WHERE relname = 'marriage' GROUP BY relname
    UNION ALL
    SELECT relname, array_to_string(ARRAY(SELECT unnest(reloptions) ORDER BY 1), ' ')
    FROM pg_class JOIN tables USING (oid, relname)
    UNION ALL
    SELECT relname || '.' || conname, pg_get_constraintdef(pg_constraint.oid)
    FROM tables JOIN pg_constraint ON conrelid = tables.oid
    UNION ALL
    SELECT indexrelid::regclass::text, pg_get_indexdef(indexrelid)
    FROM tables JOIN pg_index ON indrelid = tables.oid
    UNION ALL
    SELECT relname || '.' || tgname, concat_ws(' ', tgenabled, pg_get_triggerdef(pg_trigger.oid))
    FROM tables JOIN pg_trigger ON tgrelid = tables.oid AND NOT tgisinternal
    UNION ALL
    SELECT proname, pg_get_functiondef(oid) FROM pg_proc WHERE pronamespace = 'public'::regnamespace
    UNION ALL
    SELECT relname, pg_get_viewdef(oid)
    FROM pg_class WHERE relnamespace = 'public'::regnamespace AND relkind IN ('v', 'm')
    UNION ALL
    SELECT relname, concat_ws(' ', seqtypid, seqstart, seqincrement, seqmin, seqmax, seqcache, seqcycle)
    FROM pg_sequence JOIN pg_class ON oid = seqrelid WHERE relnamespace = 'public'::regnamespace
"""


def schema_of(connection: Connection) -> dict[str, str | list[str]]:
    """All that the database holds itself to, as text, by name."""
    if connection.dialect.name == "postgresql":
        return {name: " ".join(definition.split()) for name, definition in connection.execute(text(POSTGRESQL_SCHEMA))}
    kept = text("SELECT type, name, sql FROM sqlite_master WHERE sql IS NOT NULL AND name <> 'alembic_version'")
    return {
        name: sorted(parts_of_table(sql)) if kind == "table" else " ".join(sql.split())
        for kind, name, sql in connection.execute(kept)
    }


def parts_of_table(sql: str) -> Iterator[str]:
    """Columns and constraints of a CREATE TABLE, whose order means nothing, and what surrounds them."""
    head, _, rest = " ".join(sql.replace('"', "").split()).partition("(")
    body, _, options = rest.rpartition(")")
    yield f"{head.strip()} … {options.strip()}"
    depth, part = 0, ""
    for sign in body:
        depth += (sign == "(") - (sign == ")")
        if sign == "," and depth == 0:
            yield part.strip()
            part = ""
        else:
            part += sign
    yield part.strip()


@pytest.fixture
def empty(empty_store_url: str) -> Iterator[Database]:
    database = Database(empty_store_url)
    yield database
    database.close()


@pytest.fixture
def database(store_url: str) -> Iterator[Database]:
    database = Database(store_url)
    yield database
    database.close()


def test_migrations_make_what_the_code_works_with(database: Database, empty: Database) -> None:
    with empty.write() as connection:
        metadata.create_all(connection)
        wanted = schema_of(connection)
    with database.read() as connection:
        assert schema_of(connection) == wanted


def test_alembic_finds_nothing_left_to_change(database: Database) -> None:
    with database.read() as connection:
        context = MigrationContext.configure(connection, opts={"compare_server_default": True})
        assert compare_metadata(context, metadata) == []


@pytest.mark.parametrize("kind", BOOKS)
def test_a_row_has_the_columns_of_its_table_in_their_order(kind: type[Row]) -> None:
    """Rows are made of what is read by place."""
    assert [field.name for field in fields(kind)] == BOOKS[kind].c.keys()


WITHOUT_ITS_WHERE = "CREATE UNIQUE INDEX ux_marriage_one_parent ON marriage (child_id)"
DRIFTS = {
    "postgresql": (
        "ALTER TABLE marriage DROP CONSTRAINT ck_marriage_quantity",
        "ALTER TABLE marriage DROP CONSTRAINT fk_marriage_child_id",
        'ALTER TABLE item ALTER COLUMN code TYPE text COLLATE "default"',
        "ALTER TABLE item ALTER COLUMN used SET DEFAULT 0",
        f"DROP INDEX ux_marriage_one_parent; {WITHOUT_ITS_WHERE}",
        "ALTER TABLE entry DISABLE TRIGGER entry_keep_table",
        "ALTER TABLE item RESET (autovacuum_vacuum_scale_factor)",
        "CREATE OR REPLACE FUNCTION entry_is_append_only() RETURNS trigger AS 'BEGIN RETURN NEW; END' LANGUAGE plpgsql",
    ),
    "sqlite": (
        f"DROP INDEX ux_marriage_one_parent; {WITHOUT_ITS_WHERE}",
        "DROP TRIGGER entry_no_delete",
        "ALTER TABLE hold DROP COLUMN release_reason",
        "ALTER TABLE entry RENAME TO diary",
    ),
}


def test_the_comparison_sees_what_would_weaken_the_store(database: Database) -> None:
    for drift in DRIFTS[database.dialect]:
        with pytest.raises(LookupError), database.write() as connection:
            before = schema_of(connection)
            for statement in re.split(r"; (?=CREATE)", drift):
                connection.exec_driver_sql(statement)
            assert schema_of(connection) != before, drift
            raise LookupError  # so that it is undone


def test_going_back_to_the_beginning_leaves_nothing_and_forward_again_all(database: Database) -> None:
    with database.read() as connection:
        before = schema_of(connection)
    downgrade(database, "base")
    with database.read() as connection:
        assert schema_of(connection) == {}
    upgrade(database)
    with database.read() as connection:
        assert schema_of(connection) == before


def test_a_migration_that_fails_changes_nothing(empty: Database) -> None:
    with empty.write() as connection:
        connection.execute(text("CREATE TABLE visit (id INTEGER)"))  # one of the last that are made
        before = schema_of(connection)
    with pytest.raises(DBAPIError):
        upgrade(empty)
    assert current_revision(empty) is None
    with empty.read() as connection:
        assert schema_of(connection) == before


def test_two_processes_may_migrate_at_once(empty: Database, empty_store_url: str) -> None:
    code = "import sys; from partkin.store.migrate import *; upgrade(Database(sys.argv[1]))"
    both = [subprocess.Popen([sys.executable, "-c", code, empty_store_url]) for _ in range(2)]
    assert [process.wait() for process in both] == [0, 0]
    require_current(empty)


# -- a store of the first version


def rows_of(database: Database) -> dict[str, list[str]]:
    """All rows of all tables, whatever the revision."""
    with database.read() as connection:
        tables = MetaData()
        tables.reflect(connection)
        return {
            table.name: sorted(repr(tuple(row)) for row in connection.execute(select(table)))
            for table in tables.sorted_tables
            if table.name != "alembic_version"
        }


@pytest.fixture
def first(empty: Database) -> Database:
    """A store as the first version left it."""
    upgrade(empty, "0001")
    comment, *statements = (Path(__file__).parent / "stores" / "revision_0001.sql").read_text().splitlines()
    assert comment.startswith("--")
    with empty.write() as connection:
        for statement in statements:
            connection.exec_driver_sql(statement)
        if empty.dialect == "postgresql":
            connection.execute(text("SELECT setval('entry_numbers', (SELECT max(id) FROM entry))"))
    return empty


def test_a_store_of_the_first_version_is_what_its_journal_says(
    first: Database, empty_store_url: str, new_store: Callable[[], str]
) -> None:
    upgrade(first)
    assert differences(empty_store_url, new_store()) == []


def test_check_compares_what_was_packed_first_with_its_columns(
    first: Database, empty_store_url: str, new_store: Callable[[], str]
) -> None:
    """Of entries that were packed before there were marks for these columns."""
    upgrade(first)
    with first.write() as connection:
        for unlock in UNLOCK[first.dialect]:
            connection.execute(text(unlock))
        connection.execute(text("UPDATE entry SET operator = 'B9', scan_point = NULL WHERE id = 3"))
    (found,) = differences(empty_store_url, new_store())
    assert found.startswith("entry: kept (3, ")


def test_a_store_of_the_first_version_goes_on(first: Database, empty_store_url: str, tmp_path: Path) -> None:
    upgrade(first)
    with running(empty_store_url) as base_url, httpx2.Client(base_url=base_url) as client:
        station = Station(client)
        assert recorded(station.start(None))["unit"]["serial"] == "D0004", "three were issued, and one was given"
        pump = recorded(station.start(None, "PUMP"))["unit"]["serial"]
        assert (pump[:-1], mod_37_36.is_valid(pump)) == ("P0002", True)
        tree = station.tree(dryer("D0001"))
    assert [(child["position"], child["serial"] or child["lot"]) for child in tree["content"]] == [
        ("MOTOR", "M2"),
        ("PUMP", "P0001C"),
        ("SCREWS", "S101"),
    ]
    assert [run["verdict"] for run in tree["tests"]] == ["pass"]
    night = export_night(first, date(2026, 3, 2), tmp_path, lambda *_: None, now=LATER)
    issued = (night / "numbers_issued.csv").read_text().splitlines()
    assert [line.split(",")[2:] for line in issued] == [["part", "running"], *ISSUED]


def test_a_store_of_the_first_version_goes_there_and_back(first: Database) -> None:
    before = rows_of(first)
    upgrade(first)
    after = rows_of(first)
    downgrade(first, "0001")
    assert rows_of(first) == before
    upgrade(first)
    assert rows_of(first) == after


def test_a_journal_with_lists_of_cases_goes_there_and_back(
    database: Database, store_url: str, new_store: Callable[[], str]
) -> None:
    """Its texts are as they were when they are not packed, and packed again, whatever with."""
    with database.write() as connection:
        add_dictionary(connection, 128, b'"position":"MOTOR","quantity":1,"slot":1,"part":"DRYER"', 0)
    load(store_url)
    with running(store_url) as base_url, httpx2.Client(base_url=base_url) as client:
        station = Station(client)
        station.client.post("/v1/units", content="\u20ac{")
        recorded(station.start("D1"))
        recorded(station.marry("D1", "L-10", motor("M1")))
        frozen(station, items=[motor("M1")])
        entries = client.get("/v1/entries").json()
    before, rows = journal_of(database), books_of(database)
    with database.read() as connection:
        assert {packed[0] for packed in connection.scalars(select(entry.c.texts))} == {128}
    downgrade(database, "0003")
    with database.read() as connection:
        unpacked = connection.execute(text("SELECT kind, message, answer FROM entry ORDER BY id")).all()
    assert [(kind, json.loads(said), json.loads(answer)) for kind, said, answer in unpacked] == [
        (one["kind"], one["message"], one["answer"]) for one in entries["items"]
    ]
    assert {"case-list", "unreadable", "catalogue"} <= {kind for kind, *_ in unpacked}
    upgrade(database)
    assert (journal_of(database), books_of(database)) == (before, rows)
    assert differences(store_url, new_store()) == []


def journal_of(database: Database) -> list[Entry]:
    with database.read() as connection:
        return list(read_entries(connection))


def books_of(database: Database) -> dict[str, list[str]]:
    """All rows but the journal's."""
    return {name: rows for name, rows in rows_of(database).items() if name not in ("entry", "dictionary")}


def row() -> dict[str, object]:
    """An entry; its values mean nothing here."""
    return {
        "id": 1,
        "message_id": "M1",
        "kind": "marriage",
        "outcome": "recorded",
        "recorded_at": 0,
        "status": 200,
        "texts": b"",
    }


CHANGES_TO_THE_JOURNAL = {
    "postgresql": ("UPDATE entry SET kind = ''", "DELETE FROM entry", "TRUNCATE entry CASCADE"),
    "sqlite": (
        "UPDATE entry SET kind = ''",
        "DELETE FROM entry",
        "REPLACE INTO entry SELECT * FROM entry",
        "UPDATE OR IGNORE entry SET kind = ''",
    ),
}


def test_the_database_itself_refuses_to_change_the_journal(database: Database) -> None:
    with database.write() as connection:
        connection.execute(insert(entry), row())
        kept = connection.execute(select(entry)).all()
    for change in CHANGES_TO_THE_JOURNAL[database.dialect]:
        with pytest.raises(DBAPIError, match="append-only"), database.write() as connection:
            connection.exec_driver_sql(change)
    with database.read() as connection:
        assert connection.execute(select(entry)).all() == kept


def test_the_database_itself_refuses_to_change_a_dictionary(database: Database) -> None:
    with database.write() as connection:
        add_dictionary(connection, 128, b"dictionary", 0)
    for change in CHANGES_TO_THE_JOURNAL[database.dialect]:
        changed = change.replace("entry", "dictionary").replace("kind = ''", "content = '\\x00'")
        with pytest.raises(DBAPIError, match="append-only"), database.write() as connection:
            connection.exec_driver_sql(changed)
    with database.read() as connection:
        assert connection.scalars(select(dictionary.c.content)).all() == [b"dictionary"]


def test_a_store_at_the_right_revision_is_accepted(database: Database) -> None:
    require_current(database)
    assert current_revision(database) == head_revision()


def test_an_empty_store_is_to_be_migrated(empty: Database) -> None:
    wanted = re.escape(f"{empty} is empty, and this version of Partkin needs revision {head_revision()}")
    with pytest.raises(StoreAtAnotherRevision, match=f"{wanted}: run `partkin migrate`"):
        require_current(empty)


def test_a_store_of_a_later_version_is_left_alone(database: Database) -> None:
    with database.write() as connection:
        connection.execute(text("UPDATE alembic_version SET version_num = '9999'"))
    with pytest.raises(StoreAtAnotherRevision, match=r"is at revision 9999, .*: it was made by a later version"):
        require_current(database)


def test_the_service_does_not_start_on_a_store_at_another_revision(database: Database, store_url: str) -> None:
    with database.write() as connection:
        connection.execute(text("UPDATE alembic_version SET version_num = '9999'"))
    with pytest.raises(RuntimeError, match="is at revision 9999"), served(store_url):
        pass


def test_alembics_own_command_works_in_a_checkout_and_numbers_revisions(tmp_path: Path) -> None:
    shutil.copy(CHECKOUT / "pyproject.toml", tmp_path)
    shutil.copytree(CHECKOUT / "migrations", tmp_path / "migrations")
    url = f"sqlite:///{tmp_path / 'partkin.db'}"

    def alembic(*arguments: str) -> None:
        environment = {**os.environ, "PARTKIN_STORE": url}
        subprocess.run([sys.executable, "-m", "alembic", *arguments], cwd=tmp_path, env=environment, check=True)

    alembic("upgrade", "head")
    require_current(Database(url))
    alembic("revision", "-m", "Next change")
    following = f"{int(head_revision()) + 1:04}"
    assert (tmp_path / "migrations" / "versions" / f"{following}_next_change.py").is_file()
    alembic("upgrade", "head")
    assert current_revision(Database(url)) == following
