"""The catalogue: what the plant builds, from which parts, on which route, tested how."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import date
from functools import cached_property
from typing import Literal, TypeVar

TraceLevel = Literal["serial", "lot", "none"]


@dataclass(frozen=True, slots=True)
class Supplier:
    """Who delivers bought parts."""

    supplier: str
    name: str


@dataclass(frozen=True, slots=True)
class Part:
    """A part number, how it is traced and how its label reads."""

    part: str
    description: str
    trace: TraceLevel
    made: bool
    """Built in this plant: it has a bill of materials."""
    sold: bool
    """A unit: it leaves the plant under its own serial number. Only a made part can be sold."""
    supplier: str | None = None
    supplier_part: str | None = None
    """The supplier's own part number (data identifier 1P)."""
    gtin: str | None = None
    """14 digits (GS1 application identifiers 01, 8006)."""
    cpid: str | None = None
    """Component/part identifier (GS1 application identifier 8010)."""
    label_pattern: str | None = None
    """Regular expression for a plain label, matched whole; named groups serial, lot, date, check."""
    label_check: str | None = None
    """Name of the check-character scheme of the plain label."""
    receipts: bool = False
    """Lots must have been received, and no more may be used than was received."""
    numbering: str | None = None
    """The scheme by which its serial numbers are issued."""
    packaging: bool = False
    """A carton, a pallet: it holds units or other packaging, and leaves the plant with them."""
    floor_life_hours: int | None = None
    """How long a lot may be used once it was opened."""


@dataclass(frozen=True, slots=True)
class ScanPoint:
    """A place on a line where a station scans."""

    scan_point: str
    line: str
    description: str
    kind: Literal["build", "test", "rework", "store", "pack", "ship"]
    """At a rework point any position may be opened and filled again, whatever the route says; at a pack point,
    packaging."""
    changeover_slack: int = 0
    """Pieces on each side of a lot change that may be of either lot."""
    warn_below: int = 0
    """Warn when a container at a point of use here has fewer pieces left."""


@dataclass(frozen=True, slots=True)
class Position:
    """A place in a built part for other parts."""

    part: str
    position: str
    description: str
    quantity: int
    """How many slots (pieces) it holds."""
    scan_points: tuple[str, ...]
    """Where it is filled (the same place on each parallel line)."""
    makes_stale: tuple[str, ...]
    """Test plans that a change here makes stale."""
    effective_from: date
    effective_to: date | None = None
    """First day on which units started no longer have it."""
    packing: bool = False
    """Goes into the carton with the unit: not needed to be finished, but to leave the plant."""


@dataclass(frozen=True, slots=True)
class Alternate:
    """A part that a position may take."""

    part: str
    position: str
    component: str
    effective_from: date
    effective_to: date | None = None


@dataclass(frozen=True, slots=True)
class RouteStep:
    """A scan point on the way of a built part; several with one step number are parallel lines."""

    part: str
    step: int
    scan_point: str
    needs_complete: bool
    """Every position that belongs to an earlier step must be filled."""
    needs_tests: tuple[str, ...]
    """Test plans that must have been passed, and be fresh, before work here."""


@dataclass(frozen=True, slots=True)
class TestPlan:
    """What is measured on an item, in one run."""

    plan: str
    description: str
    caution: str | None = None
    """Shown wherever the plan is: for tests that can hurt someone."""
    revision: str | None = None
    """Which issue of the plan this is; a tester may say which one it ran."""
    retests: int | None = None
    """How many times in a row a test that was not passed may be repeated before the item goes on hold; None: any."""

    __test__ = False


@dataclass(frozen=True, slots=True)
class Characteristic:
    """One thing measured (with limits, both included) or judged good or bad."""

    plan: str
    characteristic: str
    description: str
    kind: Literal["numeric", "attribute"]
    unit: str | None = None
    lower: float | None = None
    upper: float | None = None
    source: str | None = None
    """Where the limit comes from."""


