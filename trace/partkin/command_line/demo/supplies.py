"""What the shift needs of lots, and which container feeds which point of use."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass

from partkin.command_line.demo.plant import Label, Plant
from partkin.rules.catalogue import Position


@dataclass(slots=True)
class Feed:
    """A point of use and the containers that follow each other there."""

    scan_point: str
    position: str
    waiting: list[tuple[Label, int]]
    """Each with the number of units that it is enough for."""
    up: Label | None = None
    left: int = 0

    def change(self) -> Label | None:
        """The container that must be put up before the next unit; None while the present one is not empty."""
        if self.left > 0 or not self.waiting:
            return None
        self.up, self.left = self.waiting.pop(0)
        return self.up


class Supplies:
    """The containers of a shift, for so many built items of each part on each line."""

    def __init__(self, plant: Plant, planned: Mapping[tuple[str, str | None], int]) -> None:
        self.feeds: dict[tuple[str, str], Feed] = {}
        """By scan point and position."""
        self.pieces: Counter[Label] = Counter()
        """To be received of each lot."""
        units: Counter[tuple[str, str]] = Counter()
        positions: dict[tuple[str, str], Position] = {}
        for (part, line), number in planned.items():
            for code in plant.route(part, line):
                for position in plant.positions(part):
                    if code in position.scan_points and plant.taken(position).trace == "lot":
                        units[code, position.position] += number
                        positions[code, position.position] = position
        for key, number in units.items():
            waiting = _shared_out(plant.lots(plant.taken(positions[key]).part), number)
            self.feeds[key] = Feed(*key, waiting)
            for label, enough_for in waiting:
                self.pieces[label] += enough_for * positions[key].quantity
        for label in self.pieces:
            self.pieces[label] += plant.story.spare_pieces

    def at(self, scan_point: str) -> list[Feed]:
        """The points of use of a scan point."""
        return [feed for (code, _), feed in self.feeds.items() if code == scan_point]


def _shared_out(lots: list[tuple[Label, float]], units: int) -> list[tuple[Label, int]]:
    """Whole units to each lot by its share, the rest to the last one."""
    shares = [(label, max(1, round(share * units))) for label, share in lots[:-1]]
    rest = units - sum(number for _, number in shares)
    return [*shares, (lots[-1][0], max(1, rest))]
