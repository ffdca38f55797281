"""What a statement says differently to SQLite and to PostgreSQL.

`given` and `among` hand many values to one statement, whose text is the same whatever their number: so SQLAlchemy and
both engines reuse what they have prepared.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from typing import Any, Final, Literal, TypeVar, cast

from sqlalchemy import (
    BindParameter,
    ColumnElement,
    CompoundSelect,
    Connection,
    FromClause,
    Select,
    Table,
    Text,
    bindparam,
    column,
    func,
    literal_column,
    null,
    select,
    type_coerce,
    union_all,
)
from sqlalchemy import cast as sql_cast
from sqlalchemy.dialects.postgresql import ARRAY
from sqlalchemy.ext.compiler import compiles
from sqlalchemy.sql.compiler import SQLCompiler
from sqlalchemy.sql.functions import ReturnTypeFromArgs
from sqlalchemy.types import TypeEngine

Dialect = Literal["sqlite", "postgresql"]
T = TypeVar("T")


def dialect_of(connection: Connection) -> Dialect:
    """The engine of a connection."""
    return cast(Dialect, connection.dialect.name)


class _Later(ReturnTypeFromArgs[T]):
    inherit_cache = True


class _Earlier(ReturnTypeFromArgs[T]):
    inherit_cache = True


def later(a: ColumnElement[T], b: ColumnElement[T]) -> ColumnElement[T]:
    """The greater of two, neither of them null."""
    return _Later(a, b)


def earlier(a: ColumnElement[T], b: ColumnElement[T]) -> ColumnElement[T]:
    """The lesser of two, neither of them null."""
    return _Earlier(a, b)


@compiles(_Later, "sqlite")
def _later_on_sqlite(element: _Later[Any], compiler: SQLCompiler, **kw: Any) -> str:
    return f"max{compiler.process(element.clause_expr, **kw)}"


@compiles(_Later, "postgresql")
def _later_on_postgresql(element: _Later[Any], compiler: SQLCompiler, **kw: Any) -> str:
    return f"greatest{compiler.process(element.clause_expr, **kw)}"


@compiles(_Earlier, "sqlite")
def _earlier_on_sqlite(element: _Earlier[Any], compiler: SQLCompiler, **kw: Any) -> str:
    return f"min{compiler.process(element.clause_expr, **kw)}"


@compiles(_Earlier, "postgresql")
def _earlier_on_postgresql(element: _Earlier[Any], compiler: SQLCompiler, **kw: Any) -> str:
    return f"least{compiler.process(element.clause_expr, **kw)}"


VALUES: Final = "given_values"
"""The parameter of a statement made with `among_values` or `given_rows`."""


def given(
    connection: Connection, name: str, columns: Mapping[str, tuple[TypeEngine[Any], Sequence[Any]]]
) -> FromClause:
    """Rows handed over with the statement, to join with: the type and the values of each column, by its name.

    Raises ValueError unless all columns have the same number of values.
    """
    if len({len(values) for _, values in columns.values()}) != 1:
        raise ValueError(f"the columns of {name} differ in length")
    if connection.dialect.name == "postgresql":
        arrays = [bindparam(None, values, ARRAY(kind), unique=True) for kind, values in columns.values()]
        return _unnested(name, {key: kind for key, (kind, _) in columns.items()}, arrays)
    stored = (_as_stored(connection, kind, values) for kind, values in columns.values())
    rows = bindparam(None, json.dumps(list(zip(*stored, strict=True))), Text(), unique=True)
    return _from_json(name, {key: kind for key, (kind, _) in columns.items()}, rows)


def among(connection: Connection, column: ColumnElement[T], values: Sequence[T]) -> ColumnElement[bool]:
    """The condition that a column has one of the values."""
    if connection.dialect.name == "postgresql":
        return column == func.any(bindparam(None, values, ARRAY(column.type), unique=True))
    stored = json.dumps(_as_stored(connection, column.type, values))
    return column.in_(select(_json_rows(bindparam(None, stored, Text(), unique=True)).c.value))


def given_rows(dialect: Dialect, name: str, columns: Mapping[str, TypeEngine[Any]]) -> FromClause:
    """As `given`, for a statement that is made once: its rows come with each execution, by `row_parameters`."""
    if dialect == "postgresql":
        return _unnested(
            name, columns, [bindparam(f"{VALUES}_{key}", type_=ARRAY(kind)) for key, kind in columns.items()]
        )
    return _from_json(name, columns, bindparam(VALUES, type_=Text()))


def row_parameters(connection: Connection, columns: Mapping[str, Sequence[Any]]) -> dict[str, Any]:
    """The parameters of a statement made with `given_rows`: numbers or text, a sequence a column."""
    if connection.dialect.name == "postgresql":
        return {f"{VALUES}_{key}": list(values) for key, values in columns.items()}
    return {VALUES: json.dumps(list(zip(*columns.values(), strict=True)))}


def among_values(dialect: Dialect, column: ColumnElement[Any]) -> ColumnElement[bool]:
    """As `among`, for a statement that is made once: its values come with each execution, by `value_parameters`."""
    if dialect == "postgresql":
        return column == func.any(bindparam(VALUES, type_=ARRAY(column.type)))
    return column.in_(select(_json_rows(bindparam(VALUES, type_=Text())).c.value))


def value_parameters(connection: Connection, values: Sequence[Any]) -> dict[str, Any]:
    """The parameters of a statement made with `among_values`: numbers or text."""
    return {VALUES: list(values) if connection.dialect.name == "postgresql" else json.dumps(values)}


def stacked(kinds: Mapping[str, Select[*tuple[Any, ...]]]) -> CompoundSelect[*tuple[Any, ...]]:
    """One statement for rows of several kinds, each with its kind as `what`; columns that a kind lacks are null.

    Columns of the same name are of the same type.
    """
    types = {key: column.type for kind in kinds.values() for key, column in kind.selected_columns.items()}
    return union_all(*(_of_kind(what, kind, types) for what, kind in kinds.items()))


def _of_kind(
    what: str, kind: Select[*tuple[Any, ...]], types: Mapping[str, TypeEngine[Any]]
) -> Select[*tuple[Any, ...]]:
    has = dict(kind.selected_columns.items())
    columns = (has[key] if key in has else sql_cast(null(), of_type).label(key) for key, of_type in types.items())
    return kind.with_only_columns(literal_column(f"'{what}'", Text).label("what"), *columns)


def _unnested(name: str, columns: Mapping[str, TypeEngine[Any]], arrays: Sequence[BindParameter[Any]]) -> FromClause:
    table = func.unnest(*arrays).table_valued(*(column(key, kind) for key, kind in columns.items()))
    return table.render_derived(name)


def _from_json(name: str, columns: Mapping[str, TypeEngine[Any]], rows: BindParameter[Any]) -> FromClause:
    each = _json_rows(rows)
    return select(
        *(
            type_coerce(func.json_extract(each.c.value, literal_column(f"'$[{place}]'")), kind).label(key)
            for place, (key, kind) in enumerate(columns.items())
        )
    ).subquery(name)


def _json_rows(rows: BindParameter[Any]) -> FromClause:
    return func.json_each(rows).table_valued("value")


def _as_stored(connection: Connection, kind: TypeEngine[Any], values: Sequence[Any]) -> Sequence[Any]:
    process = kind.dialect_impl(connection.dialect).bind_processor(connection.dialect)
    return values if process is None else [process(value) for value in values]


def for_update(dialect: Dialect, statement: Select[*tuple[Any, ...]], table: Table) -> Select[*tuple[Any, ...]]:
    """The statement, locking the rows that it finds in the table until the transaction ends.

    Others may still refer to them. On SQLite the write transaction itself is the lock.
    """
    if dialect == "postgresql":
        return statement.with_for_update(of=table, key_share=True)
    return statement