@dataclass(frozen=True, slots=True)
class Numbering:
    """A scheme by which numbers are issued: prefix, date element, running or random body, check character."""

    scheme: str
    body: Literal["running", "random"]
    digits: int
    """Length of the body."""
    prefix: str | None = None
    date: Literal["year", "year-month", "year-week", "year-day", "date"] | None = None
    """Two digits each for year, month, week (ISO 8601) and day of the month, three for the day of the year. A running
    number begins anew with each."""
    check: str | None = None
    """Name of the scheme of the check character, which is computed over all that comes before it."""


@dataclass(frozen=True, slots=True)
class Instrument:
    """What tests are run on."""

    instrument: str
    description: str
    calibrated: bool
    """It measures only while a good calibration is not overdue."""


@dataclass(frozen=True, slots=True)
class Consignee:
    """Who receives shipments."""

    consignee: str
    name: str


@dataclass(frozen=True, slots=True)
class Marking:
    """A line on the rating plate of a unit."""

    part: str
    line: int
    text: str


_OfPart = TypeVar("_OfPart", Position, Alternate, RouteStep, Marking)

CatalogueRow = (
    Supplier
    | Numbering
    | Part
    | ScanPoint
    | Position
    | Alternate
    | RouteStep
    | TestPlan
    | Characteristic
    | Instrument
    | Consignee
    | Marking
)


def _effective(row: Position | Alternate, day: date) -> bool:
    return row.effective_from <= day and (row.effective_to is None or day < row.effective_to)


@dataclass(frozen=True)
class Bill:
    """The positions of a built part, and what each takes, on the day a unit was started."""

    positions: tuple[Position, ...]
    allowed: Mapping[str, tuple[str, ...]]
    """Position to the part numbers that it takes, in their order in the catalogue."""

    @cached_property
    def by_position(self) -> Mapping[str, Position]:
        """Position code to position."""
        return {position.position: position for position in self.positions}


