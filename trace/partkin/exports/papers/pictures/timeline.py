"""When a suspect lot was in use, and what was made meanwhile, on one axis of time."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import groupby

from reportlab.graphics.shapes import Drawing, Line, Polygon, Rect, Shape  # type: ignore[import-untyped]

from partkin.exports.fonts import width_of
from partkin.exports.papers.model import LotUse, Production
from partkin.exports.papers.pictures import ink
from partkin.exports.papers.pictures.axis import Axis, axis_of

_ROW = 10.5
_MOST_ROWS = 42
_BARS = 62.0
"""Height of the highest bar of production."""

_LEAST_BAR = 2.5
_ARROW = 6.0
_RIGHT = 26.0
"""Free at the right, for an arrow and for half of the last tick's text."""

_AXIS = 2 * ink.LINE_HEIGHT + 5
_GAP = 6.0
_SWATCH = 11.0
_BETWEEN = 13.0

_Shapes = Iterator[Shape]
_Swatch = Callable[[float, float, float, float], _Shapes]


@dataclass(frozen=True, slots=True)
class _Row:
    """A place and its uses; without uses the heading of a lot."""

    words: str
    uses: Sequence[LotUse]


def timeline(uses: Sequence[LotUse], production: Sequence[Production], width: float) -> Drawing:
    """Where suspect lots were in use, a row a place, and what was made, over time in UTC; the width is in points."""
    if not uses and not production:
        return ink.sentence("No use of a suspect lot and no production is known.", width)
    rows = _rows(uses)
    axis = _axis(uses, production, rows, width)
    bars = _merged(production, max(1, int(axis.width / _LEAST_BAR)))
    rows_from = _AXIS + (_BARS + 2 * _GAP if bars else 0)
    rows_to = rows_from + len(rows) * _ROW
    legend = list(_flowing(_legend(uses, production), width))
    drawing = ink.paper(width, rows_to + _GAP + (legend[-1][1] + 1) * ink.LINE_HEIGHT)
    for shape in (
        *_drawn_axis(axis, rows_to),
        *_drawn_bars(bars, axis),
        *_drawn_rows(rows, axis, rows_to, width),
        *_drawn_legend(legend, drawing.height),
    ):
        drawing.add(shape)
    return drawing


def _rows(uses: Iterable[LotUse]) -> list[_Row]:
    rows: list[_Row] = []
    ordered = sorted(uses, key=lambda use: (use.part, use.lot, use.where, use.since))
    for (part, lot), of_lot in groupby(ordered, key=lambda use: (use.part, use.lot)):
        places = [_Row(where, list(group)) for where, group in groupby(of_lot, key=lambda use: use.where)]
        rows += [_Row(f"{part}, lot {lot}", ()), *sorted(places, key=lambda row: row.uses[0].since)]
    return rows if len(rows) <= _MOST_ROWS else _folded(rows)


def _folded(rows: Sequence[_Row]) -> list[_Row]:
    """The last row stands for all that find no room."""
    shown = _MOST_ROWS - 1 if rows[_MOST_ROWS - 2].uses else _MOST_ROWS - 2
    rest = [row for row in rows[shown:] if row.uses]
    uses = [use for row in rest for use in row.uses]
    return [*rows[:shown], _Row(f"… and {ink.counted(len(rest), 'more place', 'more places')}", uses)]


def _axis(uses: Sequence[LotUse], production: Sequence[Production], rows: Sequence[_Row], width: float) -> Axis:
    moments: list[datetime] = [moment for use in uses for moment in (use.since, use.until or use.since)]
    moments += [moment for stretch in production for moment in (stretch.since, stretch.until)]
    longest = max((width_of(row.words, ink.SIZE, False) for row in rows if row.uses), default=0)
    left = min(max(longest + 2 * _GAP, 0.18 * width), 0.36 * width)
    return axis_of(moments, left, width - left - _RIGHT)


