"""The catalogue in the store: one table a kind of row, lists of codes as text with blanks between."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from functools import cache
from typing import Any

from sqlalchemy import Connection, and_, delete, insert, select, update

from partkin.rules.catalogue import Catalogue, CatalogueRow
from partkin.rules.catalogue.changes import CatalogueChanges
from partkin.rules.catalogue.tables import CODES, KINDS, Kind, catalogue_of, kind_of
from partkin.store.dialects import Dialect, dialect_of, for_update
from partkin.store.statements import Query
from partkin.store.tables import catalogue, metadata


def read_revision(connection: Connection) -> int:
    """The entry that last changed the catalogue; 0 for none."""
    return ask_revision(connection)()


def ask_revision(connection: Connection) -> Callable[[], int]:
    """As `read_revision`, to be read later."""
    answer = _revision(dialect_of(connection)).ask(connection, {})
    return lambda: next((revision for (revision,) in answer()), 0)


@cache
def _revision(dialect: Dialect) -> Query:
    return Query(dialect, select(catalogue.c.revision))


def lock_catalogue(connection: Connection) -> None:
    """Keep others from changing the catalogue until this transaction ends."""
    if connection.execute(for_update(dialect_of(connection), select(catalogue), catalogue)).first() is None:
        connection.execute(insert(catalogue).values(id=1, revision=0))


def read_catalogue(connection: Connection) -> Catalogue:
    """The whole catalogue."""
    rows = [row for kind in KINDS.values() for row in _read(connection, kind)]
    return catalogue_of(rows, read_revision(connection))


def apply_changes(connection: Connection, changes: CatalogueChanges, *, revision: int) -> None:
    """Write the rows that differ, and the entry that journals them."""
    if connection.execute(update(catalogue).values(revision=revision)).rowcount == 0:
        connection.execute(insert(catalogue).values(id=1, revision=revision))
    for kind in KINDS.values():
        added = [_columns(row) for row in _of_kind(changes.added, kind)]
        if added:
            connection.execute(insert(_table(kind)), added)
        for row in _of_kind((change.new for change in changes.changed), kind):
            connection.execute(update(_table(kind)).where(_same_key(kind, row)).values(_columns(row)))
    # Last, when no changed row names what goes any more; and what names others before those.
    for kind in reversed(list(KINDS.values())):
        for row in _of_kind(changes.removed, kind):
            connection.execute(delete(_table(kind)).where(_same_key(kind, row)))


def _table(kind: Kind) -> Any:
    return metadata.tables[kind.name]


def _of_kind(rows: Iterable[CatalogueRow], kind: Kind) -> list[CatalogueRow]:
    return [row for row in rows if kind_of(row) is kind]


def _read(connection: Connection, kind: Kind) -> Iterable[CatalogueRow]:
    for row in connection.execute(select(_table(kind))).mappings():
        yield kind.row(**{name: _value(kind, name, row[name]) for name in kind.columns})


def _value(kind: Kind, name: str, stored: Any) -> Any:
    return tuple(stored.split()) if kind.columns[name].form is CODES else stored


def _columns(row: CatalogueRow) -> Mapping[str, Any]:
    values = {name: getattr(row, name) for name in kind_of(row).columns}
    return {name: " ".join(value) if isinstance(value, tuple) else value for name, value in values.items()}


def _same_key(kind: Kind, row: CatalogueRow) -> Any:
    table = _table(kind)
    return and_(*(table.c[name] == getattr(row, name) for name in kind.key))
