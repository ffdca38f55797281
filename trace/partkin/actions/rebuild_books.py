"""The books, rebuilt from the journal into an empty store and compared with what is kept."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from itertools import islice
from typing import Any

from sqlalchemy import Connection, Table, select

from partkin.rules.catalogue.changes import changes_of_json
from partkin.rules.facts import (
    FACTS_PER_ENTRY,
    Fact,
    Held,
    ItemKey,
    ItemKnown,
    Loaded,
    LotDated,
    LotNamed,
    MadeStale,
    MarriageEnded,
    Married,
    NumberIssued,
    Received,
    Redrawn,
    Released,
    Removed,
    StateChanged,
    Tested,
    UseKnown,
    Visited,
    fact_of_json,
)
from partkin.rules.moments import Moment
from partkin.rules.reading import Wanted
from partkin.store import tables
from partkin.store.books import BOOKS, write_changes
from partkin.store.catalogue import apply_changes, read_catalogue
from partkin.store.database import Database
from partkin.store.journal import Entry, count_entries, read_entries
from partkin.store.known import fetch_known

CHUNK = 500
"""Entries applied in one transaction."""


def check_books(kept: Database, empty: Database, progress: Callable[[int, int], None]) -> Iterator[Difference]:
    """Every difference between a store's books and what its journal gives, a table at a time, in the order of the keys.

    The facts of the journal are applied, in order, to an empty store. Journal and books are read in one transaction, so
    stations may go on posting. `progress` is told how many entries were read, and of how many.
    """
    with kept.read() as reader:
        _rebuild(reader, empty, progress)
        with empty.read() as rebuilt:
            for table in (*CATALOGUE_TABLES, *BOOKS.values()):
                yield from _differences(table, _rows(reader, table), _rows(rebuilt, table))


def _rebuild(reader: Connection, target: Database, progress: Callable[[int, int], None]) -> None:
    total = count_entries(reader)
    done = 0
    entries = read_entries(reader)
    while chunk := list(islice(entries, CHUNK)):
        _apply(target, chunk)
        done += len(chunk)
        progress(done, total)


def _apply(target: Database, chunk: list[Entry]) -> None:
    with target.write() as connection:
        facts: list[Fact] = []
        for entry in chunk:
            if entry.outcome != "recorded":
                continue
            answer = json.loads(entry.answer)
            if entry.kind == "catalogue":
                _apply_facts(connection, facts)
                facts = []
                apply_changes(connection, changes_of_json(answer["changes"]), revision=entry.id)
            else:
                facts += map(fact_of_json, answer["facts"])
        _apply_facts(connection, facts)


def _apply_facts(connection: Connection, facts: list[Fact]) -> None:
    if not facts:
        return
    wanted = Wanted(since=min(_moments(facts), default=0))
    for fact in facts:
        _want(wanted, fact)
    known = fetch_known(connection, wanted, read_catalogue(connection))
    for fact in facts:
        known.apply(fact)
    write_changes(connection, known.changes)


def _moments(facts: Iterable[Fact]) -> Iterator[Moment]:
    for fact in facts:
        match fact:
            case Married() | Redrawn():
                yield fact.started
            case Loaded() | Removed():
                yield fact.at


def _want(wanted: Wanted, fact: Fact) -> None:  # noqa: C901 - one case a kind of fact
    """What a fact looks at when it is applied."""
    match fact:
        case ItemKnown(item=key, of_lot=of_lot) | LotNamed(item=key, of_lot=of_lot):
            wanted.items.add(key)
            if of_lot is not None:
                wanted.items.add(ItemKey(key.part, "lot", of_lot))
        case LotDated() | StateChanged() | Visited() | Tested() | MadeStale() | Held():
            wanted.items.add(fact.item)
        case NumberIssued(part=part):
            wanted.numbered[part] = 0
        case Married(parent=parent, child=child, drawn_at=use):
            wanted.items.update({parent} | ({child} if child is not None else set()))
            if use is not None:
                wanted.scan_points.add(use.scan_point)
        case MarriageEnded(marriage=number):
            wanted.marriages.add(number)
        case Removed(parent=parent, child=child):
            wanted.items.update({parent, child})
        case UseKnown(use=use):
            wanted.scan_points.add(use.scan_point)
        case Loaded(use=use, lot=lot) | Redrawn(use=use, lot=lot):
            wanted.scan_points.add(use.scan_point)
            if lot is not None:
                wanted.items.add(lot)
            if isinstance(fact, Redrawn):
                wanted.loads.add(use.scan_point)
        case Received(part=part, lot=lot, serials=serials):
            wanted.items.update(ItemKey(part, "serial", serial) for serial in serials)
            if lot is not None:
                wanted.items.add(lot)
        case Released(hold=hold):
            wanted.holds.add(hold)


@dataclass(frozen=True, slots=True)
class Difference:
    """A row of the books that the journal does not give, or gives otherwise."""

    table: str
    kept: tuple[Any, ...] | None
    rebuilt: tuple[Any, ...] | None

    def __str__(self) -> str:
        return f"{self.table}: kept {self.kept}, by the journal {self.rebuilt}"

    @property
    def entry(self) -> int | None:
        """The entry that made the row, where its number says so."""
        row = self.kept or self.rebuilt
        return row[0] // FACTS_PER_ENTRY if row and isinstance(row[0], int) else None


CATALOGUE_TABLES: tuple[Table, ...] = (
    tables.catalogue,
    tables.supplier,
    tables.part,
    tables.scan_point,
    tables.position,
    tables.alternate,
    tables.route_step,
    tables.test_plan,
    tables.characteristic,
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
