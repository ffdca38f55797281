"""What the shift needs of lots, and which containers feed which point of use."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace

from partkin.command_line.demo.plant import Label, Plant
from partkin.command_line.demo.told import TakenDown
from partkin.rules.catalogue import Position


@dataclass(frozen=True, slots=True)
class Container:
    """Pieces of a lot, put up at a feeder."""

    label: Label
    units: int
    """That it is enough for before it is taken down."""
    more: int = 0
    """Pieces that are left in it then."""
    missing: int = 0
    """Pieces that go out of it without a record."""


Together = tuple[Container, ...]
"""Containers that are up at once, each at a feeder of its own."""


@dataclass(slots=True)
class Loading:
    """What a station says when it changes a container."""

    feeder: str
    label: Label | None
    """None: the feeder is emptied."""
    quantity: int
    returned: int
    """Pieces that were left in what was there."""


@dataclass(slots=True)
class Feed:
    """A point of use and the containers that follow each other there."""

    scan_point: str
    position: str
    pieces: int
    """That a unit takes."""
    waiting: list[Together]
    up: Together = ()
    left: int = 0
    """Units that what is up is still enough for."""

    @property
    def labels(self) -> tuple[Label, ...]:
        """The containers that are up."""
        return tuple(container.label for container in self.up)

    def change(self) -> list[Loading]:
        """What must be put up before the next unit; nothing while there is enough."""
        if self.left > 0 or not self.waiting:
            return []
        before, self.up = self.up, self.waiting.pop(0)
        self.left = sum(container.units for container in self.up)
        return [self._loading(place, before) for place in range(max(len(before), len(self.up)))]

    def _loading(self, place: int, before: Together) -> Loading:
        returned = before[place].more if place < len(before) else 0
        if place >= len(self.up):
            return Loading(str(place + 1), None, 0, returned)
        container = self.up[place]
        quantity = self.pieces * container.units + container.more + container.missing
        return Loading(str(place + 1), container.label, quantity, returned)


class Supplies:
    """The containers of a shift, for so many built items of each part on each line."""

    def __init__(self, plant: Plant, planned: Mapping[tuple[str, str | None], int]) -> None:
        self._plant = plant
        self.feeds: dict[tuple[str, str], Feed] = {}
        """By scan point and position."""
        self.transferred: dict[Label, dict[Label, int]] = {}
        """To be put into each container of each lot, in pieces."""
        self.pieces: Counter[Label] = Counter()
        """To be received of each lot."""
        for position, code, units in self._points_of_use(planned):
            waiting = self._waiting(code, position, units)
            self.feeds[code, position.position] = Feed(code, position.position, position.quantity, waiting)
        for container, pieces in self._needed().items():
            self._take_in(container, pieces + plant.story.spare_pieces)

    def at(self, scan_point: str, position: str | None = None) -> list[Feed]:
        """The points of use of a scan point, or the one of a position."""
        return [
            feed for (code, of), feed in self.feeds.items() if code == scan_point and position in (None, feed.position)
        ]

    def _points_of_use(self, planned: Mapping[tuple[str, str | None], int]) -> Iterator[tuple[Position, str, int]]:
        units: Counter[tuple[str, str]] = Counter()
        positions: dict[tuple[str, str], Position] = {}
        for (part, line), number in planned.items():
            for code in self._plant.route(part, line):
                for position in self._plant.positions(part):
                    if code in position.scan_points and self._plant.taken(position).trace == "lot":
                        units[code, position.position] += number
                        positions[code, position.position] = position
        for key, number in units.items():
            yield positions[key], key[0], number

    def _waiting(self, code: str, position: Position, units: int) -> list[Together]:
        """The containers of a point of use in their order, the last one with some pieces more than are needed."""
        waiting = _shared_out(self._plant.lots(self._plant.taken(position).part), units)
        taken_down = self._plant.story.taken_down
        if (taken_down.scan_point, taken_down.position) == (code, position.position):
            waiting = _taken_down(waiting, taken_down, position.quantity)
        waiting = [tuple(self._with_missing(code, container) for container in together) for together in waiting]
        *others, (*first, last) = waiting
        return [*others, (*first, replace(last, more=self._plant.story.spare_pieces))]

    def _with_missing(self, code: str, container: Container) -> Container:
        told = (code, container.label.code)
        missing = (one.pieces for one in self._plant.story.missing if (one.scan_point, one.container) == told)
        return replace(container, missing=sum(missing))

    def _needed(self) -> Counter[Label]:
        """Pieces of each container; one that is taken down and comes back is counted once."""
        needed: Counter[Label] = Counter()
        for feed in self.feeds.values():
            for together in feed.waiting:
                for container in together:
                    needed[container.label] += feed.pieces * container.units
            needed[feed.waiting[-1][-1].label] += feed.waiting[-1][-1].more
        return needed

    def _take_in(self, container: Label, pieces: int) -> None:
        sources = self._plant.sources(container)
        shares = {lot: -(-pieces * share // sum(sources.values())) for lot, share in sources.items()}
        if list(shares) != [container]:
            self.transferred[container] = shares
        self.pieces.update(shares)


def _shared_out(lots: list[tuple[list[Label], float]], units: int) -> list[Together]:
    """Whole units to each lot by its share, the rest to the last one; what is up beside a lot is not touched."""
    shares = [max(1, round(share * units)) for _, share in lots[:-1]]
    rest = max(1, units - sum(shares))
    return [
        (Container(first, number), *(Container(beside, 0) for beside in others))
        for ((first, *others), _), number in zip(lots, [*shares, rest], strict=True)
    ]


def _taken_down(waiting: list[Together], told: TakenDown, pieces: int) -> list[Together]:
    """The first container is taken down before it is empty, and put up again after a part of the second."""
    (first,), (second,), *others = waiting
    at_first = max(1, round(first.units * told.after))
    before = max(1, round(second.units * told.before))
    rest = first.units - at_first
    return [
        (Container(first.label, at_first, rest * pieces),),
        (Container(second.label, before, (second.units - before) * pieces),),
        (Container(first.label, rest),),
        (Container(second.label, second.units - before),),
        *others,
    ]
