"""Filling: rows go into a store in bulk, without triggers, foreign keys and most indexes, which are there again after.

A run that is broken off leaves a store without them: throw it away.
"""

from __future__ import annotations

import sqlite3
from abc import ABC, abstractmethod
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import astuple
from typing import Any, cast

import psycopg
from sqlalchemy import make_url

from api_tests.benchmarks.plants.forms import HEAD, Blank, EntryForm, RowForm, Values, filler
from api_tests.benchmarks.plants.journal import TEXTS, Packing, kept_id, texts_of
from partkin.rules.rows import Row
from partkin.store import tables
from partkin.store.books.writing import BOOKS
from partkin.store.dialects import Dialect
from partkin.store.journal.entries import Entry

Make = Callable[[Values], Any]
Places = Mapping[Blank, int]
Progress = Callable[[int, int], None]

FILLED = (tables.entry, *BOOKS.values())
_COLUMNS = {table.name: [column.name for column in table.columns] for table in FILLED}
_COLUMNS["entry"] = ["id", "message_id", *HEAD, *TEXTS]
_LARGEST = ("entry", "marriage", "visit", "item")
"""Tables whose indexes are made first."""

_AT_ONCE = 1 << 24
"""Characters of rows that are handed to PostgreSQL at a time."""

_TOGETHER = 500
"""Rows in one piece of a COPY."""

_WAITING = 2
"""So many times that may wait for PostgreSQL."""


class Filling(ABC):
    """A store that is being filled. Rows are what `row_maker` and `row` made.

    Entries are what `entry_maker` and `entry` made: the beginning of a row, and the texts that end it, once packed.
    """

    dialect: Dialect
    packing: Packing

    @abstractmethod
    def row_maker(self, form: RowForm, places: Places) -> Make:
        """What makes rows of the values of blanks."""

    @abstractmethod
    def entry_maker(self, form: EntryForm, places: Places) -> Make:
        """What makes entries of the values of blanks."""

    @abstractmethod
    def row(self, values: Sequence[Any]) -> Any:
        """A row of its values."""

    @abstractmethod
    def beginning(self, values: Sequence[Any]) -> Any:
        """The beginning of a row of an entry."""

    @abstractmethod
    def whole(self, beginning: Any, texts: Sequence[str | bytes]) -> Any:
        """A row of an entry."""

    @abstractmethod
    def write(self, table: str, rows: list[Any]) -> None:
        """Write rows."""

    @abstractmethod
    def write_entries(self, entries: list[Any]) -> None:
        """Write entries."""

    @abstractmethod
    def finish(self, last_entry: int, progress: Progress) -> None:
        """Commit, and make indexes and triggers again; `progress` is told how many were made, and of how many."""

    def entry(self, entry: Entry) -> Any:
        """An entry, to be written."""
        head = (getattr(entry, name) for name in HEAD)
        return self.beginning([entry.id, kept_id(entry.message_id, self.dialect), *head]), texts_of(entry)

    def rows_of(self, entries: Sequence[Any]) -> list[Any]:
        """The rows of entries."""
        kept = self.packing.packed([text for _, texts in entries for text in texts])
        width = len(TEXTS)
        return [
            self.whole(beginning, kept[place * width : (place + 1) * width])
            for place, (beginning, _) in enumerate(entries)
        ]

    def add(self, rows: Sequence[Row]) -> None:
        """Write rows of the books."""
        by_table: dict[str, list[Any]] = {}
        for row in rows:
            by_table.setdefault(BOOKS[type(row)].name, []).append(self.row(astuple(row)))
        for table, of_table in by_table.items():
            self.write(table, of_table)


def filling(url: str, packing: Packing) -> Filling:
    """Begin to fill a store that is migrated and has no entries. Raises ValueError where it has some."""
    address = make_url(url)
    if address.get_backend_name() == "sqlite":
        return FillingSQLite(str(address.database), packing)
    return FillingPostgreSQL(address.set(drivername="postgresql").render_as_string(hide_password=False), packing)


# ----------------------------------------------------------------------------------------------------------------------


