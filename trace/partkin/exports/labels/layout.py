"""Where everything stands on a label."""

from __future__ import annotations

import math
import re
from collections.abc import Iterator
from dataclasses import dataclass

from partkin.exports.labels.drawing import Drawing, Rectangle, Text
from partkin.exports.labels.symbols import Pattern, pattern_of
from partkin.exports.labels.texts import Room, fitted, height_of, placed
from partkin.rules.labels import Code, Label, LabelError, Line

_GAP = 1.0
"""Between the code and the texts, in mm."""

_MOST_HEADING, _MOST_INTERPRETATION, _MOST_CODE = 0.3, 0.3, 0.5
"""Parts of the room that the heading, the interpretation of the code and a code of squares may take."""

_TOLERANCE = 0.01
"""By how much of a dot a module may be narrower than stated, so that it is a whole number of dots."""


def lay_out(label: Label, dot: float | None = None) -> Drawing:
    """Place the code and the texts; with the size of a dot in mm, the code stands on whole dots.

    The heading goes over the whole width. A code of squares stands right of the other texts, on an upright label and
    where it is made of bars below them.

    Raises LabelError where the code or the texts do not fit, and for a character that the font does not have.
    """
    inner = Room(label.margin, label.margin, label.width - 2 * label.margin, label.height - 2 * label.margin)
    heading = fitted(label.lines[:1], inner.width, _MOST_HEADING * inner.height)
    below = inner.without_top(height_of(heading))
    beside = label.code.bar_height is None and label.width > label.height
    rectangles, texts = _code_beside(label, below, dot) if beside else _code_below(label, below, dot)
    return Drawing(label.width, label.height, rectangles, (*placed(heading, inner), *texts))


_Drawn = tuple[tuple[Rectangle, ...], tuple[Text, ...]]
"""The code, and all texts but the heading."""


def _code_below(label: Label, room: Room, dot: float | None) -> _Drawn:
    interpretation = fitted([_interpretation(label)], room.width, _MOST_INTERPRETATION * room.height)
    bottom = room.bottom - height_of(interpretation)
    side = room.width if label.code.bar_height is not None else min(room.width, _MOST_CODE * room.height)
    symbol = _symbol(label, side, dot)
    top = bottom - symbol.height
    body = fitted(label.lines[1:], room.width, top - _GAP - room.y)
    rectangles = symbol.at(room.x + (room.width - symbol.width) / 2, top, dot)
    under = placed(interpretation, Room(room.x, bottom, room.width, room.bottom - bottom), centred=True)
    return rectangles, (*placed(body, room), *under)


def _code_beside(label: Label, room: Room, dot: float | None) -> _Drawn:
    symbol = _symbol(label, min(_MOST_CODE * room.width, room.height), dot)
    left = room.x + room.width - symbol.width
    width = left - _GAP - room.x
    # Plain text says no more than the line that names the item.
    lines = [_interpretation(label)] if label.code.elements else []
    interpretation = fitted(lines, width, _MOST_INTERPRETATION * room.height)
    height = height_of(interpretation)
    body = fitted(label.lines[1:], width, room.height - height)
    rectangles = symbol.at(left, room.bottom - symbol.height, dot)
    at_bottom = placed(interpretation, Room(room.x, room.bottom - height, width, height))
    return rectangles, (*placed(body, room), *at_bottom)


def _interpretation(label: Label) -> Line:
    return Line(" ".join(label.code.texts), label.code_text_size)


@dataclass(frozen=True, slots=True)
class _Symbol:
    """A code with the size of its modules and its quiet zones, in mm."""

    pattern: Pattern
    module: float
    module_height: float
    quiet_x: float
    quiet_y: float

    @property
    def width(self) -> float:
        return len(self.pattern[0]) * self.module + 2 * self.quiet_x

    @property
    def height(self) -> float:
        return len(self.pattern) * self.module_height + 2 * self.quiet_y

    def at(self, left: float, top: float, dot: float | None) -> tuple[Rectangle, ...]:
        """The black modules, those beside one another as one rectangle; its quiet zones begin at left and top."""
        x, y = _on_dots(left + self.quiet_x, dot), _on_dots(top + self.quiet_y, dot)
        return tuple(
            Rectangle(x + start * self.module, y + row * self.module_height, length * self.module, self.module_height)
            for row, start, length in _runs(self.pattern)
        )


def _runs(pattern: Pattern) -> Iterator[tuple[int, int, int]]:
    for index, row in enumerate(pattern):
        for run in re.finditer("1+", row):
            yield index, run.start(), len(run[0])


def _symbol(label: Label, room: float, dot: float | None) -> _Symbol:
    """The code as wide as usual, or as a room of so many mm allows; there is as much room in height for squares."""
    pattern = pattern_of(label.code)
    module = _module(label, len(pattern[0]) + 2 * label.code.quiet_zone, room, dot)
    quiet = label.code.quiet_zone * module
    if label.code.bar_height is not None:
        return _Symbol(pattern, module, _on_dots(label.code.bar_height, dot), quiet, 0)
    return _Symbol(pattern, module, module, quiet, quiet)


def _module(label: Label, across: int, room: float, dot: float | None) -> float:
    """The width of a module of a code that has so many across. Raises LabelError."""
    usual, least = label.code.modules.usual, label.code.modules.least
    widest = room / across
    if dot is not None:
        usual, least = (math.ceil(width / dot - _TOLERANCE) * dot for width in (usual, least))
        widest = math.floor(widest / dot) * dot
    if widest < least:
        raise LabelError(_too_wide(label.kind, label.code, across * least, room, least))
    return min(usual, widest)


def _too_wide(kind: str, code: Code, width: float, room: float, module: float) -> str:
    return (
        f"{code.symbol} with {''.join(code.texts)} is {width:.1f} mm wide even with modules of {module:.2f} mm, "
        f"{width - room:.1f} mm too wide for a {kind} label: print another symbol, a larger label, or with more dots "
        "per inch."
    )


def _on_dots(length: float, dot: float | None) -> float:
    return length if dot is None else round(length / dot) * dot
