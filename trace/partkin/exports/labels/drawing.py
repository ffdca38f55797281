"""A drawn label: nothing but black rectangles and texts, in mm from the upper left corner."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Rectangle:
    """A black rectangle."""

    x: float
    y: float
    width: float
    height: float


@dataclass(frozen=True, slots=True)
class Text:
    """A text on one line, beginning at x on the baseline y."""

    text: str
    x: float
    y: float
    width: float
    size: float
    """Of the font."""
    bold: bool


@dataclass(frozen=True, slots=True)
class Drawing:
    """A label, white where nothing is drawn."""

    width: float
    height: float
    rectangles: tuple[Rectangle, ...]
    """The code."""
    texts: tuple[Text, ...]