class FillingSQLite(Filling):
    """One transaction without a rollback journal."""

    dialect = "sqlite"

    def __init__(self, file: str, packing: Packing) -> None:
        self.packing = packing
        self._connection = sqlite3.connect(file, isolation_level=None)
        for pragma in ("journal_mode = OFF", "synchronous = OFF", "cache_size = -1000000", "locking_mode = EXCLUSIVE"):
            self._connection.execute(f"PRAGMA {pragma}").fetchall()
        _require_empty(self._connection.execute("SELECT 1 FROM entry LIMIT 1").fetchone())
        kept = "SELECT type, name, sql FROM sqlite_master WHERE type IN ('index', 'trigger') AND sql IS NOT NULL"
        filled = ", ".join(f"'{name}'" for name in _COLUMNS)
        self._again = self._connection.execute(f"{kept} AND tbl_name IN ({filled})").fetchall()
        self._connection.execute("BEGIN")
        for kind, name, _ in self._again:
            self._connection.execute(f"DROP {kind} {name}")

    def row_maker(self, form: RowForm, places: Places) -> Make:
        return filler(form.columns, places)

    def entry_maker(self, form: EntryForm, places: Places) -> Make:
        key, head = filler(form.key, places), filler(form.head, places)
        texts = [(text.text, filler(text.blanks, places)) for text in form.texts]

        def make(values: Values) -> Any:
            number, identity = key(values)
            beginning = (number, kept_id(identity, "sqlite"), *head(values))
            return beginning, [text % fill(values) for text, fill in texts]

        return make

    def beginning(self, values: Sequence[Any]) -> Any:
        return values

    def whole(self, beginning: Any, texts: Sequence[str | bytes]) -> Any:
        return (*beginning, *texts)

    def row(self, values: Sequence[Any]) -> Any:
        return tuple(value.isoformat() if hasattr(value, "isoformat") else value for value in values)

    def write(self, table: str, rows: list[Any]) -> None:
        columns = _COLUMNS[table]
        insert = f"INSERT INTO {table} ({', '.join(columns)}) VALUES ({', '.join('?' * len(columns))})"
        self._connection.executemany(insert, rows)

    def write_entries(self, entries: list[Any]) -> None:
        self.write("entry", self.rows_of(entries))

    def finish(self, last_entry: int, progress: Progress) -> None:  # noqa: ARG002 - SQLite counts on from the last one
        for done, (_, _, definition) in enumerate(self._again, start=1):
            self._connection.execute(definition)
            progress(done, len(self._again))
        self._connection.execute("COMMIT")
        self._connection.execute("PRAGMA locking_mode = NORMAL").fetchall()
        self._connection.execute("PRAGMA journal_mode = WAL").fetchall()
        self._connection.close()


# ----------------------------------------------------------------------------------------------------------------------

_CONSTRAINTS = """
    SELECT conname, conrelid::regclass::text, pg_get_constraintdef(oid)
    FROM pg_constraint WHERE contype = 'u' AND conrelid = ANY(%s::regclass[])
"""
_INDEXES = """
    SELECT indexrelid::regclass::text, indrelid::regclass::text, pg_get_indexdef(indexrelid)
    FROM pg_index WHERE indrelid = ANY(%s::regclass[])
    AND NOT EXISTS (SELECT 1 FROM pg_constraint WHERE conindid = indexrelid)
"""


