"""A fresh store for the demo, in place of an earlier demo's, never of anything else."""

from __future__ import annotations

import time
from pathlib import Path

from sqlalchemy import inspect, make_url
from sqlalchemy.exc import DatabaseError

from partkin.actions.load_catalogue import load_catalogue
from partkin.command_line.asking import BadInput, database_of
from partkin.questions.entries import list_entries
from partkin.rules.catalogue import Catalogue
from partkin.store.database import Database
from partkin.store.migrate import upgrade
from partkin.store.tables import metadata

DEMO_BADGE = "PARTKIN-DEMO"
"""Who loads a demo's catalogue: the first entry of the journal says so, and by that its store is known again."""


def fresh_store(url: str, catalogue: Catalogue) -> Database:
    """A migrated store at a URL that holds the catalogue and nothing else.

    Raises BadInput where something is there that no demo made.
    """
    database = database_of(url)
    if _is_in_use(database, url):
        if not _is_of_a_demo(database):
            database.close()
            raise BadInput(
                f"{database} holds something that no demo made, and is left alone: name another store with --store, "
                "such as sqlite:///another-demo.db"
            )
        _empty(database, url)
    upgrade(database)
    load_catalogue(database, catalogue, operator=DEMO_BADGE, now=time.time_ns() // 1000)
    return database


def _is_in_use(database: Database, url: str) -> bool:
    if database.dialect == "sqlite" and not _file(url).exists():
        return False
    try:
        with database.read() as connection:
            return bool(inspect(connection).get_table_names())
    except DatabaseError:
        if database.dialect == "sqlite":
            return True  # a file of another kind
        raise


def _is_of_a_demo(database: Database) -> bool:
    try:
        first = list_entries(database, after=0, limit=1)
    except DatabaseError:
        return False
    return bool(first) and (first[0].kind, first[0].operator) == ("catalogue", DEMO_BADGE)


def _empty(database: Database, url: str) -> None:
    if database.dialect == "postgresql":
        _drop_tables(database)
        return
    database.close()
    for suffix in ("", "-wal", "-shm"):
        Path(f"{_file(url)}{suffix}").unlink(missing_ok=True)


def _drop_tables(database: Database) -> None:
    """Drop the tables of a demo, also of an earlier version's. What is in them would not go back through migrations."""
    upgrade(database)
    with database.migration() as connection:
        metadata.drop_all(connection)
        connection.exec_driver_sql("DROP TABLE alembic_version")


def _file(url: str) -> Path:
    return Path(make_url(url).database or "")