def _merged(production: Iterable[Production], most: int) -> list[Production]:
    """Neighbours added up, so that there are no more bars than can be seen."""
    ordered = sorted(production, key=lambda stretch: stretch.since)
    together = -(-len(ordered) // most)
    return [_sum(ordered[start : start + together]) for start in range(0, len(ordered), together or 1)]


def _sum(stretches: Sequence[Production]) -> Production:
    return Production(
        stretches[0].since,
        max(one.until for one in stretches),
        sum(one.units for one in stretches),
        sum(one.certain for one in stretches),
        sum(one.possible for one in stretches),
    )


# ------------------------------------------------------------------------------------------------------------
# Drawn
# ------------------------------------------------------------------------------------------------------------


def _drawn_axis(axis: Axis, top: float) -> _Shapes:
    yield ink.text("UTC", 0, _AXIS - ink.LINE_HEIGHT)
    yield Line(axis.left, _AXIS, axis.right, _AXIS, strokeColor=ink.INK, strokeWidth=0.7)
    for tick in axis.ticks():
        yield Line(tick.x, _AXIS, tick.x, top, strokeColor=ink.PALE, strokeWidth=0.5)
        yield Line(tick.x, _AXIS, tick.x, _AXIS - 2.5, strokeColor=ink.INK, strokeWidth=0.7)
        yield ink.text(tick.upper, tick.x, _AXIS - ink.LINE_HEIGHT - 1.5, anchor="middle")
        if tick.lower:
            yield ink.text(tick.lower, tick.x, _AXIS - 2 * ink.LINE_HEIGHT - 1.5, anchor="middle")


def _drawn_bars(bars: Sequence[Production], axis: Axis) -> _Shapes:
    if not bars:
        return
    most = max(*(bar.units for bar in bars), 1)
    top = _AXIS + _BARS
    yield ink.text(ink.cut("Units started", axis.left - _GAP, bold=True), 0, top - ink.LINE_HEIGHT, bold=True)
    scale = f"highest: {ink.counted(most, 'unit', 'units')}"
    yield ink.text(ink.cut(scale, axis.left - _GAP), 0, top - 2 * ink.LINE_HEIGHT)
    for bar in bars:
        yield from _drawn_bar(bar, axis, (_BARS - 4) / most)


def _drawn_bar(bar: Production, axis: Axis, per_unit: float) -> _Shapes:
    x = axis.x(bar.since)
    width = max(axis.x(bar.until) - x - 0.5, 1.0)
    bottom = _AXIS + 0.5
    rest = max(0, bar.units - bar.certain - bar.possible)
    for units, area in ((bar.certain, ink.certain), (bar.possible, ink.possible), (rest, ink.unaffected)):
        if units:
            height = max(units * per_unit, 0.8)
            yield from area(x, bottom, width, height)
            bottom += height


def _drawn_rows(rows: Sequence[_Row], axis: Axis, top: float, width: float) -> _Shapes:
    for number, row in enumerate(rows, 1):
        bottom = top - number * _ROW
        if row.uses:
            yield ink.text(ink.cut(row.words, axis.left - _GAP), 0, bottom + 2.6)
            for use in row.uses:
                yield from _drawn_use(use, axis, bottom + 2)
        else:
            yield Rect(0, bottom + 0.5, width, _ROW - 1, fillColor=ink.PALE, strokeColor=None)
            yield ink.text(ink.cut(row.words, width - _GAP, bold=True), 3, bottom + 2.8, bold=True)


def _drawn_use(use: LotUse, axis: Axis, y: float) -> _Shapes:
    x = axis.x(use.since)
    if use.until is None:
        yield from _bar(x, y, axis.right - x, 6)
        yield from _arrow(axis.right, y, _ARROW, 6)
    elif use.until == use.since:
        yield from _mark(x - 3.2, y, 6.4, 6)
    else:
        yield from _bar(x, y, max(axis.x(use.until) - x, 1.0), 6)


def _bar(x: float, y: float, width: float, height: float) -> _Shapes:
    yield Rect(x, y, width, height, fillColor=ink.LIGHT, strokeColor=ink.INK, strokeWidth=0.4)


def _arrow(x: float, y: float, width: float, height: float) -> _Shapes:
    points = [x, y - 1.2, x + width, y + height / 2, x, y + height + 1.2]
    yield Polygon(points, fillColor=ink.INK, strokeColor=ink.INK, strokeWidth=0.4)


def _mark(x: float, y: float, width: float, height: float) -> _Shapes:
    across, up = x + width / 2, y + height / 2
    points = [x, up, across, y + height, x + width, up, across, y]
    yield Polygon(points, fillColor=ink.INK, strokeColor=ink.PAPER, strokeWidth=0.3)


# ------------------------------------------------------------------------------------------------------------
# What the marks mean
# ------------------------------------------------------------------------------------------------------------


def _legend(uses: Sequence[LotUse], production: Sequence[Production]) -> Iterator[tuple[_Swatch, str]]:
    if any(use.until != use.since for use in uses):
        yield _bar, "lot in use"
    if any(use.until is None for use in uses):
        yield _arrow, "still in use"
    if any(use.until == use.since for use in uses):
        yield _mark, "received"
    if production:
        total = _sum(production)
        rest = total.units - total.certain - total.possible
        yield ink.certain, f"certain: {ink.counted(total.certain, 'unit', 'units')}"
        yield ink.possible, f"possible: {ink.counted(total.possible, 'unit', 'units')}"
        yield ink.unaffected, f"not affected: {ink.counted(rest, 'unit', 'units')}"


def _flowing(legend: Iterable[tuple[_Swatch, str]], width: float) -> Iterator[tuple[float, int, _Swatch, str]]:
    """Where each stands: from the left, and on which line."""
    x, line = 0.0, 0
    for swatch, words in legend:
        needed = _SWATCH + 3 + width_of(words, ink.SIZE, False)
        if x and x + needed > width:
            x, line = 0.0, line + 1
        yield x, line, swatch, words
        x += needed + _BETWEEN


def _drawn_legend(legend: Iterable[tuple[float, int, _Swatch, str]], top: float) -> _Shapes:
    for x, line, swatch, words in legend:
        y = top - (line + 1) * ink.LINE_HEIGHT + 2
        yield from swatch(x, y, _SWATCH, 5)
        yield ink.text(words, x + _SWATCH + 3, y)
