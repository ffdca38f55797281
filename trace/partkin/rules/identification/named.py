"""What a label names."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from partkin.rules.identification.readings import ScanError

_MOST_CODE = 64


@dataclass(frozen=True, slots=True)
class Named:
    """A part, with what else its label says."""

    part: str
    serial: str | None = None
    lot: str | None = None
    produced_on: date | None = None
    expires_on: date | None = None
    """Last day of use."""
    quantity: int | None = None
    """Pieces."""
    supplier: str | None = None
    """Our code of the supplier (data identifier V), where the label has it."""


def code(text: str | None, what: str) -> str | None:
    """A serial number or lot as it may be recorded. Raises ScanError."""
    if text is None or (0 < len(text) <= _MOST_CODE and text.strip() == text):
        return text
    sentence = f"The {what} {text!r} is not 1 to {_MOST_CODE} characters without blanks at its ends."
    raise ScanError("unreadable", sentence)
