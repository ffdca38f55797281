"""Certain or possible: around a lot change at a point of use, the first and last pieces can be of either lot."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from itertools import pairwise
from typing import NamedTuple

from partkin.rules.moments import Moment
from partkin.rules.rows import LoadingRow


class LotChange(NamedTuple):
    """One lot followed another at a point of use, and nothing was empty in between."""

    point_of_use_id: int
    at: Moment
    before: int
    after: int


class Draw(NamedTuple):
    """Pieces that a unit took at a point of use."""

    marriage: int
    pieces: int


def lot_changes(loadings: Iterable[LoadingRow]) -> Iterator[LotChange]:
    """The changes in the timelines of feeders, or in parts of timelines.

    A loading that lasted no time is none. The same lot loaded again is no change.
    """
    lasting = sorted(
        (row for row in loadings if row.loaded_at < row.unloaded_at),
        key=lambda row: (row.point_of_use_id, row.feeder, row.loaded_at),
    )
    for old, new in pairwise(lasting):
        same = (old.point_of_use_id, old.feeder) == (new.point_of_use_id, new.feeder)
        follows = same and old.unloaded_at == new.loaded_at
        if follows and old.lot_id is not None and new.lot_id is not None and old.lot_id != new.lot_id:
            yield LotChange(new.point_of_use_id, new.loaded_at, old.lot_id, new.lot_id)


def other_lots(
    change: LotChange, drawn_before: Iterable[Draw], drawn_after: Iterable[Draw], slack: int
) -> Iterator[tuple[int, int]]:
    """Marriages within the slack of a change, each with the other lot that it may be of.

    The draws on each side, at whichever feeder, come nearest to the change first. `slack` is in pieces.
    """
    for marriage in _within(slack, drawn_before):
        yield marriage, change.after
    for marriage in _within(slack, drawn_after):
        yield marriage, change.before


def _within(slack: int, draws: Iterable[Draw]) -> Iterator[int]:
    """Draws that have fewer pieces than the slack between themselves and the change."""
    counted = 0
    for draw in draws:
        if counted >= slack:
            return
        yield draw.marriage
        counted += draw.pieces
