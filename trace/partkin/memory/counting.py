"""What a freeze would stop, counted on arrays: the groups that `store.preview` counts inside the database."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from functools import reduce
from typing import Final, get_args

import numpy as np
from numpy.typing import NDArray

from partkin.memory.arrays import NO_DAY, Genealogy, Places, taken
from partkin.memory.reading import STATES
from partkin.memory.walking import Affected, Parts, Truths
from partkin.rules.moments import FOREVER
from partkin.store.containment.preview import FEW, Group, Kind, Members
from partkin.store.genealogy.mass_balance import Standing
from partkin.store.genealogy.walks import BEGINNING

_KINDS: Final[tuple[Kind, ...]] = get_args(Kind)
_KIND: Final = {kind: number for number, kind in enumerate(_KINDS)}
_NONE: Final = -1
_HERE: Final = [STATES.index(state) for state in ("usable", "in work", "finished")]


def grouped(genealogy: Genealogy, parts: Parts, found: Affected) -> Mapping[Group, Members]:
    """All things that are affected, by what they are, and units by who was sent them."""
    kinds = _kinds(genealogy, parts, found.items)
    of = genealogy.items.of
    part, state, day = (of(name, found.items) for name in ("part", "state", "day"))
    groups: dict[Group, Members] = {}
    day = np.where(kinds == _KIND["unit"], day, NO_DAY)
    for key, members in alike(found.items, kinds, found.possible.astype(np.int8), part, state, day):
        kind, possible, of_part, of_state, on = key
        if kind != _NONE:
            name = _KINDS[kind]
            group = Group(name, possible, genealogy.parts[of_part], STATES[of_state], None if on == NO_DAY else on)
            groups[group] = _members(genealogy, members, {"unit": 1, "lot": len(members)}.get(name, FEW))
    units = kinds == _KIND["unit"]
    return groups | dict(_sent(genealogy, Affected(found.items[units], found.possible[units])))


def alike(items: Places, *columns: NDArray[np.integer]) -> Iterator[tuple[tuple[int, ...], Places]]:
    """Items that are alike in all columns, in the order of their places."""
    if not len(items):
        return
    lows = [int(column.min()) for column in columns]
    spans = [int(column.max()) - low + 1 for column, low in zip(columns, lows, strict=True)]
    pairs = zip(columns, lows, spans, strict=True)
    keys = reduce(lambda key, one: key * one[2] + (one[0] - one[1]), pairs, np.zeros(len(items), np.int64))
    order = np.argsort(keys, kind="stable")
    starts = np.flatnonzero(np.diff(keys[order], prepend=keys[order[0]] - 1))
    for start, end in zip(starts, [*starts[1:], len(order)], strict=True):
        first = order[start]
        yield tuple(int(column[first]) for column in columns), items[order[start:end]]


def _members(genealogy: Genealogy, members: Places, few: int) -> Members:
    return Members(len(members), genealogy.items.of("id", members[:few]).tolist())


def _kinds(genealogy: Genealogy, parts: Parts, items: Places) -> NDArray[np.int8]:
    """What each thing is, as a place in the kinds: none for packaging, and for what stands in something or is gone."""
    of = genealogy.items.of
    part, serial = of("part", items), of("serial", items)
    was_in, stands = _as_components(genealogy, items)
    waits = np.isin(of("state", items), _HERE) & ~stands & serial
    kinds: list[tuple[Truths, Kind | None]] = [
        (parts.sold[part], "unit"),
        (parts.packaging[part], None),
        (parts.in_lots[part], "lot"),
        (~waits, None),
        (parts.made[part], "waiting"),
        (was_in, "removed"),
    ]
    codes = [_NONE if kind is None else _KIND[kind] for _, kind in kinds]
    return np.select([truth for truth, _ in kinds], codes, _KIND["component"]).astype(np.int8)


def _as_components(genealogy: Genealogy, items: Places) -> tuple[Truths, Truths]:
    """Which items were in anything, and which stand in something now."""
    which, m = genealogy.marriages.of(items, "started", "ended", "disputed")
    lasted, now = m["started"] < m["ended"], (m["ended"] == FOREVER) & ~m["disputed"]
    was_in, stands = (np.bincount(which[so], minlength=len(items)) > 0 for so in (lasted, lasted & now))
    return was_in, stands


def _sent(genealogy: Genealogy, units: Affected) -> Iterator[tuple[Group, Members]]:
    """How many units were despatched to each consignee, and to any, in whatever packaging they left."""
    unit, consignee = _despatches(genealogy, units.items)
    each = np.unique(consignee.astype(np.int64) * len(units.items) + unit)  # once, however often it was sent there
    to, unit = np.divmod(each, max(len(units.items), 1))
    ever = np.flatnonzero(np.bincount(unit, minlength=len(units.items)))
    possible = units.possible.astype(np.int8)
    for (doubt, code), members in alike(units.items[unit], possible[unit], to):
        yield Group("sent", doubt, consignee=genealogy.consignees[code]), _members(genealogy, members, 1)
    for (doubt,), members in alike(units.items[ever], possible[ever]):
        yield Group("ever sent", doubt), _members(genealogy, members, 1)


def _despatches(genealogy: Genealogy, units: Places) -> tuple[NDArray[np.int64], NDArray[np.int32]]:
    """Who was sent which of some units: places in `units`, and consignees."""
    unit, at = np.arange(len(units)), units
    lo, hi = np.full(len(units), BEGINNING, np.int64), np.full(len(units), FOREVER, np.int64)
    found: list[tuple[NDArray[np.int64], NDArray[np.int32]]] = []
    while len(unit):
        found.append(_on_shipments(genealogy, unit, at, lo, hi))
        which, m = genealogy.marriages.of(at, "parent", "started", "ended", "disputed")
        lo, hi = np.maximum(lo[which], m["started"]), np.minimum(hi[which], m["ended"])
        goes_on = (lo < hi) & ~m["disputed"]
        m, unit, lo, hi = taken(m, goes_on), unit[which[goes_on]], lo[goes_on], hi[goes_on]
        at = m["parent"]
    if not found:
        return np.empty(0, np.int64), np.empty(0, np.int32)
    return np.concatenate([one for one, _ in found]), np.concatenate([to for _, to in found])


def _on_shipments(
    genealogy: Genealogy, unit: NDArray[np.int64], at: Places, lo: NDArray[np.int64], hi: NDArray[np.int64]
) -> tuple[NDArray[np.int64], NDArray[np.int32]]:
    which, line = genealogy.lines.of(at, "shipment", "loaded", "unloaded")
    of_line, shipment = genealogy.shipments.of(line["shipment"], "consignee", "despatched")
    which, line = which[of_line], taken(line, of_line)
    despatched = shipment["despatched"]
    left = (despatched < FOREVER) & (despatched >= lo[which]) & (despatched < hi[which])
    left &= (line["loaded"] <= despatched) & (line["unloaded"] > despatched)
    return unit[which[left]], shipment["consignee"][left]


def pieces_standing(genealogy: Genealogy, lots: Sequence[int], in_doubt: Collection[int]) -> Standing:
    """The pieces of lots, by their numbers, in marriages that stand and are certain; and their other marriages."""
    places = genealogy.items.places(np.array(lots, np.int64))
    which, m = genealogy.marriages.of(places, "id", "ended", "disputed", "quantity")
    doubtful = np.isin(m["id"], np.array(sorted(in_doubt), np.int64))
    stands = (m["ended"] == FOREVER) & ~m["disputed"] & ~doubtful
    pieces = np.bincount(which[stands], m["quantity"][stands], len(lots)).astype(np.int64).tolist()
    summed = {lot: number for lot, number in zip(lots, pieces, strict=True) if number}
    return Standing(summed, sorted(m["id"][~stands].tolist()))
