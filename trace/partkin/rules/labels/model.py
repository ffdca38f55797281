"""What a label is made from, and what it is."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import get_args

from partkin.rules.facts import ItemKind, LabelKind, Symbol
from partkin.rules.identification import Element

SYMBOLS: tuple[Symbol, ...] = get_args(Symbol)


class LabelError(Exception):
    """A label that cannot be made; says why, and what to do."""


@dataclass(frozen=True, slots=True)
class Labelled:
    """The item that gets a label."""

    part: str
    description: str
    kind: ItemKind
    code: str
    """Its serial number or lot."""
    gtin: str | None = None
    """Of the part, 14 digits."""
    cpid: str | None = None
    of_lot: str | None = None
    """The lot that a serial item came from."""
    produced_on: date | None = None
    expires_on: date | None = None
    """Last day of use."""
    quantity: int | None = None
    """Pieces in what bears the label."""
    plain: bool = False
    """Whether the part's label pattern reads the code."""
    sscc: bool = False
    """Whether the code is a serial shipping container code, 18 digits."""
    markings: tuple[str, ...] = ()
    """Lines printed on the rating plate."""


@dataclass(frozen=True, slots=True)
class Line:
    """A line of text, before it is fitted to its label."""

    text: str
    size: float
    """Of the font, in mm; smaller where the text would not fit."""
    bold: bool = False


@dataclass(frozen=True, slots=True)
class Modules:
    """How wide a module, the narrowest bar or one square, is drawn, in mm."""

    usual: float
    least: float
    """Where the code would not fit at the usual width."""


@dataclass(frozen=True, slots=True)
class Code:
    """The machine-readable part of a label."""

    symbol: Symbol
    data: str
    """What a reader sends without symbology identifier: an element string with GS for FNC1, a URI or plain text."""
    elements: tuple[Element, ...]
    """Of an element string or a GS1 Digital Link."""
    modules: Modules
    quiet_zone: int
    """Modules that stay white on each side."""
    bar_height: float | None
    """In mm, for the symbols made of bars."""

    @property
    def texts(self) -> tuple[str, ...]:
        """The human-readable interpretation: a text for each element, or the one text."""
        if self.elements:
            return tuple(f"({element.key}){element.value}" for element in self.elements)
        return (self.data,)


@dataclass(frozen=True, slots=True)
class Label:
    """A label, ready for drawing. Lengths are mm."""

    kind: LabelKind
    width: float
    height: float
    margin: float
    """Stays white all around, but for what a first letter such as J reaches into it."""
    lines: tuple[Line, ...]
    code: Code
    code_text_size: float
    """Of the human-readable interpretation."""
