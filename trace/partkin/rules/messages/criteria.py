"""What is suspected: the form in which a quality engineer says it, before anyone looks into the books."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import MAXYEAR, MINYEAR, datetime
from typing import Annotated, ClassVar

from annotated_types import MaxLen

from partkin.rules.messages import Code, NamedItem
from partkin.rules.moments import Moment, moment_of

MOST_ITEMS = 10_000
MOST_OTHERS = 100


def _member(field: str) -> str:
    """The member's name in JSON: `from` is a word of Python's own."""
    return field.removesuffix("_")


_FORM = {"extra": "forbid", "strict": True, "use_attribute_docstrings": True, "alias_generator": _member}


@dataclass(frozen=True, slots=True, kw_only=True)
class SerialRange:
    """Serial numbers of one length, in order of their characters (ASCII)."""

    __pydantic_config__: ClassVar = _FORM

    part: Code
    """Part number."""
    from_: Code
    """The first one."""
    to: Code
    """The last one, included."""

    def __post_init__(self) -> None:
        if len(self.from_) != len(self.to):
            raise ValueError("from and to are serial numbers of the same length")
        if self.from_ > self.to:
            raise ValueError("from is after to")


@dataclass(frozen=True, slots=True, kw_only=True)
class _Between:
    __pydantic_config__: ClassVar = _FORM

    from_: datetime
    """From this moment (RFC 3339)."""
    to: datetime
    """Until before this moment."""

    def __post_init__(self) -> None:
        if self.from_.tzinfo is None or self.to.tzinfo is None:
            raise ValueError("from and to need their offset from UTC, such as 2026-03-02T06:00:00+01:00")
        if self.from_ >= self.to:
            raise ValueError("to must be after from")

    @property
    def since(self) -> Moment:
        """`from` in microseconds."""
        return moment_of(self.from_)

    @property
    def until(self) -> Moment:
        """`to` in microseconds."""
        return moment_of(self.to)


@dataclass(frozen=True, slots=True, kw_only=True)
class Received(_Between):
    """All that a supplier delivered in a time: its lots, and its serial numbers."""

    supplier: Code
    """Who delivered it."""
    part: Code | None = None
    """Only this part."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Worked(_Between):
    """Whatever was worked on in a time; suspect from that moment on. What is stated must all be so."""

    scan_point: Code | None = None
    """At this scan point."""
    operator: Code | None = None
    """By this person: badge code."""
    instrument: Code | None = None
    """Tested on this instrument."""

    def __post_init__(self) -> None:
        _Between.__post_init__(self)
        if self.scan_point is None and self.operator is None and self.instrument is None:
            raise ValueError("give a scan point, an operator or an instrument")


@dataclass(frozen=True, slots=True, kw_only=True)
class Suspects:
    """What is suspected: at least one of these, any number together."""

    __pydantic_config__: ClassVar = _FORM

    items: Annotated[tuple[NamedItem, ...], MaxLen(MOST_ITEMS)] = ()
    """Lots and serial items. With a lot, the serial items whose label or receipt names it."""
    serial_ranges: Annotated[tuple[SerialRange, ...], MaxLen(MOST_OTHERS)] = ()
    """Serial numbers from one to another."""
    received: Annotated[tuple[Received, ...], MaxLen(MOST_OTHERS)] = ()
    """What suppliers delivered in a time."""
    worked: Annotated[tuple[Worked, ...], MaxLen(MOST_OTHERS)] = ()
    """What was worked on in a time: at a scan point, by an operator, on an instrument."""

    def __post_init__(self) -> None:
        if not (self.items or self.serial_ranges or self.received or self.worked):
            raise ValueError("name at least one suspect")


@dataclass(frozen=True, slots=True, kw_only=True)
class Alarm:
    """Which units are affected?"""

    __pydantic_config__: ClassVar = _FORM

    suspects: Suspects
    """What is suspected."""
    as_of: datetime | None = None
    """Only what was built in by this moment (RFC 3339)."""

    def __post_init__(self) -> None:
        if self.as_of is not None and self.as_of.tzinfo is None:
            raise ValueError("as_of needs its offset from UTC, such as 2026-03-02T06:00:00+01:00")
        if self.as_of is not None and not MINYEAR < self.as_of.year < MAXYEAR:
            raise ValueError("as_of lies too far from today")

    @property
    def moment(self) -> Moment | None:
        """`as_of` in microseconds."""
        return None if self.as_of is None else moment_of(self.as_of)
