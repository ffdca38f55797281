"""Statements that are run over and over: made into text once, and run by the driver itself.

Recording runs some twenty of them for each batch, and a birth record three; to have SQLAlchemy look each up anew would
cost more than the database does. Here is what is read and written that way: rows as plain tuples, many at a time.
"""

from __future__ import annotations

import logging
from collections import namedtuple
from collections.abc import Callable, Iterable, Mapping, Sequence
from contextlib import closing
from dataclasses import dataclass
from functools import cache, partial
from typing import Any

from sqlalchemy import (
    ClauseElement,
    CompoundSelect,
    Connection,
    LargeBinary,
    Select,
    Table,
    Text,
    and_,
    bindparam,
    insert,
    select,
    update,
)
from sqlalchemy.dialects import sqlite
from sqlalchemy.dialects.postgresql import ARRAY, psycopg
from sqlalchemy.engine.interfaces import DBAPICursor
from sqlalchemy.sql.compiler import SQLCompiler
from sqlalchemy.sql.dml import UpdateBase
from sqlalchemy.types import TypeDecorator, TypeEngine

from partkin.store.database import statement_begins
from partkin.store.dialects import VALUES, Dialect, dialect_of, given_rows
from partkin.store.errors import as_raised_by_sqlalchemy

log = logging.getLogger(__name__)

Rows = Sequence[tuple[Any, ...]]
Answer = Callable[[], Iterable[tuple[Any, ...]]]

_DIALECTS = {"sqlite": sqlite.dialect(), "postgresql": psycopg.dialect()}  # type: ignore[no-untyped-call]


def _compiled(dialect: Dialect, statement: ClauseElement) -> SQLCompiler:
    made = statement.compile(dialect=_DIALECTS[dialect])
    assert isinstance(made, SQLCompiler)  # noqa: S101 - so are all but those that make tables
    return made


def _run(connection: Connection, text: str, parameters: Any, *, many: bool = False) -> DBAPICursor:
    """Raises as SQLAlchemy does; logged, as it logs its own, for those who want to see or count statements."""
    log.debug(text, extra={"parameters": parameters})
    statement_begins(connection)
    cursor = connection.connection.cursor()
    try:
        (cursor.executemany if many else cursor.execute)(text, parameters)
    except Exception as error:
        raise as_raised_by_sqlalchemy(connection, error, text) from error
    return cursor


# ------------------------------------------------------------------------------------------------------------
# Reading


class Query:
    """A query, and what its parameters and rows must be turned into."""

    def __init__(self, dialect: Dialect, query: Select[*tuple[Any, ...]] | CompoundSelect[*tuple[Any, ...]]) -> None:
        """The query has parameters for `since` and the like, and rows given as `among_values` or `given_rows` say."""
        made = _compiled(dialect, query)
        self._text, self._order = made.string, made.positiontup
        self._constants = {name: value for name, value in made.params.items() if not made.binds[name].required}
        kinds = ((name, one.type) for name, one in made.binds.items())
        self._arrays = [(name, _writer(kind.item_type)) for name, kind in kinds if isinstance(kind, ARRAY)]
        # PostgreSQL's driver gives what is wanted, but of the types that are our own.
        readers = [
            column.type.dialect_impl(made.dialect).result_processor(made.dialect, None)
            if dialect == "sqlite" or isinstance(column.type, TypeDecorator)
            else None
            for column in query.selected_columns
        ]
        self._readers = [(place, read) for place, read in enumerate(readers) if read is not None]
        found = namedtuple("Found", query.selected_columns.keys(), rename=True)  # type: ignore[misc]
        self._named: Callable[[Iterable[Any]], Any] = found._make

    def rows(self, connection: Connection, parameters: Mapping[str, Any]) -> Iterable[tuple[Any, ...]]:
        """What it finds; values are as `value_parameters` or `row_parameters` give them."""
        return self.ask(connection, parameters)()

    def named_rows(self, connection: Connection, parameters: Mapping[str, Any]) -> list[Any]:
        """As `rows`, each with its columns as attributes."""
        return list(map(self._named, self.rows(connection, parameters)))

    def ask(self, connection: Connection, parameters: Mapping[str, Any]) -> Answer:
        """As `rows`, to be read later: after the block, where several are asked `together`."""
        given = {**self._constants, **parameters}
        for name, write in self._arrays:
            given[name] = write(given[name])
        ordered = given if self._order is None else [given[name] for name in self._order]
        return partial(self._found, _run(connection, self._text, ordered))

    def _found(self, cursor: DBAPICursor) -> Iterable[tuple[Any, ...]]:
        with closing(cursor):
            found = cursor.fetchall()
        return map(self._read, found) if self._readers else found

    def _read(self, row: tuple[Any, ...]) -> tuple[Any, ...]:
        values = list(row)
        for place, read in self._readers:
            values[place] = read(values[place])
        return tuple(values)


