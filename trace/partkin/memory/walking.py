"""From suspects up to units along marriages that were there at one time, for all of them at once.

The same rules as `store.exposure` has, which walks inside the database: a test holds both to the same answers.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from partkin.memory.arrays import Genealogy, Places, Rows, count, joined, taken
from partkin.rules.moments import FOREVER, Moment

Truths = NDArray[np.bool_]

NO_MARRIAGE: Final = 0
NOWHERE: Final = -1
"""Stands for the step before a first one, and for the component of a marriage that is not known."""


class Parts(NamedTuple):
    """What the catalogue says of the parts of a genealogy, in their order."""

    sold: Truths
    packaging: Truths
    made: Truths
    in_lots: Truths


@dataclass(frozen=True, slots=True)
class Start:
    """Where the walk for one list of criteria begins; items by their places."""

    suspects: Rows
    """`item`, suspect from `since` on."""
    containers: Rows
    """Of suspect lots: `item`, `since`, whether that is `doubtful`, and `certain_until`."""
    draws: Rows
    """Draws that may be of a suspect lot, as first steps: `item` they went into, `top`, `lo`, `hi`, `last`, `child`."""
    doubts: NDArray[np.int64]
    """Marriages that may be of another lot than they are booked on, sorted."""


@dataclass(frozen=True, slots=True)
class Steps:
    """All steps of a walk: what is reached, whether it ends there, from when to when, how, and after which step."""

    rows: Rows
    """`item`, `top`, `lo`, `hi`, `doubtful`, `last` marriage, its `child`, `origin`."""

    def units(self, sold: Truths) -> Truths:
        """Which of them reach a unit, by a marriage or because it is itself suspect; `sold` tells it of each step."""
        return np.asarray(self.rows["top"] & ((self.rows["last"] != NO_MARRIAGE) | sold))

    def ways_to(self, items: Places) -> NDArray[np.int64]:
        """The marriages on all ways to some items, sorted."""
        step = np.flatnonzero(np.isin(self.rows["item"], items))
        found = [np.empty(0, np.int64)]
        while len(step):
            found.append(self.rows["last"][step])
            step = np.unique(self.rows["origin"][step])
            step = step[step != NOWHERE]
        return np.unique(np.concatenate(found))


@dataclass(frozen=True, slots=True)
class Walk:
    """A walk over a genealogy."""

    genealogy: Genealogy
    parts: Parts
    as_of: Moment | None
    """Marriages that began later are not looked at."""
    through_packaging: bool
    """Whether packaging holds components beside units."""

    def of(self, start: Start) -> Steps:
        """All things that are reached, suspects themselves too, and the packaging of suspect units."""
        levels = [joined(self._first_steps(start), self._draws(start), self._from_containers(start))]
        done = 0
        while True:
            further = self._further(levels[-1], done)
            done += count(levels[-1])
            if not count(further):
                break
            levels.append(further)
        walked = joined(*levels)
        ends = [self._themselves(start), *self._beside(walked)]
        return Steps(joined(walked, *ends))

    def _married(self, items: Places) -> tuple[NDArray[np.int64], Rows]:
        columns = ("id", "parent", "into_unit", "started", "ended", "disputed")
        which, m = self.genealogy.marriages.of(items, *columns)
        return self._known(which, m)

    def _known(self, which: NDArray[np.int64], m: Rows) -> tuple[NDArray[np.int64], Rows]:
        if self.as_of is None:
            return which, m
        known = m["started"] <= self.as_of
        return which[known], taken(m, known)

    def _first_steps(self, start: Start) -> Rows:
        suspects = start.suspects
        which, m = self._married(suspects["item"])
        lo = np.maximum(suspects["since"][which], m["started"])
        child = suspects["item"][which]
        doubtful = m["disputed"] | np.isin(m["id"], start.doubts)
        steps = _steps(m["parent"], m["into_unit"], lo, m["ended"], doubtful, m["id"], child)
        return taken(steps, lo < m["ended"])

    def _draws(self, start: Start) -> Rows:
        d = start.draws
        return _steps(d["item"], d["top"], d["lo"], d["hi"], np.ones(count(d), np.bool_), d["last"], d["child"])

    def _from_containers(self, start: Start) -> Rows:
        """What was taken from a container once some of a suspect lot was in it."""
        c = start.containers
        which, m = self._married(c["item"])
        started = m["started"]
        doubtful = c["doubtful"][which] | (started >= c["certain_until"][which]) | m["disputed"]
        doubtful |= np.isin(m["id"], start.doubts)
        steps = _steps(m["parent"], m["into_unit"], started, m["ended"], doubtful, m["id"], c["item"][which])
        return taken(steps, (started >= c["since"][which]) & (started < m["ended"]))

    def _further(self, steps: Rows, before: int) -> Rows:
        walkers = np.flatnonzero(~steps["top"])
        from_ = taken(steps, walkers)
        which, m = self._married(from_["item"])
        lo, hi = np.maximum(from_["lo"][which], m["started"]), np.minimum(from_["hi"][which], m["ended"])
        doubtful = from_["doubtful"][which] | m["disputed"]
        child, origin = from_["item"][which], walkers[which] + before
        further = _steps(m["parent"], m["into_unit"], lo, hi, doubtful, m["id"], child, origin)
        return taken(further, lo < hi)

    def _themselves(self, start: Start) -> Rows:
        """Suspects, and containers of suspect lots."""
        s, c = start.suspects, start.containers
        item, since = (np.concatenate([s[name], c[name]]) for name in ("item", "since"))
        doubtful = np.concatenate([np.zeros(count(s), np.bool_), c["doubtful"]])
        all_of_them, no_marriage = np.ones(len(item), np.bool_), np.full(len(item), NO_MARRIAGE, np.int64)
        ends = np.full(len(item), FOREVER, np.int64)
        return _steps(item, all_of_them, since, ends, doubtful, no_marriage, np.full(len(item), NOWHERE, np.int32))

    def _beside(self, walked: Rows) -> Iterator[Rows]:
        """The units that were in the same carton as an accessory: what is itself a unit or packaging is none."""
        if not self.through_packaging:
            return
        part, parts = self.genealogy.items.of, self.parts
        child = walked["child"]
        known = child != NOWHERE
        child_part = part("part", np.where(known, child, 0).astype(np.int32)) if known.any() else child
        accessory = ~known | ~(parts.sold[child_part] | parts.packaging[child_part])
        holders = np.flatnonzero(~walked["top"] & accessory & parts.packaging[part("part", walked["item"])])
        from_ = taken(walked, holders)
        which, m = self.genealogy.packed.of(from_["item"], "id", "child", "started", "ended", "disputed")
        which, m = self._known(which, m)
        lo, hi = np.maximum(from_["lo"][which], m["started"]), np.minimum(from_["hi"][which], m["ended"])
        doubtful, top = from_["doubtful"][which] | m["disputed"], np.ones(len(which), np.bool_)
        beside = _steps(m["child"], top, lo, hi, doubtful, m["id"], m["child"], holders[which])
        yield taken(beside, lo < hi)


def _steps(
    item: NDArray[Any],
    top: Truths,
    lo: NDArray[np.int64],
    hi: NDArray[np.int64],
    doubtful: Truths,
    last: NDArray[np.int64],
    child: NDArray[Any],
    origin: NDArray[np.int64] | None = None,
) -> Rows:
    return {
        "item": item,
        "top": top,
        "lo": lo,
        "hi": hi,
        "doubtful": doubtful,
        "last": last,
        "child": child,
        "origin": np.full(len(item), NOWHERE, np.int64) if origin is None else origin,
    }


# -- what is affected


class Affected(NamedTuple):
    """Things by their places, ascending, and which of them are only possibly affected."""

    items: Places
    possible: Truths


def affected(steps: Rows) -> Affected:
    """Each thing that is reached; possibly only where none of the ways there is certain."""
    reached, doubtful = steps["item"], steps["doubtful"]
    items, which = np.unique(reached, return_inverse=True)
    certain = np.bincount(which, ~doubtful, len(items)) > 0
    return Affected(items, ~certain)


def combined(conditions: Sequence[Affected], excepted: Affected | None) -> Affected:
    """What is in each of the conditions, but not certainly in the excepted; possible where anything is in doubt."""
    items, possible = conditions[0]
    for other in conditions[1:]:
        items, mine, others = np.intersect1d(items, other.items, assume_unique=True, return_indices=True)
        possible = possible[mine] | other.possible[others]
    if excepted is not None:
        spared = np.isin(items, excepted.items[~excepted.possible], assume_unique=True)
        items, possible = items[~spared], possible[~spared]
        possible = possible | np.isin(items, excepted.items, assume_unique=True)
    return Affected(items, possible)
