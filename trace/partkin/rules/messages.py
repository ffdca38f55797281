"""What a station may say: the form of every message, before anyone asks whether it is right.

One definition serves HTTP, NDJSON and the documentation. Nothing here knows the catalogue or the books.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime
from typing import Annotated, ClassVar, Literal

from annotated_types import Ge, Le, MaxLen, MinLen, Predicate

from partkin.rules.moments import Moment, moment_of

MOST_COMPONENTS = 200
MOST_MEASUREMENTS = 500
MOST_SERIALS = 1000
LARGEST_WHOLE = 2**53 - 1
"""The largest whole number that every JSON reader keeps exactly (RFC 8785)."""


def printable(text: str) -> bool:
    """Whether a code is printable ASCII without blanks at its ends."""
    return text.isascii() and text.isprintable() and text == text.strip()


Code = Annotated[str, MinLen(1), MaxLen(64), Predicate(printable)]
"""A code of the plant: printable ASCII, up to 64 characters."""

Scan = Annotated[str, MinLen(1), MaxLen(500)]
"""What the reader sent, unchanged: control characters as JSON escapes, GS for FNC1."""

Words = Annotated[str, MinLen(1), MaxLen(500), Predicate(str.isprintable)]
"""A few words on one line."""

Quantity = Annotated[int, Ge(1), Le(1_000_000_000)]
"""Pieces."""

_FORM = {"extra": "forbid", "strict": True, "use_attribute_docstrings": True}


@dataclass(frozen=True, slots=True)
class NamedItem:
    """An item by its part number and its serial number or lot, where there is no label to scan."""

    __pydantic_config__: ClassVar = _FORM

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


@dataclass(frozen=True, slots=True, kw_only=True)
class _Envelope:
    """What every message says."""

    __pydantic_config__: ClassVar = _FORM

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
class _AtScanPoint(_Envelope):
    scan_point: Code
    """Where it happened."""


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitStart(_AtScanPoint):
    """A unit, or a subassembly, comes into being under its serial number."""

    part: Code
    """Part number of what is built."""
    serial: Scan | None = None
    """Its serial number as scanned or written; left out, the next number is issued with its check character."""
    kind: Literal["unit-start"] = "unit-start"


@dataclass(frozen=True, slots=True, kw_only=True)
class Component:
    """One scanned component."""

    __pydantic_config__: ClassVar = _FORM

    item: ItemName
    """What was scanned."""
    position: Code | None = None
    """Position that it goes to; left out, the first one here that takes it and has room."""
    slot: Quantity | None = None
    """Slot within the position, from 1; left out, the first free one."""
    quantity: Quantity | None = None
    """Pieces of a lot; left out, as many as the position still lacks. A serial item is always one."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Marriage(_AtScanPoint):
    """Components go into a unit: all of them, or none. Lots loaded at the scan point go in without a scan."""

    unit: ItemName
    """The unit or subassembly that receives them."""
    components: Annotated[tuple[Component, ...], MaxLen(MOST_COMPONENTS)] = ()
    """What was scanned into it; may be empty where the scan point only fills positions from loaded lots."""
    kind: Literal["marriage"] = "marriage"


@dataclass(frozen=True, slots=True, kw_only=True)
class Removal(_AtScanPoint):
    """A component comes out of a unit."""

    unit: ItemName
    """The unit or subassembly that it comes out of."""
    component: ItemName | None = None
    """What comes out; either this or a position."""
    position: Code | None = None
    """Position that is emptied; together with a component it says from which of several."""
    slot: Quantity | None = None
    """Slot within the position."""
    reason: Words
    """Why, in a few words or a code of the plant."""
    destination: Literal["stock", "scrap", "supplier"] = "stock"
    """Where it goes: back to stock, scrapped, or back to its supplier."""
    kind: Literal["removal"] = "removal"

    def __post_init__(self) -> None:
        _Envelope.__post_init__(self)
        if self.component is None and self.position is None:
            raise ValueError("say what comes out: a component, a position, or both")


