"""What comes of a scan: a reading, or the reason why there is none."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

GS = "\x1d"
"""Group separator: ends a field; how readers transmit FNC1."""
RS = "\x1e"
"""Record separator: stands around each format in an ISO/IEC 15434 envelope."""
EOT = "\x04"
"""End of transmission: ends an ISO/IEC 15434 envelope."""

_CONTROLS = {GS: "the separator GS", RS: "the separator RS", EOT: "the end mark EOT"}

Form = Literal["gs1", "digital link", "mh10", "plain"]
ScanReason = Literal["unreadable", "check-character-wrong", "unknown-part"]


@dataclass(frozen=True, slots=True)
class Element:
    """A value with what says its meaning: a GS1 application identifier or an ASC MH10 data identifier."""

    key: str
    value: str


@dataclass(frozen=True, slots=True)
class Reading:
    """A scan taken apart."""

    form: Form
    symbology: str | None
    """Symbology identifier (ISO/IEC 15424) such as ]C1, where the reader sent one."""
    elements: tuple[Element, ...]
    """In the order of the label; none where the form is plain."""
    text: str
    """All that was scanned but the symbology identifier."""

    def shown(self) -> str:
        """As people write it: (01)09520123456788(21)A7, or the plain text."""
        return bracketed(self.elements) if self.elements else self.text


class ScanError(Exception):
    """A scan that cannot be read, or that names nothing known."""

    def __init__(self, reason: ScanReason, sentence: str, place: int | None = None) -> None:
        self.reason: ScanReason = reason
        self.detail = sentence if place is None else f"At character {place}: {sentence}"
        """A whole sentence for the operator."""
        self.place = place
        """The character of the raw scan where it applies, from 1."""
        super().__init__(self.detail)


def bracketed(elements: tuple[Element, ...]) -> str:
    """Elements as they are printed under a bar code."""
    return "".join(f"({element.key}){element.value}" for element in elements)


def in_words(character: str) -> str:
    """A character for a message, control characters by name."""
    if character.isprintable():
        return repr(character)
    return _CONTROLS.get(character, f"the control character with code {ord(character):02X}")
