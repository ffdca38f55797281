"""What is suspected: the form in which a quality engineer says it, before anyone looks into the books."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import MAXYEAR, MINYEAR, date, datetime
from typing import Annotated, ClassVar

from annotated_types import MaxLen

from partkin.rules.messages.forms import Code, NamedItem, Number
from partkin.rules.moments import FOREVER, Moment, moment_of

MOST_ITEMS = 10_000
MOST_OTHERS = 100
MOST_CONDITIONS = 5


def _member(field: str) -> str:
    """The member's name in JSON: `from` is a word of Python's own."""
    return field.removesuffix("_")


_FORM = {"extra": "forbid", "strict": True, "use_attribute_docstrings": True, "alias_generator": _member}


@dataclass(frozen=True, slots=True, kw_only=True)
class SerialRange:
    """Serial numbers of one length, in order of their characters (ASCII); a check character at the end is checked."""

    __pydantic_config__: ClassVar = _FORM

    part: Code
    """Part number."""
    from_: Code
    """The first one."""
    to: Code
    """The last one, included."""
    without_check: bool = False
    """`from` and `to` are given without the check characters that the part's serial numbers end in."""

    def __post_init__(self) -> None:
        if len(self.from_) != len(self.to):
            raise ValueError("from and to are serial numbers of the same length")
        if self.from_ > self.to:
            raise ValueError("from is after to")


@dataclass(frozen=True, slots=True, kw_only=True)
class Since:
    """A time, with or without an end."""

    __pydantic_config__: ClassVar = _FORM

    from_: datetime
    """From this moment (RFC 3339)."""
    to: datetime | None = None
    """Until before this moment; left out, to this day and on."""

    def __post_init__(self) -> None:
        if self.from_.tzinfo is None or (self.to is not None and self.to.tzinfo is None):
            raise ValueError("from and to need their offset from UTC, such as 2026-03-02T06:00:00+01:00")
        if self.to is not None and self.from_ >= self.to:
            raise ValueError("to must be after from")

    @property
    def since(self) -> Moment:
        """`from` in microseconds."""
        return moment_of(self.from_)

    @property
    def until(self) -> Moment:
        """`to` in microseconds; FOREVER where it is left out."""
        return FOREVER if self.to is None else moment_of(self.to)


@dataclass(frozen=True, slots=True, kw_only=True)
class Received(Since):
    """All that a supplier delivered in a time: its lots, and its serial numbers."""

    supplier: Code
    """Who delivered it."""
    part: Code | None = None
    """Only this part."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Produced:
    """Lots and serial numbers of a part that were produced on some days, as their labels and receipts say."""

    __pydantic_config__: ClassVar = _FORM

    part: Code
    """Part number."""
    supplier: Code | None = None
    """Only what this supplier delivered; where no receipt says, whose part it is by the catalogue."""
    from_: date
    """The first day."""
    to: date
    """The last day, included."""

    def __post_init__(self) -> None:
        if self.from_ > self.to:
            raise ValueError("from is after to")


@dataclass(frozen=True, slots=True, kw_only=True)
class Worked(Since):
    """Whatever was worked on in a time; suspect from that moment on. What is stated must all be so."""

    scan_point: Code | None = None
    """At this scan point."""
    operator: Code | None = None
    """By this person: badge code."""
    instrument: Code | None = None
    """Tested on this instrument."""

    def __post_init__(self) -> None:
        Since.__post_init__(self)
        if self.scan_point is None and self.operator is None and self.instrument is None:
            raise ValueError("give a scan point, an operator or an instrument")


@dataclass(frozen=True, slots=True, kw_only=True)
class Measured(Since):
    """Whatever was once measured so, in a time; suspect for its whole life."""

    plan: Code
    """Test plan."""
    characteristic: Code
    """The characteristic, a numeric one."""
    at_least: float | None = None
    """From this value, included, in the unit of the characteristic."""
    at_most: float | None = None
    """To this value, included."""

    def __post_init__(self) -> None:
        Since.__post_init__(self)
        if self.at_least is None and self.at_most is None:
            raise ValueError("give at_least, at_most or both")
        if self.at_least is not None and self.at_most is not None and self.at_least > self.at_most:
            raise ValueError("at_least is more than at_most")


@dataclass(frozen=True, slots=True, kw_only=True)
class BuiltUnder:
    """Whatever was worked on under some revisions of the catalogue; suspect from that moment on."""

    __pydantic_config__: ClassVar = _FORM

    from_: Number
    """The first revision: number of the journal's entry that brought it."""
    to: Number | None = None
    """The last revision, included; left out, to this day and on."""

    def __post_init__(self) -> None:
        if self.to is not None and self.from_ > self.to:
            raise ValueError("from is after to")


@dataclass(frozen=True, slots=True, kw_only=True)
class AnyOf:
    """Any of these: at least one, any number together."""

    __pydantic_config__: ClassVar = _FORM

    items: Annotated[tuple[NamedItem, ...], MaxLen(MOST_ITEMS)] = ()
    """Lots and serial items. With a lot, the serial items whose label or receipt names it."""
    serial_ranges: Annotated[tuple[SerialRange, ...], MaxLen(MOST_OTHERS)] = ()
    """Serial numbers from one to another."""
    received: Annotated[tuple[Received, ...], MaxLen(MOST_OTHERS)] = ()
    """What suppliers delivered in a time."""
    produced: Annotated[tuple[Produced, ...], MaxLen(MOST_OTHERS)] = ()
    """What was produced on some days."""
    worked: Annotated[tuple[Worked, ...], MaxLen(MOST_OTHERS)] = ()
    """What was worked on in a time: at a scan point, by an operator, on an instrument."""
    measured: Annotated[tuple[Measured, ...], MaxLen(MOST_OTHERS)] = ()
    """What was measured between two values."""
    built_under: Annotated[tuple[BuiltUnder, ...], MaxLen(MOST_OTHERS)] = ()
    """What was worked on under some revisions of the catalogue."""

    def __post_init__(self) -> None:
        if not self.names_any:
            raise ValueError("name at least one suspect")

    @property
    def names_any(self) -> bool:
        """Whether any suspect is named."""
        lists = (self.items, self.serial_ranges, self.received, self.produced, self.worked, self.measured)
        return any((*lists, self.built_under))


@dataclass(frozen=True, slots=True, kw_only=True)
class Suspects(AnyOf):
    """What is suspected: whatever is affected by any of these, by all of `all_of` too, and not by `except`.

    Affected is what is named itself, and what it is or was in.
    """

    all_of: Annotated[tuple[AnyOf, ...], MaxLen(MOST_CONDITIONS)] = ()
    """And affected by each of these as well."""
    except_: AnyOf | None = None
    """But not what is certainly affected by any of these; what possibly is stays, as possible."""

    def __post_init__(self) -> None:
        if not (self.names_any or self.all_of):
            raise ValueError("name at least one suspect")

    @property
    def conditions(self) -> tuple[AnyOf, ...]:
        """All that something must be affected by; the ways to it are told of the first."""
        return (self, *self.all_of) if self.names_any else self.all_of


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
