"""Making a plant: the catalogue first, then all windows in order, and in the end what only the end knows."""

from __future__ import annotations

import json
from collections import deque
from collections.abc import Callable, Iterator, Mapping
from contextlib import AbstractContextManager, closing
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from api_tests.benchmarks.plants.clock import START
from api_tests.benchmarks.plants.environment import Environment
from api_tests.benchmarks.plants.filling import Filling, Make, Progress, filling
from api_tests.benchmarks.plants.forms import Forms, Values, filler
from api_tests.benchmarks.plants.journal import Packing
from api_tests.benchmarks.plants.lots import Lots
from api_tests.benchmarks.plants.shift import UNITS, play
from api_tests.benchmarks.plants.stamping import SHIPPED, Plant, Stamps, identities
from partkin.rules.canonical_json import canonical
from partkin.rules.moments import text_of
from partkin.store.books.rebuilding import rebuild
from partkin.store.database import Database
from partkin.store.journal.entries import Entry, last_entry
from partkin.store.migrate import upgrade

Stages = tuple[int | None, ...]
"""Of the blocks that something is written of in a window, the newest first."""

Bar = Callable[[str], AbstractContextManager[Progress]]

HOUR = 3_600_000_000

BYTES_A_ROW = {"postgresql": 180, "sqlite": 140}
"""Of a row without message and answer, with its share of the indexes; measured at a million marriages and more."""

TRAINED_ON = 4
"""Blocks, the first ones."""


@dataclass(frozen=True)
class Size:
    """How large a plant is."""

    blocks: int
    units: int
    marriages: int
    entries: int
    bytes: Mapping[str, int]
    """Needed on disk, about, by engine."""


class Maker:
    """A plant of about so many marriages, in whole blocks of units, to be made once; the same seed gives the same."""

    def __init__(self, marriages: int, seed: int) -> None:
        self.forms = Forms(play(seed))
        self._places = self.forms.places()
        shipped = self.forms.stages[SHIPPED]
        self.plant = Plant(max(1, round(marriages / len(shipped.rows["marriage"]))), seed)
        self._lots = Lots(self.forms, self.plant.blocks, seed)
        self._stamps = Stamps(self.forms, self._lots, self.plant)
        self._environment = Environment(self.forms, self._lots, self._stamps, seed)
        first = range(min(TRAINED_ON, self.plant.blocks))
        self._early = {block: self._stamps.values(block) for block in first}
        """Values, until they are written."""
        self._packing = Packing([text for block in first for text in self._texts(block)])

    def _texts(self, block: int) -> Iterator[str]:
        """Those of an early block, before they are packed."""
        stage = self.plant.stage(block)
        assert stage is not None
        for entry in self.forms.stages[stage].entries:
            for text in entry.texts:
                yield text.text % filler(text.blanks, self._places)(self._early[block])

    def size(self) -> Size:
        """What it will be."""
        blocks, shipped = self.plant.blocks, self.forms.stages[SHIPPED]
        journal = sum(map(len, self._packing.packed(list(self._texts(0)))))
        rows = len(shipped.entries) + sum(map(len, shipped.rows.values()))
        return Size(
            blocks,
            blocks * UNITS,
            blocks * len(shipped.rows["marriage"]),
            blocks * len(shipped.entries) + len(self._lots.events) + 1,
            {engine: blocks * (journal + rows * a_row) for engine, a_row in BYTES_A_ROW.items()},
        )

    def make(self, url: str, bar: Bar) -> None:
        """Fill a store; bars show how many windows were written, then how many indexes were made.

        Raises ValueError where the store has entries already.
        """
        with closing(Database(url)) as database:
            upgrade(database)
            with database.read() as connection:
                if last_entry(connection):
                    raise ValueError(f"{database} has entries already: make the plant in a fresh store")
            catalogue = self._catalogue()
            rebuild(iter([catalogue]), database, lambda _done: None)
            self._packing.keep(database)
        store = filling(url, self._packing)
        store.write_entries([store.entry(catalogue)])
        with bar("windows written") as progress:
            self._write_windows(store, progress)
        store.add(list(self._environment.rows()))
        with bar("indexes made") as progress:
            store.finish(int(self._stamps.numbers(self.plant.blocks - 1).max()), progress)

    def _catalogue(self) -> Entry:
        """The first entry, of the catalogue."""
        played, at = self.forms.played.catalogue, START - HOUR
        (identity,) = identities(np.random.default_rng([self.plant.seed, 4]), 1)
        said = {"message_id": identity, "occurred_at": text_of(at)}
        told = {"entry": 1, "message_id": identity, "recorded_at": text_of(at)}
        return replace(
            played,
            id=1,
            message_id=identity,
            occurred_at=at,
            recorded_at=at,
            message=canonical({**json.loads(played.message), **said}),
            answer=canonical({**json.loads(played.answer), **told}),
        )

    def _write_windows(self, store: Filling, progress: Progress) -> None:
        plans = _Plans(self._all_steps(store))
        going_on = int(self._stamps.delays.max()) + 1
        windows = self.plant.blocks + going_on - 1
        blocks: deque[Values] = deque(maxlen=going_on)
        for window in range(windows):
            blocks.appendleft(self._values(window) if window < self.plant.blocks else [])
            events = self._environment.entries(self._stamps.events_in(window))
            store.write_entries([store.entry(entry) for entry in events])
            stages = tuple(self.plant.stage(window - delay) for delay in range(going_on))
            for table, steps in plans.of(stages).items():
                rows = [make(blocks[delay]) for delay, make in steps]
                if table == "entry":
                    store.write_entries(rows)
                else:
                    store.write(table, rows)
            progress(window + 1, windows)

    def _values(self, block: int) -> Values:
        return self._early.pop(block) if block in self._early else self._stamps.values(block)

    def _all_steps(self, store: Filling) -> list[dict[str, list[Step]]]:
        """Of each stage and table: all that a block writes."""
        delays, ranks = self._stamps.delays.tolist(), self._stamps.ranks.tolist()
        found = []
        for stage in self.forms.stages:
            entries = [(form.place, store.entry_maker(form, self._places)) for form in stage.entries]
            made = {"entry": entries}
            for table, forms in stage.rows.items():
                made[table] = [(form.place, store.row_maker(form, self._places)) for form in forms]
            found.append(
                {
                    table: [
                        Step(ranks[place], number, delays[place], make) for number, (place, make) in enumerate(of_table)
                    ]
                    for table, of_table in made.items()
                }
            )
        return found


class Step(NamedTuple):
    """A row that is written in each window."""

    rank: int
    """Of the entry that it is written with."""
    number: int
    delay: int
    """It is of the block that began so many windows before."""
    make: Make


class _Plans:
    """What is written in a window, in the order of the entries, by the stages of the blocks that it is of."""

    def __init__(self, steps: list[dict[str, list[Step]]]) -> None:
        self._steps = steps
        self._known: dict[Stages, dict[str, list[tuple[int, Make]]]] = {}

    def of(self, stages: Stages) -> dict[str, list[tuple[int, Make]]]:
        """Of each table: which block each row is of, and what makes it."""
        if stages not in self._known:
            self._known[stages] = self._plan(stages)
        return self._known[stages]

    def _plan(self, stages: Stages) -> dict[str, list[tuple[int, Make]]]:
        found: dict[str, list[Step]] = {}
        for delay, stage in enumerate(stages):
            for table, steps in self._steps[stage].items() if stage is not None else ():
                found.setdefault(table, []).extend(step for step in steps if step.delay == delay)
        return {table: [(step.delay, step.make) for step in sorted(steps)] for table, steps in found.items()}
