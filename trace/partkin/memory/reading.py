"""The genealogy, read from the store: all of it, or what was added and changed since it was."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import Any, Final, NamedTuple, get_args

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import ColumnElement, Connection, FromClause, Table, case, func, literal, not_, select

from partkin.memory.arrays import KEYS, NO_DAY, Changes, Genealogy, Items, Layer, Rows, joined, sorted_by, taken
from partkin.rules.facts import FACTS_PER_ENTRY, ItemState
from partkin.store.books.changed_rows import changed_since
from partkin.store.books.columns import read_columns
from partkin.store.column_types import BigId
from partkin.store.dialects import among
from partkin.store.journal.entries import LAST
from partkin.store.tables import consignee, item, marriage, part, shipment, shipment_line

STATES: Final[tuple[ItemState, ...]] = get_args(ItemState)

_DAY: Final = 86_400_000_000


class Overtaken(Exception):
    """What is held cannot be brought up to date: the catalogue now says otherwise which parts are sold."""


class Span(NamedTuple):
    """Entries one after another."""

    first: int
    last: int


def read_layers(connection: Connection, spans: Sequence[Span]) -> Iterator[Layer]:
    """All of it, a layer for each of some spans of entries; none of these entries can be added any more.

    Each layer says how its rows are now, so that none changes anything in those before it.
    """
    parts, consignees = _codes(connection, part), _codes(connection, consignee)
    sold = _sold(connection, parts)
    rows = _read(connection, _items(), _no_places, up_to=_last_row(spans[-1].last))
    items, none = Items().under(rows, *_no_changes(rows)), dict.fromkeys(KEYS, _NONE)
    for first, last in spans:
        after, up_to = _last_row(first - 1), _last_row(last)
        start, end = np.searchsorted(rows["id"], (after, up_to), "right").tolist()
        books = {name: _read(connection, book, items.places, after=after, up_to=up_to) for name, book in _BOOKS.items()}
        added = taken(rows, slice(start, end))
        yield Layer(parts, consignees, sold, start, added, *_no_changes(rows), _sorted(books, items, sold), none)


def read_since(connection: Connection, held: Genealogy, last: int, until: int = LAST) -> Layer:
    """What was added and changed since what is held as of an entry.

    With `until`, nothing that was added by later entries. Raises Overtaken.
    """
    after, up_to = _last_row(last), _last_row(min(until, LAST // FACTS_PER_ENTRY - 1))
    changed = _changed(connection, last, after)
    parts, of_part = _united(held.parts, _codes(connection, part))
    consignees, of_consignee = _united(held.consignees, _codes(connection, consignee))
    sold = _sold(connection, parts)
    if not np.array_equal(sold[: len(held.parts)], held.sold):
        raise Overtaken

    def renumbered(rows: Rows) -> Rows:
        numbers = {"part": of_part, "consignee": of_consignee}
        return {name: numbers[name][column] if name in numbers else column for name, column in rows.items()}

    def read(book: FromClause, places: _Placed, of_table: Table) -> tuple[Rows, Rows]:
        """What was added, and what was changed."""
        some = among(connection, book.c.id, changed[of_table.name])
        added = _read(connection, book, places, after=after, up_to=up_to)
        now = _read(connection, book, places, some) if changed[of_table.name] else taken(added, _NONE)
        return renumbered(added), renumbered(now)

    added, now = read(_items(), _no_places, item)
    places = held.items.places(now["id"])
    items = held.items.under(added, places, now)
    books = {name: joined(*read(_BOOKS[name], items.places, table)) for name, table in _TABLES.items()}
    gone = {name: np.array(changed[table.name], np.int64) for name, table in _TABLES.items()}
    gone["packed"] = gone["marriages"]
    return Layer(parts, consignees, sold, len(held.items), added, places, now, _sorted(books, items, sold), gone)


_TABLES: Final = {"marriages": marriage, "lines": shipment_line, "shipments": shipment}

_TYPES: Final[Mapping[str, type[np.generic]]] = {
    **dict.fromkeys(("part", "day", "consignee", "quantity"), np.int32),
    "state": np.int8,
    **dict.fromkeys(("serial", "disputed", "into_unit"), np.bool_),
}
"""Of columns that are no numbers of eight bytes."""

_OF_ITEMS: Final = ("child", "parent", "item")
"""Columns that name items, by their places."""

_NONE: Final = np.empty(0, np.int64)

_Placed = Callable[[NDArray[np.int64]], NDArray[np.int32]]


def _no_places(numbers: NDArray[np.int64]) -> NDArray[np.int32]:
    return numbers.astype(np.int32)


def _last_row(entry: int) -> int:
    """The highest number that a row of an entry can have."""
    return (entry + 1) * FACTS_PER_ENTRY - 1


def _changed(connection: Connection, last: int, up_to: int) -> Mapping[str, Sequence[int]]:
    """The rows of each table that were changed after an entry, of those that were there then."""
    changed: dict[str, set[int]] = defaultdict(set)
    for book, number in connection.execute(changed_since(last)):
        if number <= up_to:
            changed[book].add(number)
    return defaultdict(list, {book: sorted(numbers) for book, numbers in changed.items()})


def _read(
    connection: Connection, book: FromClause, places: _Placed, *where: ColumnElement[bool], **limits: int
) -> Rows:
    columns = [column for column in book.c if column.name != "id"]
    empty = {"id": _NONE, **{column.name: _NONE for column in columns}}
    chunks = [empty, *read_columns(connection, book, columns, *where, **limits)]
    return joined(*({name: _typed(name, column, places) for name, column in chunk.items()} for chunk in chunks))


def _typed(name: str, column: NDArray[np.int64], places: _Placed) -> NDArray[Any]:
    return places(column) if name in _OF_ITEMS else column.astype(_TYPES.get(name, np.int64))


def _items() -> FromClause:
    t, numbered = item.c, _numbered(part)
    state = case({state: number for number, state in enumerate(STATES)}, value=t.state)
    day = func.coalesce(t.started_at // literal(_DAY, BigId), NO_DAY)
    columns = (t.id, numbered.c.number.label("part"), state.label("state"), day.label("day"))
    query = select(*columns, (t.kind == "serial").label("serial"))
    return query.join_from(item, numbered, numbered.c.code == t.part).subquery("items")


def _marriages() -> FromClause:
    t = marriage.c
    query = select(
        t.id,
        t.child_id.label("child"),
        t.parent_id.label("parent"),
        t.started,
        t.ended,
        t.disputed,
        t.parent_is_unit.label("into_unit"),
        t.quantity,
    )
    return query.where(t.child_id.is_not(None), not_(t.wrong)).subquery("marriages")


def _lines() -> FromClause:
    t = shipment_line.c
    names = {"item": t.item_id, "shipment": t.shipment_id, "loaded": t.loaded_at, "unloaded": t.unloaded_at}
    return select(t.id, *(column.label(name) for name, column in names.items())).subquery("lines")


def _shipments() -> FromClause:
    t, numbered = shipment.c, _numbered(consignee)
    query = select(
        t.id, t.id.label("shipment"), numbered.c.number.label("consignee"), t.despatched_at.label("despatched")
    )
    return query.join_from(shipment, numbered, numbered.c.code == t.consignee).subquery("shipments")


def _codes(connection: Connection, table: Table) -> tuple[str, ...]:
    """The codes of a table of the catalogue, in order."""
    code = table.c[table.name]
    return tuple(connection.scalars(select(code).order_by(code)))


def _numbered(table: Table) -> FromClause:
    """Codes of a table with their places in that order."""
    code = table.c[table.name]
    place = func.row_number().over(order_by=code) - 1
    return select(code.label("code"), place.label("number")).subquery(f"numbered_{table.name}")


_BOOKS: Final = {"marriages": _marriages(), "lines": _lines(), "shipments": _shipments()}


def _united(held: tuple[str, ...], now: tuple[str, ...]) -> tuple[tuple[str, ...], NDArray[np.int32]]:
    """The codes of both, and the place in them of each of those of now."""
    places = {code: place for place, code in enumerate(held)}
    for code in now:
        places.setdefault(code, len(places))
    return tuple(places), np.array([places[code] for code in now], np.int32)


def _sold(connection: Connection, parts: Sequence[str]) -> NDArray[np.bool_]:
    sold = set(connection.scalars(select(part.c.part).where(part.c.sold)))
    return np.array([code in sold for code in parts], np.bool_)


def _sorted(books: Mapping[str, Rows], items: Items, sold: NDArray[np.bool_]) -> dict[str, Rows]:
    """All books of a layer, from those that the store has."""
    marriages = books["marriages"]
    packed = taken(marriages, sold[items.of("part", marriages["child"])])
    return {name: sorted_by(rows, KEYS[name]) for name, rows in {**books, "packed": packed}.items()}


def _no_changes(rows: Rows) -> Changes:
    return _NONE.astype(np.int32), taken(rows, _NONE)