@dataclass(frozen=True)
class Catalogue:
    """All of it, as it stands at one revision: the number of the journal entry that last changed it, 0 for none."""

    revision: int = 0
    suppliers: tuple[Supplier, ...] = ()
    numberings: tuple[Numbering, ...] = ()
    parts: tuple[Part, ...] = ()
    scan_points: tuple[ScanPoint, ...] = ()
    positions: tuple[Position, ...] = ()
    alternates: tuple[Alternate, ...] = ()
    route_steps: tuple[RouteStep, ...] = ()
    test_plans: tuple[TestPlan, ...] = ()
    characteristics: tuple[Characteristic, ...] = ()
    instruments: tuple[Instrument, ...] = ()
    consignees: tuple[Consignee, ...] = ()
    markings: tuple[Marking, ...] = ()
    _bills: dict[tuple[str, date], Bill] = field(default_factory=dict, repr=False, compare=False)

    @cached_property
    def part(self) -> Mapping[str, Part]:
        """Part number to part."""
        return {row.part: row for row in self.parts}

    @cached_property
    def made_parts(self) -> frozenset[str]:
        """Part numbers built here."""
        return frozenset(row.part for row in self.parts if row.made)

    @cached_property
    def counted_parts(self) -> frozenset[str]:
        """Part numbers whose lots are counted: no more may be used than was received."""
        return frozenset(row.part for row in self.parts if row.receipts)

    @cached_property
    def scan_point(self) -> Mapping[str, ScanPoint]:
        """Code to scan point."""
        return {row.scan_point: row for row in self.scan_points}

    @cached_property
    def supplier(self) -> Mapping[str, Supplier]:
        """Code to supplier."""
        return {row.supplier: row for row in self.suppliers}

    @cached_property
    def numbering(self) -> Mapping[str, Numbering]:
        """Name to numbering scheme."""
        return {row.scheme: row for row in self.numberings}

    def numbering_of(self, part: str) -> Numbering | None:
        """The scheme by which serial numbers of a part are issued; None where they are not."""
        known = self.part.get(part)
        return None if known is None or known.numbering is None else self.numbering.get(known.numbering)

    @cached_property
    def numbered_by(self) -> Mapping[str, tuple[str, ...]]:
        """Numbering scheme to the part numbers that share it."""
        parts: dict[str, list[str]] = defaultdict(list)
        for row in self.parts:
            if row.numbering is not None:
                parts[row.numbering].append(row.part)
        return {scheme: tuple(of_scheme) for scheme, of_scheme in parts.items()}

    @cached_property
    def instrument(self) -> Mapping[str, Instrument]:
        """Code to instrument."""
        return {row.instrument: row for row in self.instruments}

    @cached_property
    def consignee(self) -> Mapping[str, Consignee]:
        """Code to consignee."""
        return {row.consignee: row for row in self.consignees}

    @cached_property
    def marking(self) -> Mapping[str, tuple[Marking, ...]]:
        """Part number to the lines of its rating plate, in order."""
        return _grouped(sorted(self.markings, key=lambda row: (row.part, row.line)))

    @cached_property
    def test_plan(self) -> Mapping[str, TestPlan]:
        """Code to test plan."""
        return {row.plan: row for row in self.test_plans}

    @cached_property
    def measured(self) -> Mapping[str, Mapping[str, Characteristic]]:
        """Test plan to its characteristics by code."""
        plans: dict[str, dict[str, Characteristic]] = defaultdict(dict)
        for row in self.characteristics:
            plans[row.plan][row.characteristic] = row
        return plans

    @cached_property
    def route(self) -> Mapping[str, tuple[RouteStep, ...]]:
        """Part number to its route, in order."""
        return _grouped(sorted(self.route_steps, key=lambda row: (row.part, row.step, row.scan_point)))

    @cached_property
    def built_at(self) -> Mapping[str, frozenset[str]]:
        """Scan point to the part numbers whose route leads over it."""
        parts: dict[str, set[str]] = defaultdict(set)
        for row in self.route_steps:
            parts[row.scan_point].add(row.part)
        return {point: frozenset(built) for point, built in parts.items()}

    @cached_property
    def _positions(self) -> Mapping[str, tuple[Position, ...]]:
        return _grouped(self.positions)

    @cached_property
    def _alternates(self) -> Mapping[str, tuple[Alternate, ...]]:
        return _grouped(self.alternates)

    @cached_property
    def points_of_use(self) -> Mapping[str, Mapping[str, frozenset[str]]]:
        """Scan point to its lot-traced positions to the parts that these take, whatever the day."""
        takes: dict[str, dict[str, set[str]]] = defaultdict(lambda: defaultdict(set))
        for position in self.positions:
            for alternate in self._alternates.get(position.part, ()):
                if alternate.position == position.position and self._trace(alternate.component) == "lot":
                    for scan_point in position.scan_points:
                        takes[scan_point][position.position].add(alternate.component)
        return {point: {code: frozenset(parts) for code, parts in at.items()} for point, at in takes.items()}

    def _trace(self, part: str) -> TraceLevel | None:
        known = self.part.get(part)
        return known.trace if known else None

    def bill(self, part: str, day: date) -> Bill:
        """The bill of materials of a part for a unit started on a day; empty for a part that is not built here."""
        key = (part, day)
        if key not in self._bills:
            self._bills[key] = self._bill(part, day)
        return self._bills[key]

    def _bill(self, part: str, day: date) -> Bill:
        positions = tuple(row for row in self._positions.get(part, ()) if _effective(row, day))
        allowed: dict[str, list[str]] = {position.position: [] for position in positions}
        for row in self._alternates.get(part, ()):
            if row.position in allowed and _effective(row, day) and row.component not in allowed[row.position]:
                allowed[row.position].append(row.component)
        return Bill(positions, {position: tuple(parts) for position, parts in allowed.items()})


def _grouped(rows: Iterable[_OfPart]) -> Mapping[str, tuple[_OfPart, ...]]:
    groups: dict[str, list[_OfPart]] = defaultdict(list)
    for row in rows:
        groups[row.part].append(row)
    return {part: tuple(of_part) for part, of_part in groups.items()}
