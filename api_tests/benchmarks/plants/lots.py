"""Which lot is up where and when, and how many of its pieces are used."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from api_tests.benchmarks.plants.catalogue import feeds
from api_tests.benchmarks.plants.clock import Times
from api_tests.benchmarks.plants.forms import Draw, Forms
from api_tests.benchmarks.plants.shift import WINDOW, modules_drawn
from partkin.rules.facts import FACTS_PER_ENTRY

CONTAINERS = (250, 500, 1000, 2000, 4000)
"""Draws that a container lasts at one feed, by part."""

CONTAINERS_A_LOT = (1, 2, 4, 8)
"""At each feed, by part."""

WIRE = "WIRE"
"""The part whose first lots are made to reach as many units as they are asked to."""

REACH = (200_000, 10_000, 1)
ORDINARY_WIRE = 5_000
REEL = 2_000

LEAD = 600_000
"""Milliseconds between the receipt of a lot and its first loading."""

SPARE = 200
"""Draws for which more is received, and put into containers, than is planned: units at rework draw later."""

_FEED = 1 << 40
"""In a key: feed * this + time."""


class Loading(NamedTuple):
    """A lot goes up at a feed."""

    feed: int
    time: int
    lot: int
    draws: int
    first: bool


@dataclass(frozen=True)
class Lot:
    """A lot of a part."""

    part: str
    code: str
    received: int
    time: int
    """Of its receipt."""


class Event(NamedTuple):
    """A receipt or a loading, in order of time."""

    time: int
    is_loading: bool
    which: int


class Lots:
    """The lots of so many blocks of units."""

    def __init__(self, forms: Forms, blocks: int, seed: int) -> None:
        self.draws = list(forms.pieces)
        self._pieces = np.array(list(forms.pieces.values()))
        self._offsets = np.array([forms.offsets[draw.place] for draw in self.draws])
        self._feeds = np.array([draw.feed for draw in self.draws])
        self._blocks = blocks
        self._chance = np.random.default_rng([seed, 1])
        self.loadings: list[Loading] = []
        self.lots: list[Lot] = []
        by_part: dict[str, list[int]] = defaultdict(list)
        for feed, (_, _, part) in enumerate(feeds()):
            by_part[part].append(feed)
        for part, of_part in by_part.items():
            self._supply(part, of_part)
        self._keys = np.array([loading.feed * _FEED + loading.time for loading in self.loadings])
        self.lot_of = np.array([loading.lot for loading in self.loadings])
        self.codes = np.array([lot.code for lot in self.lots], dtype=object)
        self.used = np.zeros(len(self.lots), np.int64)
        self.drawn = np.zeros(len(self.loadings), np.int64)
        self.events = self._events()

    # -- planning

    def _supply(self, part: str, of_part: Sequence[int]) -> None:
        """Receive lots of a part, and load them at its feeds in turn."""
        plans = {feed: self._plan(part, feed) for feed in of_part}
        first_lot = len(self.lots)
        draws: dict[int, int] = defaultdict(int)
        begun: dict[int, int] = {}
        for feed, plan in plans.items():
            for number, (time, lot, count) in enumerate(plan):
                self.loadings.append(Loading(feed, time, first_lot + lot, count, number == 0))
                draws[lot] += count
                begun[lot] = min(time, begun.get(lot, time))
        pieces = self.pieces_at(of_part[0])
        letters = part.replace("-", "")[:4]
        for lot in range(len(begun)):
            received = pieces * (draws[lot] + SPARE)
            self.lots.append(Lot(part, f"{letters}{lot + 1:06d}", received, max(begun[lot] - LEAD, 0)))

    def _plan(self, part: str, feed: int) -> list[tuple[int, int, int]]:
        """Of each loading at a feed: its time, which of the part's lots, and how many draws it lasts."""
        offsets = np.sort(self._offsets[self._feeds == feed])
        total = len(offsets) * self._blocks
        sizes = list(self._wire(total) if part == WIRE else self._ordinary(part, total))
        counts = np.array([count for _, count in sizes])
        starts = np.cumsum(counts) - counts
        before = self._chance.integers(300, 1100, len(starts))
        times = np.sort(starts // len(offsets) * WINDOW + offsets[starts % len(offsets)] - before)
        return [(int(time), lot, count) for time, (lot, count) in zip(times, sizes, strict=True)]

    def _ordinary(self, part: str, total: int) -> Iterator[tuple[int, int]]:
        """Of each loading at a feed: which lot, and for how many draws; containers differ a little."""
        mark = sum(part.encode())
        lasts = CONTAINERS[mark % len(CONTAINERS)] * (3 if part in modules_drawn() else 1)
        lasts = min(lasts, max(total // 5, 7))
        number = left = 0
        while left < total:
            count = int(self._chance.integers(lasts - lasts // 10, lasts + lasts // 10 + 1))
            yield number // CONTAINERS_A_LOT[mark % len(CONTAINERS_A_LOT)], count
            number, left = number + 1, left + count

    def _wire(self, total: int) -> Iterator[tuple[int, int]]:
        """Lots of set sizes first, each in reels, then ordinary ones."""
        sizes = [min(REACH[0], total * 3 // 4), min(REACH[1], total // 20), REACH[2]]
        sizes += [ORDINARY_WIRE] * ((total - sum(sizes)) // ORDINARY_WIRE + 1)
        begun = 0
        for lot, size in enumerate(sizes):
            for start in range(0, size, REEL):
                if begun + start < total:
                    yield lot, min(REEL, size - start)
            begun += size

    def _events(self) -> list[Event]:
        receipts = [Event(lot.time, False, number) for number, lot in enumerate(self.lots)]
        return sorted(receipts + [Event(one.time, True, number) for number, one in enumerate(self.loadings)])

    def pieces_at(self, feed: int) -> int:
        """Pieces of a draw at a feed."""
        return int(self._pieces[self._feeds == feed][0])

    # -- numbers, once all entries have theirs

    def numbered(self, numbers: Sequence[int], receipt_place: int, loaded: Sequence[int], uses: dict[int, int]) -> None:
        """Take the numbers of entries of the events, and the places of rows in them."""
        self.entry_of_lot = np.zeros(len(self.lots), np.int64)
        self.entry_of_loading = np.zeros(len(self.loadings), np.int64)
        for event, number in zip(self.events, numbers, strict=True):
            (self.entry_of_loading if event.is_loading else self.entry_of_lot)[event.which] = number
        self.items = self.entry_of_lot * FACTS_PER_ENTRY + receipt_place
        self.loading_rows = self.entry_of_loading * FACTS_PER_ENTRY + np.array(loaded)
        self.points_of_use = {
            loading.feed: int(entry) * FACTS_PER_ENTRY + uses[loading.feed]
            for loading, entry in zip(self.loadings, self.entry_of_loading, strict=True)
            if loading.first
        }

    # -- drawing

    def drawn_in(self, block: int) -> Times:
        """The loading that each draw of a block is from."""
        keys = self._feeds * _FEED + (block * WINDOW + self._offsets)
        found: Times = np.searchsorted(self._keys, keys, "right") - 1
        return found

    def use(self, loadings: Times, happened: NDArray[np.bool_]) -> None:
        """Pieces of those draws that happened are used."""
        pieces = self._pieces * happened
        np.add.at(self.drawn, loadings, pieces)
        np.add.at(self.used, self.lot_of[loadings], pieces)


def order_of(draws: Sequence[Draw], keys: Sequence[Draw]) -> Times:
    """Where each key is among the draws."""
    places = {draw: place for place, draw in enumerate(draws)}
    return np.array([places[key] for key in keys], np.int64)
