"""What the story of the shift tells of: lots, faults, and everything that goes wrong once."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

IncidentKind = Literal[
    "wrong-part",
    "already-installed",
    "out-of-route-order",
    "repeated",
    "check-character-wrong",
    "test-missing",
    "mis-scanned",
    "verdict-disagrees",
    "gate-not-met",
]
"""Where it is the name of a reason, that is what the service refuses it for."""

Destination = Literal["stock", "scrap", "supplier", "failure analysis"]


@dataclass(frozen=True)
class RefusedLot:
    """A lot that somebody takes to a point of use, and must not."""

    scan_point: str
    part: str
    lot: str
    pieces: int
    reason: str = ""
    hours_open: int = 0
    """How long ago it was opened, if it was."""


@dataclass(frozen=True, kw_only=True)
class Fault:
    """A test that a unit fails, and the component that is replaced for it."""

    plan: str
    characteristic: str
    value: float
    replace: tuple[str, ...]
    """The way to it: positions from the unit inwards."""
    destination: Destination
    reason: str


@dataclass(frozen=True, kw_only=True)
class CommonFault(Fault):
    """A fault that a share of the units has."""

    share: float


@dataclass(frozen=True, kw_only=True)
class ToldFault(Fault):
    """A fault of one unit, told at length."""

    line: str
    unit: int
    runs: int = 1
    """How many times it is tested before somebody believes it; the last one may place a hold."""
    packed_too_early: bool = False
    """Whether somebody tries to pack it, after the failed test and again before the tests are repeated."""
    moved_from: str | None = None
    """Rework point where the new component is taken out of another module."""


@dataclass(frozen=True)
class Incident:
    """Something that goes wrong once, at one scan point with one unit of a line, counted from 1, or its modules."""

    what: IncidentKind
    line: str
    unit: int
    at: str
    position: str = ""
    part: str = ""
    plan: str = ""
    ahead: str = ""
    """Scan point where the unit is too early."""
    reason: str = ""


@dataclass(frozen=True)
class Offline:
    """A station without a connection: what it tells afterwards, maybe with one label misread."""

    line: str
    scan_point: str
    units: tuple[int, ...]
    numbers: int = 0
    """Serial numbers reserved for it ahead, where units start there."""
    misread: int | None = None
    """The unit for which the component of the unit before it was scanned."""
    position: str = ""


@dataclass(frozen=True)
class Stock:
    """Modules built for stock, with fixed serial numbers, after a share of the shift."""

    after: float
    number: int
    parts: tuple[str, ...]
    words: str = ""


@dataclass(frozen=True)
class Alarm:
    """The lot that its supplier declares bad."""

    part: str
    lot: str
    words: str


@dataclass(frozen=True)
class OrderedSerial:
    """A unit that is ordered under a serial number of its own."""

    line: str
    unit: int
    number: int
    """Running number in it."""


@dataclass(frozen=True)
class OrderedPart:
    """A module that is ordered with one of the parts that a position takes."""

    line: str
    unit: int
    """The unit that the module is for."""
    module: str
    position: str
    part: str


@dataclass(frozen=True)
class MisreadContainer:
    """A container for which the label of another one is read when it is put up; noticed after some units."""

    scan_point: str
    position: str
    lot: str
    read: str
    units: int


@dataclass(frozen=True)
class TakenDown:
    """A container that is taken down before it is empty, and put up again later."""

    scan_point: str
    position: str
    after: float
    """Share of its pieces."""
    before: float
    """Share of its pieces for which it comes back."""


@dataclass(frozen=True)
class Missing:
    """Pieces that go out of a container while it is up, without a record."""

    scan_point: str
    container: str
    pieces: int
    words: str
    found_at: str = ""
    """Scan point where they are found when somebody looks for them."""


@dataclass(frozen=True)
class Miscounted:
    """A container into which fewer pieces were put than was typed."""

    container: str
    fewer: int
    words: str


@dataclass(frozen=True)
class Calibrations:
    """The calibrations of the instruments: who does them, and what is found."""

    badge: str
    days: int
    """How long a good one counts."""
    overdue: str
    """Instrument whose calibration was due by yesterday."""
    bad: str
    """Instrument that is found to measure wrongly when the shift is over."""


@dataclass(frozen=True)
class Recovered:
    """A component that is taken out of a scrapped unit and goes into another one."""

    position: str
    line: str
    unit: int


@dataclass(frozen=True)
class ScrappedUnit:
    """A unit that is scrapped on its way."""

    line: str
    unit: int
    after: str
    """Scan point where it happens, once it is through there."""
    reason: str
    recovered: tuple[Recovered, ...]


@dataclass(frozen=True)
class Dispatch:
    """How units leave the plant."""

    cartons: dict[str, str]
    """Unit to its carton."""
    pallet: str
    pallet_of: int
    """Cartons on a pallet."""
    pack_point: str
    """Where pallets are made up."""
    ship_point: str
    lorry: int
    """Most pallets in a shipment."""
    kept: float
    """Share of the pallets that stay in the hall."""
    consignees: tuple[str, str, str]
    """The first one receives the first pallet, early in the shift."""
    torn: str
    """Why a carton is unpacked before it leaves."""
    mistaken: str
    """Why a pallet is taken off a shipment."""
    stopped: str
    """Why a unit on a shipment is held for a while."""
    returned: str
    """Why a consignee sends a unit back."""
    reprint: str
    """Why a rating plate is printed twice."""


@dataclass(frozen=True)
class Late:
    """What stations without a connection keep until the case is frozen: their marriages of the last units."""

    scan_points: tuple[str, ...]
    words: str


@dataclass(frozen=True)
class ToldCase:
    """The containment case of the alarm, from its opening to its end. The words are its own."""

    case: str
    title: str
    hazard: str
    action_asked: str
    manager: str
    """Badge of whoever signs and closes."""
    inspector: str
    service: str
    """Badge of the field service."""
    authority: str
    late: Late
    widened: str
    """Why all that was made on the same day is suspected for a while."""
    narrowed: str
    confidence: float
    fraction: float
    """Of the sorting: the bad fraction that it would find."""
    seed: str
    inspected: str
    concession: str
    conceded: str
    new_lot: str
    """Lot of the pieces for the rework."""
    replaced: str
    sorted: str
    how: str
    """By which way consignees are told."""
    field_service: str
    unreachable: str
    found: str
    explained: str
    """Where the pieces are that are not accounted for."""
    closed: str


@dataclass(frozen=True)
class OpenCase:
    """A second case, which is left frozen: serial numbers of a component of the last packed units of a line."""

    case: str
    title: str
    hazard: str
    action_asked: str
    reason: str
    position: str
    line: str
    units: int
    """How many units of the line, by the serial numbers of their components from the first to the last."""
