"""Layers of arrays say what dicts say: whatever was added and changed in which of them, and whichever became one."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from partkin.memory.arrays import KEYS, Genealogy, Layer, Rows, as_one, of_layers


class Row(NamedTuple):
    """By which item's place it is looked up, and its number of pieces."""

    place: int
    quantity: int


class Said(NamedTuple):
    """What a layer adds, and what it changes in those before."""

    states: Sequence[int]
    """Of items."""
    rows: Sequence[Row]
    changed: Mapping[int, Row | None]
    """Rows that are otherwise, or no longer there."""
    now: Mapping[int, int]
    """Items in other states."""


@dataclass
class Model:
    """What the layers say, as plain dicts, and the layers."""

    items: dict[int, int] = field(default_factory=dict)
    """States by numbers."""
    rows: dict[int, Row] = field(default_factory=dict)
    layers: list[Layer] = field(default_factory=list)

    def add(self, said: Said) -> None:
        """A layer over those that are there."""
        first, numbers, before = (len(self.layers) + 1) * 1000, list(self.items), sorted(self.rows)
        now = {place % len(numbers): state for place, state in said.now.items() if numbers}
        changed = {before[place % len(before)]: row for place, row in said.changed.items() if before}
        added = dict(enumerate(said.states, first))
        self.items |= {numbers[place]: state for place, state in now.items()} | added
        new = {number: row for number, row in changed.items() if row} | dict(enumerate(said.rows, first))
        new = {number: Row(row.place % len(self.items), row.quantity) for number, row in new.items()}
        self.rows = {number: row for number, row in self.rows.items() if number not in changed} | new
        places = sorted(now)
        self.layers.append(
            Layer(
                parts=(),
                consignees=(),
                sold=np.empty(0, np.bool_),
                before=len(numbers),
                items=_items(list(added), list(added.values())),
                changed=np.array(places, np.int32),
                now=_items([numbers[place] for place in places], [now[place] for place in places]),
                books={name: _book(key, new) for name, key in KEYS.items()},
                gone=dict.fromkeys(KEYS, np.array(sorted(changed), np.int64)),
            )
        )

    def require(self, genealogy: Genealogy) -> None:
        """Everything is as in the dicts."""
        places = np.arange(len(self.items), dtype=np.int32)[::-1]
        numbers, states = genealogy.items.of("id", places), genealogy.items.of("state", places)
        assert dict(zip(numbers.tolist(), states.tolist(), strict=True)) == self.items
        assert genealogy.items.places(numbers).tolist() == places.tolist()
        for name in KEYS:
            which, rows = getattr(genealogy, name).of(places, "id", "quantity")
            found = zip(rows["id"].tolist(), places[which].tolist(), rows["quantity"].tolist(), strict=True)
            assert sorted(found) == sorted((number, *row) for number, row in self.rows.items())


def _items(numbers: Sequence[int], states: Sequence[int]) -> Rows:
    return {"id": np.array(numbers, np.int64), "state": np.array(states, np.int8)}


def _book(key: str, rows: Mapping[int, Row]) -> Rows:
    order = sorted(rows, key=lambda number: rows[number].place)
    places, quantities = ([rows[number][column] for number in order] for column in (0, 1))
    return {"id": np.array(order, np.int64), key: np.array(places, np.int32), "quantity": np.array(quantities)}


WHICH, STATE = st.integers(0, 20), st.integers(0, 5)
ROW = st.builds(Row, WHICH, st.integers(1, 9))
SAID = st.builds(
    Said,
    st.lists(STATE, max_size=4),
    st.lists(ROW, max_size=4),
    st.dictionaries(WHICH, st.none() | ROW, max_size=4),
    st.dictionaries(WHICH, STATE, max_size=4),
)


@given(st.lists(SAID, min_size=1, max_size=7).filter(lambda said: bool(said[0].states)), st.lists(WHICH, max_size=6))
def test_layers_say_what_dicts_say(said: list[Said], become_one: list[int]) -> None:
    model = Model()
    for one in said:
        model.add(one)
    layers = model.layers
    model.require(of_layers(layers))
    for place in become_one[: len(layers) - 1]:
        at = place % (len(layers) - 1)
        layers = [*layers[:at], as_one(layers[at], layers[at + 1]), *layers[at + 2 :]]
        model.require(of_layers(layers))
    if len(layers) > 1:
        model.require(of_layers(layers[:-1]).under(layers[-1]))
