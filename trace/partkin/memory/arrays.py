"""Books as arrays, sorted by what they are looked up by, in layers: each lies over those before it.

A layer has the rows that some entries added, and those that they changed in the layers before. Items are numbered by
their places, from 0; a place never changes, so other books name items by it.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import reduce
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

Rows = Mapping[str, NDArray[Any]]
"""Columns of equal length, by their names."""

Places = NDArray[np.int32]
Numbers = NDArray[np.int64]

NO_DAY: Final = -(2**31)
"""Stands for the day of what was never started here."""

KEYS: Final = {
    "marriages": "child",
    "packed": "parent",
    "lines": "item",
    "shipments": "shipment",
}
"""The books of a genealogy beside its items, and by what they are looked up."""


def count(rows: Rows) -> int:
    """How many rows there are."""
    return len(next(iter(rows.values())))


def taken(rows: Rows, places: NDArray[Any] | slice) -> Rows:
    """Some of the rows, by places or by a mask."""
    return {name: column[places] for name, column in rows.items()}


def joined(*several: Rows) -> Rows:
    """Rows one after another."""
    return {name: np.concatenate([rows[name] for rows in several]) for name in several[0]}


def sorted_by(rows: Rows, key: str) -> Rows:
    """Rows in the order of a column; those that are equal in it stay as they are."""
    return taken(rows, np.argsort(rows[key], kind="stable"))


@dataclass(frozen=True, slots=True)
class Piece:
    """Rows of a book in one layer."""

    rows: Rows
    """Sorted by the book's key."""
    gone: Sequence[Numbers]
    """Numbers (`id`) of those that no longer hold, each sorted."""

    def of(self, key: str, keys: Places, names: Sequence[str]) -> tuple[NDArray[np.int64], Rows]:
        """The rows of several keys: for each which key it is of, and the named columns."""
        which, places = _found(self.rows[key], keys)
        for gone in self.gone:
            holds = ~_is_in(self.rows["id"][places], gone)
            which, places = which[holds], places[holds]
        return which, {name: self.rows[name][places] for name in names}


@dataclass(frozen=True, slots=True)
class Book:
    """Rows of a table with their numbers (`id`), in layers."""

    key: str
    pieces: tuple[Piece, ...] = ()

    def of(self, keys: Places, *names: str) -> tuple[NDArray[np.int64], Rows]:
        """The rows of several keys: for each which key it is of, and the named columns."""
        found = [piece.of(self.key, keys, names) for piece in self.pieces]
        return np.concatenate([which for which, _ in found]), joined(*(rows for _, rows in found))

    def under(self, rows: Rows, gone: Numbers) -> Book:
        """With rows laid over it, in whose place those of some numbers no longer hold."""
        below = self.pieces
        if len(gone):
            below = tuple(replace(piece, gone=(*piece.gone, gone)) for piece in below)
        return Book(self.key, (*below, Piece(rows, ())))

    def settled(self) -> Book:
        """The same, for many questions."""
        return Book(self.key, tuple(replace(piece, gone=_united(piece.gone)) for piece in self.pieces))


