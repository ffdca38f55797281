"""The four kinds of label: their sizes, and how large their codes are drawn.

Sources: for module widths and bar heights GS1 General Specifications 5.12 (symbol specification tables: general
distribution for cartons and pallets, manufacturing for the others), from memory; where smaller, common practice for
printers with 300 or more dots per inch. For quiet zones ISO/IEC 15417 (Code 128), ISO/IEC 16022 (Data Matrix), ISO/IEC
18004 (QR Code). Bars are no lower than 15 % of the room for them, from memory of ISO/IEC 15417.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from partkin.rules.facts import LabelKind, Symbol
from partkin.rules.labels.model import Modules

LEAST_TEXT = 1.4
"""The smallest font size, in mm: about 4 points (common practice)."""

QUIET_ZONES: Mapping[Symbol, int] = {
    "code-128": 10,
    "gs1-128": 10,
    "gs1-datamatrix": 1,
    "qr": 4,
    "gs1-qr": 4,
    "digital-link": 4,
}
"""Modules that stay white on each side of a symbol."""

BARS = frozenset[Symbol]({"code-128", "gs1-128"})
"""The symbols made of bars; the others are made of squares."""

PLAIN = frozenset[Symbol]({"code-128", "qr"})
"""The symbols that hold plain text; the others hold GS1 elements."""


@dataclass(frozen=True, slots=True)
class Form:
    """A kind of label. Lengths are mm."""

    width: float
    height: float
    margin: float
    heading: float
    """Font size of the first line."""
    body: float
    """Font size of what tells the item from others."""
    small: float
    """Font size of everything else."""
    bar_height: float
    bars: Modules
    squares: Modules


FORMS: Mapping[LabelKind, Form] = {
    "unit": Form(80, 50, 2.0, 4.2, 3.2, 2.4, 12, Modules(0.25, 0.19), Modules(0.495, 0.25)),
    "component": Form(50, 25, 1.5, 3.2, 2.4, 1.8, 8, Modules(0.25, 0.19), Modules(0.38, 0.25)),
    # ISO 216 A7 and A6; A6 is the usual logistic label of GS1.
    "carton": Form(105, 74, 2.0, 8.0, 4.5, 3.5, 32, Modules(0.495, 0.25), Modules(0.743, 0.38)),
    "pallet": Form(105, 148, 2.0, 16.0, 7.0, 5.0, 32, Modules(0.495, 0.495), Modules(1.0, 0.495)),
}
