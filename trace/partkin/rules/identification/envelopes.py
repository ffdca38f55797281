"""ISO/IEC 15434 envelopes: [)> RS, a format's number, its fields with GS before each, RS EOT.

A Data Matrix symbol may hold the same in short (macros 05 and 06 of ISO/IEC 16022); readers send it in full.
"""

from __future__ import annotations

from partkin.rules.identification.data_identifiers import read_field
from partkin.rules.identification.element_strings import read_element_string
from partkin.rules.identification.readings import EOT, GS, RS, Element, Form, ScanError, in_words

_HEADER = "[)>"
_TRAILER = RS + EOT
_FIRST_FIELD = len(_HEADER + RS + "06" + GS)


def is_envelope(text: str) -> bool:
    """Whether a text begins like an envelope, whole or damaged."""
    return text.startswith(_HEADER)


def read_envelope(text: str, offset: int) -> tuple[Form, tuple[Element, ...]]:
    """Read an envelope that begins after `offset` characters of the raw scan. Raises ScanError."""
    _expect(text, len(_HEADER), RS, offset)
    format_ = text[len(_HEADER + RS) : _FIRST_FIELD - 1]
    if format_ not in ("05", "06"):
        sentence = f"The label has format {format_!r} of ISO/IEC 15434; formats 05 and 06 are read."
        raise ScanError("unreadable", sentence, offset + len(_HEADER + RS) + 1)
    _expect(text, _FIRST_FIELD - 1, GS, offset)
    if not text.endswith(_TRAILER):
        sentence = (
            "The label's end, RS and EOT, is missing: the scan was cut short, or the reader drops these characters."
        )
        raise ScanError("unreadable", sentence, offset + len(text))
    body = text[_FIRST_FIELD : -len(_TRAILER)]
    if RS in body:
        sentence = "The label holds more than one format, and so may name more than one item."
        raise ScanError("unreadable", sentence, offset + _FIRST_FIELD + body.index(RS) + 1)
    if format_ == "05":
        return "gs1", read_element_string(body, offset + _FIRST_FIELD)
    return "mh10", _fields(body, offset + _FIRST_FIELD)


def _expect(text: str, index: int, mark: str, offset: int) -> None:
    if not text.startswith(mark, index):
        sentence = f"Here {in_words(mark)} is missing; the reader must be set to send control characters."
        raise ScanError("unreadable", sentence, offset + min(index + 1, len(text)))


def _fields(body: str, at: int) -> tuple[Element, ...]:
    elements = []
    for field in body.split(GS):
        elements.append(read_field(field, at))
        at += len(field) + 1
    return tuple(elements)
