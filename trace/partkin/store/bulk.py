"""Many rows at a time: one statement with an array for each column on PostgreSQL, one prepared for all on SQLite."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any

from sqlalchemy import Connection, LargeBinary, Table, Text, and_, bindparam, insert, select, update
from sqlalchemy.sql.dml import UpdateBase
from sqlalchemy.types import TypeEngine

from partkin.store.database import VALUES, Dialect, compiled, dialect_of, given_rows

Rows = Sequence[tuple[Any, ...]]


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
        connection.exec_driver_sql(statement.text, given)
    else:
        connection.exec_driver_sql(statement.text, [tuple(row[place] for place in statement.order) for row in rows])


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
    made = compiled("sqlite", statement)
    return _Statement(made.string, tuple(names.index(name) for name in made.positiontup or ()), ())


def _all_at_once(statement: UpdateBase, table: Table, columns: tuple[str, ...]) -> _Statement:
    arrays = tuple((f"{VALUES}_{name}", _writer(table.c[name].type)) for name in columns)
    return _Statement(compiled("postgresql", statement).string, (), arrays)


# An array as PostgreSQL reads it: written in one go, which is several times quicker than value by value.


def _writer(kind: TypeEngine[Any]) -> Callable[[Iterable[Any]], str]:
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
