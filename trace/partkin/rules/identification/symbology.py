"""Symbology identifiers: what a reader says about the symbol that it read, ] and two characters before the data.

Source: ISO/IEC 15424; for the carriers of GS1 data GS1 General Specifications 5.1.
"""

from __future__ import annotations

import re

from partkin.rules.check_characters import SCHEMES
from partkin.rules.identification.element_strings import check_association, split
from partkin.rules.identification.readings import Element, ScanError, in_words

ELEMENT_STRING_CARRIERS = frozenset({"]C1", "]e0", "]d2", "]d5", "]Q3", "]Q4", "]J1", "]z1"})
"""GS1-128, GS1 DataBar and composites, GS1 DataMatrix, GS1 QR Code, GS1 DotCode, GS1 Aztec."""

_IDENTIFIER = re.compile("][A-Za-z][0-9A-F]")
_COMPOSITE = "|]e0"
_NUMBER_CARRIERS = {"]E0": ("EAN-13", 13), "]E3": ("EAN-13", 13), "]E4": ("EAN-8", 8), "]I1": ("ITF-14", 14)}


def split_symbology(scan: str) -> tuple[str | None, str]:
    """The symbology identifier, if there is one, and the data. Raises ScanError."""
    if not scan.startswith("]"):
        return None, scan
    if not _IDENTIFIER.match(scan):
        raise ScanError("unreadable", "The scan begins with ], but not with a symbology identifier such as ]C1.", 1)
    return scan[:3], scan[3:]


def carries_gtin(symbology: str | None, data: str) -> bool:
    """Whether the symbol is of a kind that holds nothing but a GTIN."""
    # Interleaved 2 of 5 is used for other numbers, too; 14 digits with a check digit are an ITF-14.
    return symbology in {"]E0", "]E3", "]E4"} or (symbology == "]I1" and len(data) == 14)


def read_gtin_symbol(symbology: str, data: str, offset: int) -> tuple[Element, ...]:
    """The GTIN of such a symbol, and what the second part of a composite symbol adds. Raises ScanError."""
    number, _, second = data.partition(_COMPOSITE)
    elements, places = [_gtin(symbology, number, offset)], [offset + 1]
    if second:
        more, their_places = split(second, offset + len(data) - len(second))
        elements += more
        places += their_places
        check_association(elements, places)
    return tuple(elements)


def _gtin(symbology: str, number: str, offset: int) -> Element:
    name, length = _NUMBER_CARRIERS[symbology]
    for index, character in enumerate(number):
        if character not in "0123456789":
            sentence = f"{name} has {in_words(character)} where a digit is needed."
            raise ScanError("unreadable", sentence, offset + index + 1)
    # ]E3 adds two or five digits of an add-on symbol, which say nothing about the item.
    if len(number) - length not in ((2, 5) if symbology == "]E3" else (0,)):
        raise ScanError("unreadable", f"{name} has length {len(number)} where {length} is needed.")
    body, check = number[: length - 1], number[length - 1]
    expected = SCHEMES["gs1-mod-10"].compute(body)
    if check != expected:
        sentence = f"{name} has check digit {check} where {expected} is expected."
        raise ScanError("check-character-wrong", sentence, offset + length)
    return Element("01", (body + check).zfill(14))