# ------------------------------------------------------------------------------------------------------------
# Writing: one statement with an array for each column on PostgreSQL, one prepared for all rows on SQLite


def insert_rows(connection: Connection, table: Table, columns: tuple[str, ...], rows: Rows) -> None:
    """Add rows: the values of the columns, in their order."""
    _write(connection, _insertion(dialect_of(connection), table, columns), rows)


def update_rows(connection: Connection, table: Table, columns: tuple[str, ...], rows: Rows) -> None:
    """Change the rows that have the given primary keys; the columns hold these too."""
    _write(connection, _change(dialect_of(connection), table, columns), rows)


@dataclass(frozen=True, slots=True)
class _Statement:
    text: str
    order: tuple[int, ...]
    """On SQLite: which column each mark in the text is for."""
    arrays: tuple[tuple[str, Callable[[Iterable[Any]], str]], ...]
    """On PostgreSQL: the parameter of each column, and how its values are written."""


def _write(connection: Connection, statement: _Statement, rows: Rows) -> None:
    if not rows:
        return
    if statement.arrays:
        columns = zip(*rows, strict=True)
        given = {name: write(values) for (name, write), values in zip(statement.arrays, columns, strict=True)}
        _run(connection, statement.text, given).close()
    else:
        ordered = [tuple([row[place] for place in statement.order]) for row in rows]
        _run(connection, statement.text, ordered, many=True).close()


@cache
def _insertion(dialect: Dialect, table: Table, columns: tuple[str, ...]) -> _Statement:
    if dialect == "sqlite":
        return _one_by_one(insert(table).values({name: bindparam(name) for name in columns}), columns)
    rows = given_rows(dialect, "given", {name: table.c[name].type for name in columns})
    return _all_at_once(insert(table).from_select(columns, select(*rows.c)), table, columns)


@cache
def _change(dialect: Dialect, table: Table, columns: tuple[str, ...]) -> _Statement:
    keys = [column.name for column in table.primary_key.columns]
    changed = [name for name in columns if name not in keys]
    if dialect == "sqlite":
        same = and_(*(table.c[name] == bindparam(f"the_{name}") for name in keys))
        to = {name: bindparam(f"the_{name}", type_=table.c[name].type) for name in changed}
        return _one_by_one(update(table).where(same).values(to), tuple(f"the_{name}" for name in columns))
    rows = given_rows(dialect, "given", {name: table.c[name].type for name in columns})
    same = and_(*(table.c[name] == rows.c[name] for name in keys))
    return _all_at_once(update(table).where(same).values({name: rows.c[name] for name in changed}), table, columns)


def _one_by_one(statement: UpdateBase, names: tuple[str, ...]) -> _Statement:
    made = _compiled("sqlite", statement)
    return _Statement(made.string, tuple(names.index(name) for name in made.positiontup or ()), ())


def _all_at_once(statement: UpdateBase, table: Table, columns: tuple[str, ...]) -> _Statement:
    arrays = tuple((f"{VALUES}_{name}", _writer(table.c[name].type)) for name in columns)
    return _Statement(_compiled("postgresql", statement).string, (), arrays)


# ------------------------------------------------------------------------------------------------------------
# Arrays as PostgreSQL reads them: written in one go, which is several times quicker than value by value


def _writer(kind: TypeEngine[Any]) -> Callable[[Iterable[Any]], str]:
    if isinstance(kind, TypeDecorator):
        dialect = _DIALECTS["postgresql"]
        kept, write = kind.process_bind_param, _writer(kind.load_dialect_impl(dialect))
        return lambda values: write([kept(value, dialect) for value in values])
    if isinstance(kind, Text):
        return _texts
    return _bytes if isinstance(kind, LargeBinary) else _plain


def _plain(values: Iterable[Any]) -> str:
    """Numbers, truth values and dates."""
    return "{" + ",".join(["NULL" if value is None else str(value) for value in values]) + "}"


def _texts(values: Iterable[str | None]) -> str:
    return "{" + ",".join(["NULL" if value is None else _quoted(value) for value in values]) + "}"


def _quoted(value: str) -> str:
    return '"' + value.replace("\\", "\\\\").replace('"', '\\"') + '"'


def _bytes(values: Iterable[bytes | None]) -> str:
    return _texts(None if value is None else f"\\x{value.hex()}" for value in values)
