"""Serial numbers that the plant issues."""

from __future__ import annotations

from partkin.rules.catalogue import Part
from partkin.rules.check_characters import SCHEMES


def issued_serial(part: Part, running: int) -> str:
    """A part's serial number: prefix, running number, check character."""
    body = f"{part.serial_prefix or ''}{running:0{part.serial_digits}d}"
    return body if part.label_check is None else body + SCHEMES[part.label_check].compute(body)
