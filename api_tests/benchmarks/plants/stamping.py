"""Stamping: the blanks of a block's forms are filled in again and again with other numbers, names and moments.

Blocks follow each other window by window, and each goes on for some windows after its units were started; so an entry's
place among those of its window is always the same, and its number follows from that and from the receipts and loadings
that came before it. Entries are numbered in the order in which they happen.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, NamedTuple

import numpy as np

from api_tests.benchmarks.plants.catalogue import BOUGHT, CONSIGNEES, DIGITS, NUMBERED
from api_tests.benchmarks.plants.clock import Times, moments, said, texts
from api_tests.benchmarks.plants.forms import GROUPS, Forms, Values
from api_tests.benchmarks.plants.lots import Lots, order_of
from api_tests.benchmarks.plants.shift import WINDOW
from partkin.rules.facts import FACTS_PER_ENTRY

HALFWAY, PACKED, SHIPPED = range(3)
MOST_PACKED = 20
"""Blocks whose units wait to be shipped in the end."""

LATENCY = 85_000
"""Microseconds until a message is recorded, and less than a thousand more."""

FIRST = 2
"""The catalogue is entry 1."""


class Plant(NamedTuple):
    """How large a plant is made, and from which seed."""

    blocks: int
    seed: int

    def stage(self, block: int) -> int | None:
        """How far a block has come in the end; None where there is no such block."""
        if not 0 <= block < self.blocks:
            return None
        if block == self.blocks - 1:
            return HALFWAY
        return PACKED if block >= self.blocks - 1 - min(MOST_PACKED, self.blocks // 3) else SHIPPED


class Stamps:
    """The numbers of entries, and the values of all blanks, block by block."""

    def __init__(self, forms: Forms, lots: Lots, plant: Plant) -> None:
        self._forms, self._lots, self._plant = forms, lots, plant
        self._offsets = np.array(forms.offsets)
        self.delays, phases = np.divmod(self._offsets, WINDOW)
        """Of each entry of a block: windows after that in which the block begins."""
        order = np.argsort(phases, kind="stable")
        self._phases = phases[order]
        self.ranks = np.empty(len(order), np.int64)
        """Of each entry of a block: its place among those of a window."""
        self.ranks[order] = np.arange(len(order))
        self._event_times = np.array([event.time for event in lots.events])
        self.last_numbers = dict.fromkeys(NUMBERED, 0)
        """The highest running numbers issued so far."""
        self._prepare()

    # -- numbers of entries

    def numbers(self, block: int) -> Times:
        """Of a block's entries."""
        times = block * WINDOW + self._offsets
        events = np.searchsorted(self._event_times, times, "right")
        whole: Times = FIRST + (block + self.delays) * len(self.ranks) + self.ranks + events
        return whole

    def event_numbers(self) -> list[int]:
        """Of the entries of all receipts and loadings of lots."""
        windows, phases = np.divmod(self._event_times, WINDOW)
        before = np.searchsorted(self._phases, phases, "left")
        whole: list[int] = (FIRST + windows * len(self.ranks) + before + np.arange(len(windows))).tolist()
        return whole

    def events_in(self, window: int) -> range:
        """The receipts and loadings of a window, by their places."""
        first, last = np.searchsorted(self._event_times, [window * WINDOW, (window + 1) * WINDOW], "left")
        return range(int(first), int(last))

    # -- values

    def _prepare(self) -> None:
        """Look up once what is the same for all blocks."""
        keys: dict[str, list[Any]] = {group: list(of_group) for group, of_group in self._forms.keys.items()}
        of_entries = ("entry", "at", "at text", "said", "recorded", "recorded text")
        self._entries = {group: np.array(keys[group], np.int64) for group in of_entries}
        self._rows = np.array(keys["row"], np.int64).T
        self._draws = {group: order_of(self._lots.draws, keys[group]) for group in ("lot", "lot item", "loading")}
        self._messages = len(keys["message"])
        self._serials = [(BOUGHT[part], number) for part, number in keys["serial"]]
        bought = {part: max(n for p, n in keys["serial"] if p == part) for part in BOUGHT}
        self._a_block = [bought[part] for part, _ in keys["serial"]]
        self._issued = keys["number"]
        self._issues = self._issuing(keys["number"])
        self._running = np.array([keys["number"].index(key) for key in keys["running"]], np.int64)
        self._failed = np.array([value >= 100 for value in keys["value"]])
        self._of_block = keys["block"]
        self._feeds = keys["point of use"]
        self._constants = [value for _, value in keys["constant"]]
        places = np.array([draw.place for draw in self._lots.draws])
        self._happened = [places < len(stage.entries) for stage in self._forms.stages]

    def _issuing(self, issued: list[Any]) -> Times:
        """Of each number that a block issues: the windows until then, how many its part gets in a window, its rank."""
        rows = []
        for part, place in issued:
            ranks = sorted(self.ranks[other] for of, other in issued if of == part)
            rows.append((self.delays[place], len(ranks), ranks.index(self.ranks[place])))
        return np.array(rows, np.int64).T

    def values(self, block: int) -> Values:
        """Of all blanks, for a block; what it draws is booked as used."""
        stage = self._plant.stage(block)
        assert stage is not None
        chance = np.random.default_rng([self._plant.seed, 2, block])
        at = moments(block * WINDOW + self._offsets)
        recorded = at + LATENCY + chance.integers(0, 1000, len(at))
        entries = self.numbers(block)
        loadings = self._lots.drawn_in(block)
        self._lots.use(loadings, self._happened[stage])
        running = self._issue(block, stage)
        of, rows, lots = self._entries, self._rows, self._lots
        by_group: dict[str, list[Any]] = {
            "entry": entries[of["entry"]].tolist(),
            "row": (entries[rows[0]] * FACTS_PER_ENTRY + rows[1]).tolist(),
            "at": at[of["at"]].tolist(),
            "at text": texts(at[of["at text"]]),
            "said": said(at[of["said"]]),
            "recorded": recorded[of["recorded"]].tolist(),
            "recorded text": texts(recorded[of["recorded text"]]),
            "message": identities(chance, self._messages),
            "serial": list(self._bought(block)),
            "number": [
                f"{NUMBERED[part]}{number:0{DIGITS}d}"
                for (part, _), number in zip(self._issued, running.tolist(), strict=True)
            ],
            "running": running[self._running].tolist(),
            "lot": lots.codes[lots.lot_of[loadings[self._draws["lot"]]]].tolist(),
            "lot item": lots.items[lots.lot_of[loadings[self._draws["lot item"]]]].tolist(),
            "loading": lots.loading_rows[loadings[self._draws["loading"]]].tolist(),
            "point of use": [lots.points_of_use[feed] for feed in self._feeds],
            "value": self._measured(chance),
            "block": list(self._named(block)),
            "constant": self._constants,
        }
        return [value for group in GROUPS for value in by_group[group]]

    def _issue(self, block: int, stage: int) -> Times:
        """The running numbers that a block issues; the last of each part is kept."""
        delays, a_window, ranks = self._issues
        running: Times = (block + delays) * a_window + ranks + 1
        happened = len(self._forms.stages[stage].entries)
        for (part, place), number in zip(self._issued, running.tolist(), strict=True):
            if place < happened:
                self.last_numbers[part] = max(self.last_numbers[part], number)
        return running

    def _bought(self, block: int) -> Iterator[str]:
        for (prefix, number), a_block in zip(self._serials, self._a_block, strict=True):
            yield f"{prefix}{block * a_block + number:0{DIGITS}d}"

    def _measured(self, chance: np.random.Generator) -> list[float]:
        """Thousandths, but never whole numbers, which canonical JSON writes without a point."""
        tens, ones = chance.integers(1_000, 9_900, len(self._failed)), chance.integers(1, 10, len(self._failed))
        values: list[float] = ((tens * 10 + ones + self._failed * 100_000) / 1000).tolist()
        return values

    def _named(self, block: int) -> Iterator[str]:
        named = {
            "shipment": f"N{block + 1:06d}",
            "note": f"D{block + 1:06d}",
            "consignee": CONSIGNEES[block * 7 % len(CONSIGNEES)],
        }
        return (named[key] for key in self._of_block)


def identities(chance: np.random.Generator, count: int) -> list[str]:
    """UUIDs of version 4 (RFC 9562) for messages."""
    digits = chance.bytes(16 * count).hex()
    starts = range(0, 32 * count, 32)
    return [
        f"{digits[s : s + 8]}-{digits[s + 8 : s + 12]}-4{digits[s + 13 : s + 16]}-a{digits[s + 17 : s + 20]}-"
        f"{digits[s + 20 : s + 32]}"
        for s in starts
    ]
