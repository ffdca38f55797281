"""Books as arrays, sorted by what they are looked up by, with what was changed since laid over them.

Items are numbered by their places, from 0; a place never changes, so other books name items by it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

Rows = Mapping[str, NDArray[Any]]
"""Columns of equal length, by their names."""

Places = NDArray[np.int32]

NO_DAY: Final = -(2**31)
"""Stands for the day of what was never started here."""


def count(rows: Rows) -> int:
    """How many rows there are."""
    return len(next(iter(rows.values())))


def taken(rows: Rows, places: NDArray[Any]) -> Rows:
    """Some of the rows, by places or by a mask."""
    return {name: column[places] for name, column in rows.items()}


def joined(*several: Rows) -> Rows:
    """Rows one after another."""
    return {name: np.concatenate([rows[name] for rows in several]) for name in several[0]}


def sorted_by(rows: Rows, key: str) -> Rows:
    """Rows in the order of a column; those that are equal in it stay as they are."""
    return taken(rows, np.argsort(rows[key], kind="stable"))


@dataclass(frozen=True, slots=True)
class Book:
    """Rows of a table with their numbers (`id`), sorted by `key`, and what of them was changed since."""

    key: str
    rows: Rows
    newer: Rows
    """Added, or as they are now."""
    gone: NDArray[np.int64]
    """Numbers of those `rows` that no longer hold, sorted."""

    def of(self, keys: Places, *names: str) -> tuple[NDArray[np.int64], Rows]:
        """The rows of several keys: for each which key it is of, and the named columns."""
        which, places = _found(self.rows[self.key], keys)
        if len(self.gone):
            holds = ~_is_in(self.rows["id"][places], self.gone)
            which, places = which[holds], places[holds]
        which_newer, newer = _found(self.newer[self.key], keys)
        columns = {name: np.concatenate([self.rows[name][places], self.newer[name][newer]]) for name in names}
        return np.concatenate([which, which_newer]), columns

    def merged(self) -> Book:
        """The same, with nothing laid over it."""
        kept = taken(self.rows, ~_is_in(self.rows["id"], self.gone)) if len(self.gone) else self.rows
        return unchanged(self.key, sorted_by(joined(kept, self.newer), self.key))


def unchanged(key: str, rows: Rows) -> Book:
    """A book that nothing was changed in."""
    return Book(key, rows, taken(rows, np.empty(0, np.int64)), np.empty(0, np.int64))


def _found(sorted_keys: NDArray[Any], keys: Places) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Where some keys stand in a sorted column: for each place which key it is."""
    first, last = np.searchsorted(sorted_keys, keys, "left"), np.searchsorted(sorted_keys, keys, "right")
    counts = last - first
    which = np.repeat(np.arange(len(keys)), counts)
    before = np.cumsum(counts) - counts
    return which, np.arange(len(which)) + (first - before)[which]


def _is_in(numbers: NDArray[np.int64], among: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Which numbers are in a sorted array."""
    places = np.minimum(np.searchsorted(among, numbers), len(among) - 1)
    return np.asarray(among[places] == numbers)


@dataclass(frozen=True, slots=True)
class Items:
    """Items by their places; numbers (`id`) ascend with them."""

    rows: Rows
    newer: Rows
    """Added, with the places after those of `rows`."""
    changed: Places
    """Places in `rows` of those that are otherwise now, sorted."""
    now: Rows
    """What these are now."""

    def __len__(self) -> int:
        return count(self.rows) + count(self.newer)

    def places(self, numbers: NDArray[np.int64]) -> Places:
        """The places of items that are there, by their numbers."""
        held = count(self.rows)
        place = np.searchsorted(self.rows["id"], numbers)
        after = held + np.searchsorted(self.newer["id"], numbers)
        return np.where(place < held, place, after).astype(np.int32)

    def of(self, name: str, places: Places) -> NDArray[Any]:
        """A column of some items."""
        held = count(self.rows)
        column = np.empty(len(places), self.rows[name].dtype)
        old = places < held
        column[old] = self.rows[name][places[old]]
        column[~old] = self.newer[name][places[~old] - held]
        if len(self.changed):
            at = np.minimum(np.searchsorted(self.changed, places), len(self.changed) - 1)
            is_changed = self.changed[at] == places
            column[is_changed] = self.now[name][at[is_changed]]
        return column

    def merged(self) -> Items:
        """The same, with nothing laid over it."""
        rows = dict(joined(self.rows, self.newer))
        for name, column in self.now.items():
            rows[name][self.changed] = column
        return unchanged_items(rows)


def unchanged_items(rows: Rows) -> Items:
    """Items of which nothing was changed."""
    none = taken(rows, np.empty(0, np.int64))
    return Items(rows, none, np.empty(0, np.int32), none)


@dataclass(frozen=True, slots=True)
class Genealogy:
    """Which item was in which, what they are, and what was sent: as of one moment of the store."""

    parts: tuple[str, ...]
    """Parts by the numbers that `items` name them with."""
    consignees: tuple[str, ...]
    sold: NDArray[np.bool_]
    """Which parts are."""
    items: Items
    """`id`, `part`, `state` (a place in STATES), `day` on which it was started (since 1970), `serial`."""
    marriages: Book
    """By `child`, none that was wrong: `id`, `child`, `parent`, `started`, `ended`, `disputed`, `into_unit`,
    `quantity`."""
    packed: Book
    """By `parent`, the marriages of what is sold."""
    lines: Book
    """Of shipments, by `item`: `id`, `item`, `shipment`, `loaded`, `unloaded`."""
    shipments: Book
    """By `shipment`, which is its number: `id`, `shipment`, `consignee`, `despatched`."""

    def merged(self) -> Genealogy:
        """The same, with nothing laid over it."""
        books = (self.marriages, self.packed, self.lines, self.shipments)
        items = self.items.merged()
        return Genealogy(self.parts, self.consignees, self.sold, items, *(book.merged() for book in books))