@dataclass(frozen=True, slots=True, kw_only=True)
class LotLoading(_AtScanPoint):
    """A lot is put up at a point of use in place of what was there, or the point of use is emptied."""

    lot: ItemName | None = None
    """The lot put up; left out, the point of use is emptied, and the position must be named."""
    position: Code | None = None
    """Position that it feeds; left out, the only one here that takes this part."""
    kind: Literal["lot-loading"] = "lot-loading"

    def __post_init__(self) -> None:
        _Envelope.__post_init__(self)
        if self.lot is None and self.position is None:
            raise ValueError("to empty a point of use, name its position; to load it, name the lot")


@dataclass(frozen=True, slots=True, kw_only=True)
class Receipt(_Envelope):
    """Parts come in from a supplier: a lot with its quantity, or single serial numbers."""

    scan_point: Code | None = None
    """Where they were booked in."""
    part: Code
    """Part number."""
    supplier: Code
    """Who delivered them."""
    lot: Code | None = None
    """Lot; either this, or serial numbers, or both where the serial numbers belong to one lot."""
    serials: Annotated[tuple[Code, ...], MaxLen(MOST_SERIALS)] = ()
    """Serial numbers received."""
    quantity: Quantity | None = None
    """Pieces received; for serial numbers their count."""
    produced_on: date | None = None
    """Day of production by the supplier."""
    expires_on: date | None = None
    """Last day on which it may be used."""
    delivery_note: Words | None = None
    """The supplier's paper."""
    kind: Literal["receipt"] = "receipt"

    def __post_init__(self) -> None:
        _Envelope.__post_init__(self)
        if self.lot is None and not self.serials:
            raise ValueError("say what was received: a lot, serials, or both")
        if len(set(self.serials)) != len(self.serials):
            raise ValueError("a serial number stands twice in serials")
        if self.serials and self.quantity not in (None, len(self.serials)):
            raise ValueError(f"quantity is {self.quantity}, but there are {len(self.serials)} serials")
        if not self.serials and self.quantity is None:
            raise ValueError("give the quantity of the lot, in pieces")


@dataclass(frozen=True, slots=True, kw_only=True)
class Measurement:
    """One measured or judged characteristic."""

    __pydantic_config__: ClassVar = _FORM

    characteristic: Code
    """Code of the characteristic in its test plan."""
    value: float | None = None
    """The measured value, in the unit of the characteristic; for numeric ones."""
    good: bool | None = None
    """The judgement; for attributes."""

    def __post_init__(self) -> None:
        if (self.value is None) == (self.good is None):
            raise ValueError("give either a value or good")


@dataclass(frozen=True, slots=True, kw_only=True)
class TestRun(_AtScanPoint):
    """One run of a test plan on an item."""

    __test__: ClassVar = False

    unit: ItemName
    """The unit or subassembly tested."""
    plan: Code
    """Code of the test plan."""
    instrument: Code
    """Code of the tester."""
    measurements: Annotated[tuple[Measurement, ...], MinLen(1), MaxLen(MOST_MEASUREMENTS)]
    """What was measured. The verdict is ours: every characteristic present and within its limits."""
    kind: Literal["test-run"] = "test-run"


@dataclass(frozen=True, slots=True, kw_only=True)
class Hold(_Envelope):
    """A named stop on an item or a lot, or its release."""

    scan_point: Code | None = None
    """Where, if it was at a scan point."""
    action: Literal["place", "release"]
    """Place a hold on an item, or release one."""
    item: ItemName | None = None
    """What is stopped; to place."""
    hold: Annotated[int, Ge(1), Le(LARGEST_WHOLE)] | None = None
    """Number of the hold; to release."""
    reason: Words
    """Why it is stopped, or why it may go on."""
    kind: Literal["hold"] = "hold"

    def __post_init__(self) -> None:
        _Envelope.__post_init__(self)
        if (self.action == "place") != (self.item is not None) or (self.action == "release") != (self.hold is not None):
            raise ValueError("to place a hold, give the item; to release one, give the number of the hold")


Message = UnitStart | Marriage | Removal | LotLoading | Receipt | TestRun | Hold
"""Any of them."""
