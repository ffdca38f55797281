"""Draws at points of use, booked anew when it becomes known late, or otherwise, what was up there."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace

from partkin.rules.facts import ItemKey, Redrawn, Use
from partkin.rules.judging.case import Case
from partkin.rules.known import in_booking_order
from partkin.rules.moments import Moment
from partkin.rules.rows import LoadingRow, MarriageRow


def redraw(
    case: Case, use: Use, since: Moment, until: Moment, timeline: Iterable[LoadingRow], names: Mapping[int, ItemKey]
) -> int:
    """Book the draws of some time by what is now known to have been up; how many come from another lot than before.

    `timeline` are the loadings of the point of use as they are from now on; `names` has lots that are new.
    """
    point = case.known.points_of_use[use]
    draws = sorted(
        (draw for draw in case.known.draws.get(point.id, ()) if since <= draw.started < until),
        key=lambda draw: (draw.started, draw.id),
    )
    before = {draw.id: booked_on(case.known.loadings[point.id], draw) for draw in draws}
    moved = list(_moved(draws, before, [replace(row) for row in timeline]))
    for (was, lot_id, now), of_kind in _grouped(moved):
        lot = None if lot_id is None else names.get(lot_id) or case.known.item[lot_id].key
        numbers = tuple(draw.id for draw in of_kind)
        case.facts.append(Redrawn(use, lot, of_kind[0].started, of_kind[-1].started + 1, was, now, numbers))
    return sum(lot_id != draw.child_id for (_, lot_id, _), draw in moved)


_Move = tuple[int | None, int | None, int | None]
"""The loading that a draw was booked on, and the lot and loading that it is booked on from now on."""


def booked_on(loadings: Iterable[LoadingRow], draw: MarriageRow) -> int | None:
    """The loading that a draw is booked on: the first one of its lot that was up."""
    of_lot = [
        row for row in loadings if row.lot_id == draw.child_id and row.loaded_at <= draw.started < row.unloaded_at
    ]
    return min(of_lot, key=lambda row: (row.loaded_at, row.feeder)).id if of_lot and draw.child_id is not None else None


def _moved(
    draws: Sequence[MarriageRow], before: Mapping[int, int | None], timeline: list[LoadingRow]
) -> Iterator[tuple[_Move, MarriageRow]]:
    """The draws that come from another lot, or another counted container, in their order.

    The rows of the timeline are used up meanwhile.
    """
    by_number = {row.id: row for row in timeline}
    for draw in draws:
        was = by_number.get(before[draw.id] or 0)
        if was is not None:
            was.drawn -= draw.quantity
    for draw in draws:
        up = in_booking_order(timeline, draw.started)
        if up:
            up[0].drawn += draw.quantity
        now, lot_id = (up[0].id, up[0].lot_id) if up else (None, None)
        was = by_number.get(before[draw.id] or 0)
        counted = any(row is not None and row.quantity is not None for row in (was, *up[:1]))
        if lot_id != draw.child_id or (counted and now != before[draw.id]):
            yield (before[draw.id], lot_id, now), draw


def _grouped(moved: Iterable[tuple[_Move, MarriageRow]]) -> Iterable[tuple[_Move, list[MarriageRow]]]:
    groups: dict[_Move, list[MarriageRow]] = {}
    for move, draw in moved:
        groups.setdefault(move, []).append(draw)
    return groups.items()
