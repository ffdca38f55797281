"""The books, rebuilt from the journal into an empty store and compared with what is kept."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import closing
from dataclasses import astuple, dataclass, fields, replace
from itertools import islice
from typing import Any

from sqlalchemy import Connection, Table, and_, select

from partkin.rules.facts import FACTS_PER_ENTRY, ItemKey
from partkin.rules.facts_json import item_of_json
from partkin.rules.moments import moment_of_text
from partkin.store import tables
from partkin.store.books.rebuilding import CHUNK, rebuild
from partkin.store.books.writing import BOOKS
from partkin.store.column_types import Code
from partkin.store.database import Database
from partkin.store.dialects import given
from partkin.store.journal.entries import Entry, count_entries, read_entries


def check_books(kept: Database, empty: Database, progress: Callable[[int, int], None]) -> Iterator[Difference]:
    """Every difference between a store's books and what its journal gives, a table at a time, in the order of the keys.

    Last come entries that are filed otherwise than their message and answer say: questions find them by these columns.
    The facts of the journal are applied, in order, to an empty store. Journal and books are read in one transaction, so
    stations may go on posting. `progress` is told how many entries were read, and of how many. Raises BrokenEntry.
    """
    with kept.read() as reader:
        total = count_entries(reader)
        with closing(read_entries(reader)) as entries:
            rebuild(entries, empty, lambda done: progress(done, total))
        with empty.read() as rebuilt:
            for table in (*CATALOGUE_TABLES, *BOOKS.values()):
                yield from _differences(table, _rows(reader, table), _rows(rebuilt, table))
            yield from _misfiled(reader, rebuilt)


@dataclass(frozen=True, slots=True)
class Difference:
    """A row of the books that the journal does not give, or gives otherwise."""

    table: str
    kept: tuple[Any, ...] | None
    rebuilt: tuple[Any, ...] | None

    def __str__(self) -> str:
        return f"{self.table}: kept {self.kept}, by the journal {self.rebuilt}"

    @property
    def columns(self) -> Mapping[str, bool]:
        """The names of what the rows hold, in order, and whether it is part of the key."""
        if self.table == tables.entry.name:
            return {field.name: field.name == "id" for field in fields(Entry)}
        return {column.name: column.primary_key for column in tables.metadata.tables[self.table].columns}

    @property
    def entry(self) -> int | None:
        """The entry that made the row, where its number says so."""
        row = self.kept or self.rebuilt
        if row and self.table == tables.entry.name:
            return int(row[0])
        return row[0] // FACTS_PER_ENTRY if row and isinstance(row[0], int) else None


CATALOGUE_TABLES: tuple[Table, ...] = (
    tables.catalogue,
    tables.supplier,
    tables.consignee,
    tables.numbering,
    tables.part,
    tables.marking,
    tables.scan_point,
    tables.position,
    tables.alternate,
    tables.route_step,
    tables.test_plan,
    tables.characteristic,
    tables.instrument,
)


def _rows(connection: Connection, table: Table) -> Iterator[tuple[Any, ...]]:
    query = select(table).order_by(*table.primary_key.columns)
    return (tuple(row) for row in connection.execution_options(yield_per=1000).execute(query))


def _differences(
    table: Table, kept: Iterator[tuple[Any, ...]], rebuilt: Iterator[tuple[Any, ...]]
) -> Iterator[Difference]:
    """Both are sorted by their keys: a row whose key only one has does not put the others out of step."""
    key = [list(table.columns).index(column) for column in table.primary_key.columns]
    left, right = next(kept, None), next(rebuilt, None)
    while left is not None or right is not None:
        left_key = None if left is None else [left[place] for place in key]
        right_key = None if right is None else [right[place] for place in key]
        if right_key is None or (left_key is not None and left_key < right_key):
            yield Difference(table.name, left, None)
            left = next(kept, None)
        elif left_key is None or right_key < left_key:
            yield Difference(table.name, None, right)
            right = next(rebuilt, None)
        else:
            if left != right:
                yield Difference(table.name, left, right)
            left, right = next(kept, None), next(rebuilt, None)


def _misfiled(reader: Connection, rebuilt: Connection) -> Iterator[Difference]:
    entries = read_entries(reader)
    while chunk := list(islice(entries, CHUNK)):
        worked_on = {entry.id: item_of_json(unit) for entry in chunk if (unit := json.loads(entry.answer).get("unit"))}
        numbers = _numbers(rebuilt, worked_on.values())
        for entry in chunk:
            item = worked_on.get(entry.id)
            said = replace(entry, **_said(entry), item_id=None if item is None else numbers.get(item))
            if said != entry:
                yield Difference(tables.entry.name, astuple(entry), astuple(said))


def _said(entry: Entry) -> dict[str, Any]:
    message = json.loads(entry.message)
    at = message.get("occurred_at")
    return {
        "scan_point": message.get("scan_point"),
        "operator": message.get("operator"),
        "occurred_at": None if at is None else moment_of_text(at),
        "because": message.get("because") if entry.message_id is None else None,
    }


def _numbers(connection: Connection, items: Iterable[ItemKey]) -> Mapping[ItemKey, int]:
    named = sorted(set(items))
    columns = {name: (Code, [getattr(key, name) for key in named]) for name in ItemKey._fields}
    keys, t = given(connection, "keys", columns), tables.item.c
    same = and_(*(keys.c[name] == t[name] for name in ItemKey._fields))
    rows = connection.execute(select(t.part, t.kind, t.code, t.id).join_from(keys, tables.item, same))
    return {ItemKey(*key): number for *key, number in rows}
