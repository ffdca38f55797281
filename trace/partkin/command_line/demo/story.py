"""The demo's invented data: the plant's catalogue, and the story of its shift."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from importlib import resources
from pathlib import Path
from typing import Literal

IncidentKind = Literal[
    "wrong-part", "already-installed", "out-of-route-order", "repeated", "check-character-wrong", "test-missing"
]


@dataclass(frozen=True)
class RefusedLot:
    """A lot that somebody takes to a point of use, and must not."""

    scan_point: str
    part: str
    lot: str
    pieces: int
    reason: str = ""


@dataclass(frozen=True, kw_only=True)
class Fault:
    """A test that a unit fails once, and the component that is replaced for it."""

    plan: str
    characteristic: str
    value: float
    replace: tuple[str, ...]
    """The way to it: positions from the unit inwards."""
    destination: Literal["stock", "scrap", "supplier"]
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
    tried_at: str | None = None
    """Scan point where the unit is tried before its tests are repeated."""
    moved_from: str | None = None
    """Rework point where the new component is taken out of another module."""


@dataclass(frozen=True)
class Incident:
    """Something that goes wrong once, at one scan point with one unit of a line, counted from 1."""

    what: IncidentKind
    line: str
    unit: int
    at: str
    position: str = ""
    part: str = ""
    plan: str = ""
    ahead: str = ""
    """Scan point where the unit is too early."""


@dataclass(frozen=True)
class Offline:
    """A station without a connection: what it tells afterwards, with one label misread."""

    line: str
    scan_point: str
    units: tuple[int, ...]
    misread: int
    """The unit for which the component of the unit before it was scanned."""
    position: str


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
class Story:
    """All that the shift needs beside the catalogue. Its file says it in the same words."""

    plant: str
    hours: float
    first_number: int
    """Where the shift's serial numbers begin."""
    resolver: str
    """Begin of the web addresses on rating plates."""
    quality_engineer: str
    lines: Mapping[str, str]
    """Line to the unit built there."""
    readers: Mapping[str, str]
    """Part to the symbology identifier that its label is read with."""
    unit_readers: Mapping[str, str]
    """The same for units, by kind of scan point: their labels are read in several ways."""
    badges: Mapping[str, str]
    tests: Mapping[str, Mapping[str, str]]
    """Scan point to its test plans, each with its instrument."""
    measured: Mapping[str, Mapping[str, tuple[float, float, int]]]
    """Test plan to characteristic to mean, standard deviation and digits."""
    second_source_share: float
    goods_in: Mapping[str, tuple[str, ...]]
    """Scan point to the suppliers whose parts come in there."""
    lots: Mapping[str, tuple[tuple[str, float], ...]]
    """Part to its lots, with the share of the shift's units that each is enough for."""
    numbered_lots: tuple[tuple[int, float], ...]
    """The same for parts whose plain label has a running number."""
    spare_pieces: int
    received_serials: tuple[str, ...]
    """Parts whose serial numbers are booked in."""
    expired_lot: RefusedLot
    held_lot: RefusedLot
    common_faults: tuple[CommonFault, ...]
    told_faults: tuple[ToldFault, ...]
    incidents: tuple[Incident, ...]
    offline: Offline
    spares: Stock
    donor: Stock
    alarm: Alarm


def demo_data() -> Path:
    """The folder of the demo's data: inside the installed package, else beside the source folder."""
    package = Path(str(resources.files("partkin")))
    installed = package / "demo_data"
    return installed if installed.is_dir() else package.parents[1] / "demo_data"


def read_story() -> Story:
    """The story of the shift. Raises OSError or pydantic's ValidationError where its file was damaged."""
    from pydantic import TypeAdapter

    return TypeAdapter(Story).validate_json((demo_data() / "shift.json").read_bytes())
