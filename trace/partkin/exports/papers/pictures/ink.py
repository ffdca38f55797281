"""What the pictures are drawn with: a few quiet colours that differ in brightness too, hatching, and texts that fit.

Lengths are points; y grows upwards.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterator
from typing import Literal

from reportlab.graphics.shapes import Drawing, Line, Rect, Shape, String  # type: ignore[import-untyped]
from reportlab.lib.colors import HexColor  # type: ignore[import-untyped]

from partkin.exports.fonts import font_name, register_fonts, width_of

INK = HexColor("#1B2A38")
DARK = HexColor("#1F4E79")
MIDDLE = HexColor("#6F8294")
LIGHT = HexColor("#B9C6D2")
LINE = HexColor("#94A7B8")
PALE = HexColor("#E9EEF3")
RUST = HexColor("#A0480F")
SAND = HexColor("#FBEBDC")
PAPER = HexColor("#FFFFFF")

SIZE = 7.0
LINE_HEIGHT = 8.6
"""A text's own height, and what keeps it clear of the next line."""

_ELLIPSIS = "…"
_HATCH_DISTANCE = 3.0


def paper(width: float, height: float) -> Drawing:
    """An empty picture; the fonts are ready."""
    register_fonts()
    return Drawing(width, height)


def sentence(words: str, width: float) -> Drawing:
    """A picture that says only why there is nothing to see."""
    drawing = paper(width, 2 * LINE_HEIGHT)
    drawing.add(text(cut(words, width), 0, LINE_HEIGHT / 2))
    return drawing


def cut(words: str, width: float, *, bold: bool = False, size: float = SIZE) -> str:
    """The words on one line, their end left out where they are wider than the width."""
    line = " ".join(words.split())
    if width_of(line, size, bold) <= width:
        return line
    ends = range(len(line))
    fitting = bisect_right(ends, width, key=lambda end: width_of(line[:end] + _ELLIPSIS, size, bold))
    return line[: max(0, fitting - 1)].rstrip() + _ELLIPSIS if fitting else ""


def counted(number: int, one: str, many: str) -> str:
    """A number with its noun: `1 unit`, `1,200 units`."""
    return f"{number:,} {one if number == 1 else many}"


def text(
    words: str,
    x: float,
    y: float,
    *,
    bold: bool = False,
    size: float = SIZE,
    anchor: Literal["start", "middle", "end"] = "start",
) -> String:
    """A line of text whose base line is at y."""
    return String(x, y, words, fontName=font_name(bold), fontSize=size, fillColor=INK, textAnchor=anchor)


def certain(x: float, y: float, width: float, height: float) -> Iterator[Shape]:
    """A full dark area."""
    yield Rect(x, y, width, height, fillColor=DARK, strokeColor=DARK, strokeWidth=0.3)


def possible(x: float, y: float, width: float, height: float) -> Iterator[Shape]:
    """A hatched area."""
    yield Rect(x, y, width, height, fillColor=SAND, strokeColor=RUST, strokeWidth=0.3)
    yield from _hatching(x, y, width, height)


def unaffected(x: float, y: float, width: float, height: float) -> Iterator[Shape]:
    """An empty area with an outline."""
    yield Rect(x, y, width, height, fillColor=PAPER, strokeColor=MIDDLE, strokeWidth=0.3)


def _hatching(x: float, y: float, width: float, height: float) -> Iterator[Shape]:
    """Lines at 45 degrees that end at the edges, on one grid for the whole picture."""
    distance = (x - y + width) % _HATCH_DISTANCE - width
    while distance < height:
        left, right = max(0.0, -distance), min(width, height - distance)
        if right > left:
            yield Line(
                x + left, y + left + distance, x + right, y + right + distance, strokeColor=RUST, strokeWidth=0.45
            )
        distance += _HATCH_DISTANCE