def _found(sorted_keys: NDArray[Any], keys: Places) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Where some keys stand in a sorted column: for each place which key it is."""
    first, last = np.searchsorted(sorted_keys, keys, "left"), np.searchsorted(sorted_keys, keys, "right")
    counts = last - first
    which = np.repeat(np.arange(len(keys)), counts)
    before = np.cumsum(counts) - counts
    return which, np.arange(len(which)) + (first - before)[which]


def _is_in(numbers: Numbers, among: Numbers) -> NDArray[np.bool_]:
    """Which numbers are in a sorted array that has some."""
    places = np.minimum(np.searchsorted(among, numbers), len(among) - 1)
    return np.asarray(among[places] == numbers)


def _united(several: Sequence[Numbers]) -> Sequence[Numbers]:
    return (np.unique(np.concatenate(several)),) if several else ()


Changes = tuple[Places, Rows]
"""Places of items, sorted, and what these are now."""


@dataclass(frozen=True, slots=True)
class Items:
    """Items by their places; numbers (`id`) ascend with them."""

    pieces: tuple[Rows, ...] = ()
    starts: tuple[int, ...] = (0,)
    """The place of the first item of each piece, and how many there are in all."""
    changes: tuple[Changes, ...] = ()
    """The later ones count."""

    def __len__(self) -> int:
        return self.starts[-1]

    def places(self, numbers: Numbers) -> Places:
        """The places of items that are there, by their numbers."""
        places = np.zeros(len(numbers), np.int32)
        for start, rows in zip(self.starts, self.pieces, strict=False):
            if count(rows):
                here = numbers >= rows["id"][0]
                places[here] = start + np.searchsorted(rows["id"], numbers[here])
        return places

    def of(self, name: str, places: Places) -> NDArray[Any]:
        """A column of some items."""
        column = np.empty(len(places), self.pieces[0][name].dtype)
        piece = np.searchsorted(self.starts, places, "right") - 1
        for number in np.unique(piece):
            here = piece == number
            column[here] = self.pieces[number][name][places[here] - self.starts[number]]
        for changed, now in self.changes:
            at = np.minimum(np.searchsorted(changed, places), len(changed) - 1)
            is_changed = changed[at] == places
            column[is_changed] = now[name][at[is_changed]]
        return column

    def under(self, rows: Rows, changed: Places, now: Rows) -> Items:
        """With items added, and some that are otherwise now."""
        changes = (*self.changes, (changed, now)) if len(changed) else self.changes
        return Items((*self.pieces, rows), (*self.starts, len(self) + count(rows)), changes)

    def settled(self) -> Items:
        """The same, for many questions."""
        return replace(self, changes=(_latest(*self.changes),) if self.changes else ())


def _latest(*changes: Changes) -> Changes:
    """Of each place the last."""
    places, rows = np.concatenate([one for one, _ in changes[::-1]]), joined(*(now for _, now in changes[::-1]))
    places, first = np.unique(places, return_index=True)
    return places, taken(rows, first)


@dataclass(frozen=True, slots=True)
class Layer:
    """What the entries of some time added to a genealogy, and what they changed in it."""

    parts: tuple[str, ...]
    consignees: tuple[str, ...]
    sold: NDArray[np.bool_]
    before: int
    """How many items there were."""
    items: Rows
    changed: Places
    """Places of items of before that are otherwise now, sorted."""
    now: Rows
    """What these are."""
    books: Mapping[str, Rows]
    """By the names in KEYS; sorted."""
    gone: Mapping[str, Numbers]
    """Numbers of rows of before that no longer hold, sorted."""


@dataclass(frozen=True, slots=True)
class Genealogy:
    """Which item was in which, what they are, and what was sent: as of one moment of the store."""

    parts: tuple[str, ...] = ()
    """Parts by the numbers that `items` name them with."""
    consignees: tuple[str, ...] = ()
    sold: NDArray[np.bool_] = field(default_factory=lambda: np.empty(0, np.bool_))
    """Which parts are."""
    items: Items = Items()
    """`id`, `part`, `state` (a place in STATES), `day` on which it was started (since 1970), `serial`."""
    marriages: Book = Book(KEYS["marriages"])
    """By `child`, none that was wrong: `id`, `child`, `parent`, `started`, `ended`, `disputed`, `into_unit`,
    `quantity`."""
    packed: Book = Book(KEYS["packed"])
    """By `parent`, the marriages of what is sold."""
    lines: Book = Book(KEYS["lines"])
    """Of shipments, by `item`: `id`, `item`, `shipment`, `loaded`, `unloaded`."""
    shipments: Book = Book(KEYS["shipments"])
    """By `shipment`, which is its number: `id`, `shipment`, `consignee`, `despatched`."""

    def under(self, layer: Layer) -> Genealogy:
        """With a layer over it."""
        items = self.items.under(layer.items, layer.changed, layer.now)
        books = {name: book.under(layer.books[name], layer.gone[name]) for name, book in self._books()}
        return Genealogy(layer.parts, layer.consignees, layer.sold, items, **books)

    def settled(self) -> Genealogy:
        """The same, for many questions."""
        books = {name: book.settled() for name, book in self._books()}
        return Genealogy(self.parts, self.consignees, self.sold, self.items.settled(), **books)

    def _books(self) -> Iterator[tuple[str, Book]]:
        return ((name, getattr(self, name)) for name in KEYS)


def of_layers(layers: Iterable[Layer]) -> Genealogy:
    """A genealogy of layers, each over those before it."""
    return reduce(Genealogy.under, layers, Genealogy()).settled()


def as_one(first: Layer, second: Layer) -> Layer:
    """A layer and the one over it, as one that says the same."""
    itself = second.changed >= first.before
    changed, now = _latest((first.changed, first.now), (second.changed[~itself], taken(second.now, ~itself)))
    items = dict(joined(first.items, second.items))
    for name, column in second.now.items():
        items[name][second.changed[itself] - first.before] = column[itself]
    books: dict[str, Rows] = {}
    gone: dict[str, Numbers] = {}
    for name in KEYS:
        books[name], gone[name] = _book_as_one(name, first, second)
    return replace(second, before=first.before, items=items, changed=changed, now=now, books=books, gone=gone)


def _book_as_one(name: str, first: Layer, second: Layer) -> tuple[Rows, Numbers]:
    """The rows of both, and the numbers of those before both that no longer hold."""
    rows, key, gone = first.books[name], KEYS[name], second.gone[name]
    if len(gone):
        ended = _is_in(rows["id"], gone)
        gone = np.setdiff1d(gone, rows["id"][ended])
        rows = taken(rows, ~ended)
    over = second.books[name]
    order = np.argsort(np.concatenate([rows[key], over[key]]), kind="stable")
    both = {column: np.concatenate([rows[column], over[column]])[order] for column in rows}
    return both, np.union1d(first.gone[name], gone)
