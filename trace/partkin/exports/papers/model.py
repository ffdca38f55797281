"""What the papers of a case say: gathered by `questions/containment/papers.py`, drawn by the files beside this one."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Literal

Certainty = Literal["certain", "possible"]


@dataclass(frozen=True, slots=True)
class Plant:
    """Who writes: as the settings say."""

    name: str
    address: tuple[str, ...]
    contact: str
    """Telephone, mail and hours of whoever answers questions."""


@dataclass(frozen=True, slots=True)
class CaseHead:
    """What a case is about."""

    case: str
    title: str
    hazard: str
    """What may happen, in words; empty where nobody has said it yet."""
    action: str
    """What whoever has such a unit is to do; empty where nobody has said it yet."""
    opened_at: datetime
    status: Literal["open", "frozen", "closed"]
    revision: int
    """0 while nothing is frozen."""
    frozen_at: datetime | None
    seal: int | None
    list_sha256: str | None
    suspected: tuple[str, ...]
    """What is suspected, in words: a sentence each, indented by two blanks a level."""
    closing: CaseEvent | None = None
    """How it was closed; None where it is not."""


@dataclass(frozen=True, slots=True)
class UnitLine:
    """An affected unit."""

    part: str
    description: str
    serial: str
    certainty: Certainty
    state: str
    made_on: date | None
    """The UTC day on which it was started."""
    consignee: str | None
    shipment: str | None
    delivery_note: str | None
    despatched_on: date | None
    decision: str | None
    """What was decided for it; None while nothing is."""


@dataclass(frozen=True, slots=True)
class ConsigneeUnits:
    """The affected units that a consignee was sent."""

    consignee: str
    name: str
    units: Sequence[UnitLine]
    """Sorted by part number and serial number."""


@dataclass(frozen=True, slots=True)
class SerialRange:
    """Serial numbers without a gap: both ends included."""

    part: str
    first: str
    last: str
    units: int


@dataclass(frozen=True, slots=True)
class ModelFacts:
    """What a regulator's form asks of one model."""

    part: str
    description: str
    gtin: str | None
    made: int
    """Affected units made."""
    sold: int
    """Of these, despatched to a consignee and not come back."""
    in_plant: int
    scrapped: int
    first_made: date | None
    last_made: date | None
    first_despatched: date | None
    last_despatched: date | None
    ranges: Sequence[SerialRange]
    how_to_read: str
    """Where the serial number is, and how its date element is read."""


@dataclass(frozen=True, slots=True)
class BalanceLine:
    """Pieces of a suspect lot that are accounted for in one way, or not."""

    name: str
    """received, in units (certain), in units (possible) …, unaccounted."""
    pieces: int
    per_cent: float | None
    """Of those received; None where none were."""


@dataclass(frozen=True, slots=True)
class LotBalance:
    """The mass balance of a suspect lot, or of a container of it."""

    part: str
    lot: str
    counted_at: datetime | None
    """When its stock was counted; None where the stock is what the books say."""
    lines: Sequence[BalanceLine]
    """`received` first, `unaccounted` last; the others add up to received."""
    elsewhere: int = 0
    """Pieces booked on other lots that may be of this one; not part of the sum."""
    container: bool = False
    """It is a container that pieces of a suspect lot went into."""


@dataclass(frozen=True, slots=True)
class LotUse:
    """A suspect lot was up at a feeder of a point of use, or was received (`where` says so), for a time."""

    part: str
    lot: str
    where: str
    since: datetime
    until: datetime | None
    """None: it still is. For a receipt the same as `since`."""


@dataclass(frozen=True, slots=True)
class Production:
    """Units that were started in a stretch of time."""

    since: datetime
    until: datetime
    units: int
    certain: int
    possible: int
    """Of `units`, those affected."""


@dataclass(frozen=True, slots=True)
class SpreadNode:
    """Things of one part on the way from the lot to the consignees."""

    key: str
    level: int
    """0 the suspect lots, 1 … subassemblies, then units, last where they are (consignees, or in the plant)."""
    label: str
    detail: str
    """A second line, such as a description; may be empty."""
    certain: int
    possible: int


@dataclass(frozen=True, slots=True)
class SpreadEdge:
    """How many things went from one node to the next."""

    source: str
    target: str
    things: int


@dataclass(frozen=True, slots=True)
class CaseEvent:
    """Something that was said or done about the case, in words."""

    at: datetime
    by: str
    entry: int
    """Number of the journal's entry."""
    words: str


@dataclass(frozen=True, slots=True)
class SortingLine:
    """A sorting and what it showed."""

    sorting: str
    rule: str
    population: int
    drawn: int
    seed: str
    inspected: int
    bad: int
    confidence: float
    fraction: float
    upper_bound: float | None
    """One-sided upper bound of the bad fraction; None before all that was drawn was inspected."""
    conclusion: str


@dataclass(frozen=True, slots=True)
class NoticeLine:
    """A consignee, and how far its notice has come."""

    consignee: str
    name: str
    units: int
    sent_on: date | None
    answered_on: date | None
    on_hand: int | None
    corrected: int | None
    checked: str | None
    """Result of its effectiveness check; None where none was made."""
    chosen: bool
    """Whether it is to be checked."""


@dataclass(frozen=True, slots=True)
class CaseReport:
    """All that the report of a case, and the engineer's workbook, say."""

    plant: Plant
    head: CaseHead
    made_at: datetime
    counts: Mapping[str, Mapping[Certainty, int]]
    """Affected units by state."""
    units: Sequence[UnitLine]
    added: Sequence[tuple[str, str]]
    """What was added since the freeze: item, and why."""
    balances: Sequence[LotBalance]
    uses: Sequence[LotUse]
    production: Sequence[Production]
    nodes: Sequence[SpreadNode]
    edges: Sequence[SpreadEdge]
    sortings: Sequence[SortingLine]
    notices: Sequence[NoticeLine]
    effectiveness_level: str | None
    models: Sequence[ModelFacts]
    events: Sequence[CaseEvent]
    consignees: Sequence[ConsigneeUnits] = ()
    """Who was sent affected units, in order of their codes."""