class FillingPostgreSQL(Filling):
    """One COPY after another in a transaction that began with emptying the tables: its rows are frozen at once.

    With wal_level = minimal they are not logged. Only a superuser may do so.
    """

    dialect = "postgresql"

    def __init__(self, url: str, packing: Packing) -> None:
        self._url, self.packing = url, packing
        self._connection = psycopg.connect(url)
        _require_empty(self._connection.execute("SELECT 1 FROM entry LIMIT 1").fetchone())
        names = list(_COLUMNS)
        self._constraints = self._connection.execute(_CONSTRAINTS, [names]).fetchall()
        indexes = self._connection.execute(_INDEXES, [names]).fetchall()
        self._indexes = [(table, definition) for _, table, definition in indexes]
        self._run("SET session_replication_role = replica")
        for name, table, _ in self._constraints:
            self._run(f"ALTER TABLE {table} DROP CONSTRAINT {name}")
        for name, _, _ in indexes:
            self._run(f"DROP INDEX {name}")
        self._run(f"TRUNCATE {', '.join(names)}")
        self._waiting: dict[str, list[Any]] = {name: [] for name in names}
        self._sizes = dict.fromkeys(names, 0)
        self._copying = ThreadPoolExecutor(1)
        self._copied: deque[Future[None]] = deque()

    def row_maker(self, form: RowForm, places: Places) -> Make:
        written = "\t".join(_written(blank) for blank in form.columns) + "\n"
        blanks = filler(tuple(blank for blank in form.columns if blank.group != "constant"), places)
        return lambda values: written % blanks(values)

    def entry_maker(self, form: EntryForm, places: Places) -> Make:
        key, head = filler(form.key, places), self.row_maker(RowForm(form.place, form.head), places)
        texts = [(text.text, filler(text.blanks, places)) for text in form.texts]

        def make(values: Values) -> Any:
            number, identity = key(values)
            beginning = f"{number}\t{_field(kept_id(identity, 'postgresql'))}\t{head(values)[:-1]}"
            return beginning, [text % fill(values) for text, fill in texts]

        return make

    def beginning(self, values: Sequence[Any]) -> Any:
        return "\t".join(map(_field, values))

    def whole(self, beginning: Any, texts: Sequence[str | bytes]) -> Any:
        return "\t".join([beginning, *map(_field, texts)]) + "\n"

    def row(self, values: Sequence[Any]) -> Any:
        return "\t".join(map(_field, values)) + "\n"

    def write(self, table: str, rows: list[Any]) -> None:
        self._gather(table, rows, sum(map(len, rows)))

    def write_entries(self, entries: list[Any]) -> None:
        self._gather("entry", entries, sum(len(text) for _, texts in entries for text in texts))

    def _gather(self, table: str, rows: list[Any], characters: int) -> None:
        self._waiting[table] += rows
        self._sizes[table] += characters
        if self._sizes[table] > _AT_ONCE:
            self._hand_over(table)

    def _hand_over(self, table: str) -> None:
        while len(self._copied) >= _WAITING:
            self._copied.popleft().result()
        self._copied.append(self._copying.submit(self._copy, table, self._waiting[table]))
        self._waiting[table], self._sizes[table] = [], 0

    def _copy(self, table: str, rows: list[Any]) -> None:
        """In a thread of its own; there entries are packed too, meanwhile others are made."""
        statement = f"COPY {table} ({', '.join(_COLUMNS[table])}) FROM STDIN (FREEZE)"
        with self._connection.cursor().copy(statement) as copy:
            for start in range(0, len(rows), _TOGETHER):
                some = rows[start : start + _TOGETHER]
                copy.write("".join(self.rows_of(some) if table == "entry" else some))

    def finish(self, last_entry: int, progress: Progress) -> None:
        for table in self._waiting:
            self._hand_over(table)
        for copied in self._copied:
            copied.result()
        self._copying.shutdown()
        self._connection.execute("SELECT setval('entry_numbers', %s)", [last_entry])
        self._connection.commit()
        self._connection.close()
        statements = self._statements()
        with ThreadPoolExecutor(2) as threads:
            for done, _ in enumerate(threads.map(self._make, statements), start=1):
                progress(done, len(statements))
        self._make("ANALYZE")

    def _statements(self) -> list[str]:
        """What makes indexes and constraints again, those of the largest tables first."""
        made = list(self._indexes)
        made += [(table, f"ALTER TABLE {table} ADD CONSTRAINT {name} {how}") for name, table, how in self._constraints]
        rank = {table: place for place, table in enumerate(_LARGEST)}
        return [statement for table, statement in sorted(made, key=lambda one: rank.get(one[0], len(rank)))]

    def _make(self, statement: str) -> None:
        with psycopg.connect(self._url, autocommit=True) as connection:
            connection.execute("SET maintenance_work_mem = '1GB'")
            connection.execute(statement)

    def _run(self, statement: str) -> None:
        self._connection.execute(statement)


def _field(value: Any) -> str:
    """A value in a row of COPY's text format."""
    if value is None:
        return "\\N"
    if isinstance(value, bytes):
        return f"\\\\x{value.hex()}"
    return str(value).replace("\\", "\\\\")


def _written(blank: Blank) -> str:
    """A column in the text of a row: what is the same in all, or where a value goes."""
    if blank.group != "constant":
        return "%s"
    _, value = cast("tuple[type, Any]", blank.key)
    return _field(value).replace("%", "%%")


def _require_empty(found: object) -> None:
    if found is not None:
        raise ValueError("the store has entries already: make the plant in a fresh one")
