"""What messages are made of: codes, scans, item names, and what every message says."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Annotated, ClassVar, Literal

from annotated_types import Ge, Le, MaxLen, MinLen, Predicate

from partkin.rules.moments import Moment, moment_of

MOST_COMPONENTS = 200
LARGEST_WHOLE = 2**53 - 1
"""The largest whole number that every JSON reader keeps exactly (RFC 8785)."""


def printable(text: str) -> bool:
    """Whether a code is printable ASCII without blanks at its ends."""
    return text.isascii() and text.isprintable() and text == text.strip()


def hexadecimal(text: str) -> bool:
    """Whether a text is of lower-case hexadecimal digits."""
    return all(character in "0123456789abcdef" for character in text)


Code = Annotated[str, MinLen(1), MaxLen(64), Predicate(printable)]
"""A code of the plant: printable ASCII, up to 64 characters."""

Scan = Annotated[str, MinLen(1), MaxLen(500)]
"""What the reader sent, unchanged: control characters as JSON escapes, GS for FNC1."""

Words = Annotated[str, MinLen(1), MaxLen(500), Predicate(str.isprintable)]
"""A few words on one line."""

Quantity = Annotated[int, Ge(1), Le(1_000_000_000)]
"""Pieces."""

FORM = {"extra": "forbid", "strict": True, "use_attribute_docstrings": True}


@dataclass(frozen=True, slots=True)
class NamedItem:
    """An item by its part number and its serial number or lot, where there is no label to scan."""

    __pydantic_config__: ClassVar = FORM

    part: Code
    """Part number."""
    serial: Code | None = None
    """Serial number; either this or a lot."""
    lot: Code | None = None
    """Lot; either this or a serial number."""

    def __post_init__(self) -> None:
        if (self.serial is None) == (self.lot is None):
            raise ValueError("give either a serial or a lot")


ItemName = Scan | NamedItem
"""A raw scan as text, or part number with serial or lot."""

Number = Annotated[int, Ge(1), Le(LARGEST_WHOLE)]
"""The number of a row of the books, as answers give it."""

Digest = Annotated[str, MinLen(64), MaxLen(64), Predicate(hexadecimal)]
"""SHA-256 of an attachment, in lower-case hexadecimal."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Envelope:
    """What every message says."""

    __pydantic_config__: ClassVar = FORM

    message_id: Code
    """The station's own identifier of this message, a UUID for choice: a repeat gets the first answer again."""
    operator: Code
    """Badge code of the person at the station."""
    occurred_at: datetime
    """When it happened, by the station's clock, with its offset from UTC (RFC 3339)."""
    mode: Literal["ask", "tell"] = "ask"
    """`ask`: may this be done? It can be refused. `tell`: it has been done. It is never refused for what it says."""

    def __post_init__(self) -> None:
        if self.occurred_at.tzinfo is None:
            raise ValueError("occurred_at needs its offset from UTC, such as 2026-03-02T06:00:00+01:00")
        try:
            self.occurred_at.astimezone(UTC)
        except OverflowError:
            raise ValueError("occurred_at is not between the years 1 and 9999 in UTC") from None

    @property
    def moment(self) -> Moment:
        """`occurred_at` in microseconds."""
        return moment_of(self.occurred_at)


@dataclass(frozen=True, slots=True, kw_only=True)
class AtScanPoint(Envelope):
    """What every message says that is from a scan point."""

    scan_point: Code
    """Where it happened."""
