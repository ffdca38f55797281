"""Texts fitted to their room: broken between words, smaller if need be, never cut off."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

from partkin.exports.fonts import missing_from, width_of
from partkin.exports.labels.drawing import Text
from partkin.rules.labels import LabelError, Line
from partkin.rules.labels.forms import LEAST_TEXT

_LINE_HEIGHT = 1.2
_BASELINE = 0.94
"""Below the top of the line, so that capitals may have accents; both are parts of the font size."""

_SMALLER = 0.96
"""What is tried next where the texts are too high."""

_OVERHANG = 0.15
"""How far a last character such as ď reaches beyond its width, as a part of the font size."""

_ROUNDING = 1e-6


@dataclass(frozen=True, slots=True)
class Room:
    """A part of the label, in mm from the upper left corner."""

    x: float
    y: float
    width: float
    height: float

    @property
    def bottom(self) -> float:
        """Where it ends."""
        return self.y + self.height

    def without_top(self, height: float) -> Room:
        """What is left below so many mm."""
        return Room(self.x, self.y + height, self.width, self.height - height)


def fitted(lines: Sequence[Line], width: float, height: float) -> list[Line]:
    """Lines of text broken and made smaller so that they fit a width and a height, in mm.

    Raises LabelError where they do not fit even in the smallest size, and for a character that the font does not have.
    """
    for line in lines:
        _check_characters(line)
    pieces = _pieces(lines, width)
    while height_of(pieces) > height + _ROUNDING:
        if all(line.size <= LEAST_TEXT for line in lines):
            raise LabelError(
                f"The text {lines[0].text!r} and what follows it are {height_of(pieces):.1f} mm high even in the "
                f"smallest font, and there are {height:.1f} mm: shorten the description or the marking lines, or "
                "print a larger label."
            )
        lines = [replace(line, size=max(LEAST_TEXT, line.size * _SMALLER)) for line in lines]
        pieces = _pieces(lines, width)
    return pieces


def _check_characters(line: Line) -> None:
    if (character := missing_from(line.text, line.bold)) is not None:
        raise LabelError(
            f"The label's font has no character for {character!r} (U+{ord(character):04X}) in {line.text!r}: "
            "write it in letters that it has, Latin, Greek or Cyrillic."
        )


def _pieces(lines: Iterable[Line], width: float) -> list[Line]:
    return [piece for line in lines for piece in _wrapped(line, width)]


def _wrapped(line: Line, width: float) -> list[Line]:
    """A line broken into pieces of at most a width, in mm; smaller where a word would not fit otherwise."""
    words = line.text.split(" ")
    longest = max(_reach(word, 1, line.bold) for word in words)
    size = max(LEAST_TEXT, min(line.size, width / longest))
    texts = [""]
    for word in _short_words(words, width, size, line.bold):
        longer = f"{texts[-1]} {word}" if texts[-1] else word
        if _reach(longer, size, line.bold) <= width + _ROUNDING:
            texts[-1] = longer
        else:
            texts.append(word)
    return [Line(text, size, line.bold) for text in texts]


def _reach(text: str, size: float, bold: bool) -> float:
    return width_of(text, size, bold) + _OVERHANG * size


def _short_words(words: Iterable[str], width: float, size: float, bold: bool) -> Iterator[str]:
    """Words, those that are too long even in the smallest size broken where the line ends."""
    for word in words:
        rest = word
        while _reach(rest, size, bold) > width + _ROUNDING:
            fitting = next(end for end in range(len(rest) - 1, 0, -1) if _reach(rest[:end], size, bold) <= width)
            yield rest[:fitting]
            rest = rest[fitting:]
        yield rest


def height_of(pieces: Iterable[Line]) -> float:
    """The height of lines one below the other, in mm."""
    return sum(piece.size * _LINE_HEIGHT for piece in pieces)


def placed(pieces: Iterable[Line], room: Room, *, centred: bool = False) -> Iterator[Text]:
    """Fitted lines one below the other, from the top of the room."""
    top = room.y
    for piece in pieces:
        width = width_of(piece.text, piece.size, piece.bold)
        x = room.x + (room.width - width) / 2 if centred else room.x
        if piece.text:
            yield Text(piece.text, x, top + _BASELINE * piece.size, width, piece.size, piece.bold)
        top += piece.size * _LINE_HEIGHT
