"""Facts: what the journal says has become true. The books are nothing but facts applied in order.

A fact names things as the plant does (part numbers, serial numbers, lots), so that the journal can be read alone.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any, Literal, NamedTuple

from partkin.rules.moments import Moment

FACTS_PER_ENTRY = 4096
"""Room for the facts of one entry in the numbers that are made from it."""

ItemKind = Literal["serial", "lot"]
ItemState = Literal[
    "usable", "in work", "finished", "packed", "shipped", "came back", "scrapped", "returned", "in analysis"
]
"""`returned` is to its supplier, `came back` from a customer, `in analysis` of a failure."""

Verdict = Literal["pass", "fail", "incomplete", "disputed"]
"""`disputed`: the tester gave another verdict than its own measurements; it counts as not passed."""

Destination = Literal["stock", "scrap", "supplier", "failure analysis"]
"""Where something goes: back to stock, scrapped, back to its supplier, or to failure analysis."""

LabelKind = Literal["unit", "component", "carton", "pallet"]
"""The rating plate of a unit; the label of a component or container, of a carton, of a pallet."""

Symbol = Literal["code-128", "gs1-128", "gs1-datamatrix", "qr", "gs1-qr", "digital-link"]
"""What the code is drawn as: code-128 and qr hold the bare serial number or lot, gs1-… GS1 element strings,
digital-link is a QR Code with a GS1 Digital Link URI."""


Certainty = Literal["certain", "possible"]

Decision = Literal[
    "use as is", "rework", "return to supplier", "scrap", "corrected in the field", "verified good", "not recovered"
]
"""What becomes of a thing that a containment case lists. `not recovered`: all reasonable efforts were made."""

SortingRule = Literal["success run", "hypergeometric", "all"]

EffectivenessLevel = Literal["A", "B", "C", "D", "E"]
"""Share of consignees whose notice is checked (21 CFR 7.42(b)(3)); a public model, not law for appliances."""

NoticeStep = Literal["sent", "answered", "checked"]


class ItemKey(NamedTuple):
    """An item as the plant names it: part number, kind, serial number or lot."""

    part: str
    kind: ItemKind
    code: str

    def __str__(self) -> str:
        return f"{self.part} {self.kind} {self.code}"


class Use(NamedTuple):
    """A point of use: a position fed with lots at a scan point."""

    scan_point: str
    position: str


@dataclass(frozen=True, slots=True)
class ItemKnown:
    """An item is known from now on."""

    number: int
    item: ItemKey
    state: ItemState
    of_lot: str | None = None
    produced_on: date | None = None
    expires_on: date | None = None
    started: Moment | None = None


@dataclass(frozen=True, slots=True)
class LotDated:
    """The days of a lot that was known before became known."""

    item: ItemKey
    produced_on: date | None
    expires_on: date | None


@dataclass(frozen=True, slots=True)
class LotNamed:
    """It became known to which lot a serial item belongs that was known before."""

    item: ItemKey
    of_lot: str


@dataclass(frozen=True, slots=True)
class StateChanged:
    """An item is finished, opened again, scrapped …"""

    item: ItemKey
    state: ItemState


@dataclass(frozen=True, slots=True)
class NumberIssued:
    """A running number of a part was given out: as journals say it that are older than numbering schemes."""

    part: str
    running: int


@dataclass(frozen=True, slots=True)
class NumbersIssued:
    """Numbers of a scheme were given out."""

    scheme: str
    period: str
    last: int | None
    """The highest running number given out in the period; None for random ones."""
    numbers: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Married:
    """A component is in a unit from `started` until `ended`."""

    number: int
    parent: ItemKey
    child: ItemKey | None
    """None: pieces drawn at a point of use while no lot was known to be loaded there."""
    position: str
    slot: int
    quantity: int
    started: Moment
    ended: Moment
    disputed: bool
    parent_is_unit: bool
    drawn_at: Use | None
    loading: int | None = None
    """The loading at `drawn_at` that its pieces are booked on."""


@dataclass(frozen=True, slots=True)
class MarriageEnded:
    """A marriage ended, or ended earlier than was known."""

    marriage: int
    ended: Moment
    to_stock: bool
    """Whether its pieces can be used again."""


@dataclass(frozen=True, slots=True)
class MarriageRestored:
    """The end of a marriage was recorded wrongly: it lasts longer."""

    marriage: int
    ended: Moment
    from_stock: bool = True
    """Whether its pieces had been given back, and are used after all."""


@dataclass(frozen=True, slots=True)
class Removed:
    """Somebody said that a component came out."""

    number: int
    parent: ItemKey
    child: ItemKey
    position: str | None
    at: Moment
    reason: str
    destination: Destination


@dataclass(frozen=True, slots=True)
class UseKnown:
    """A point of use is known from now on."""

    number: int
    use: Use


@dataclass(frozen=True, slots=True)
class Loaded:
    """A lot is at a feeder of a point of use from `at` until the next loading there."""

    number: int
    use: Use
    lot: ItemKey | None
    """None: emptied."""
    at: Moment
    feeder: str = "1"
    quantity: int | None = None
    """Pieces in the container, where they are counted."""


@dataclass(frozen=True, slots=True)
class LeftOver:
    """Pieces were left of a loading, and went back to stock."""

    loading: int
    quantity: int


@dataclass(frozen=True, slots=True)
class LoadingCorrected:
    """Another lot was loaded than was recorded."""

    loading: int
    lot: ItemKey | None


@dataclass(frozen=True, slots=True)
class Opened:
    """A lot or container was opened: its floor life runs."""

    item: ItemKey
    at: Moment


@dataclass(frozen=True, slots=True)
class Transferred:
    """Pieces of a lot went into a container with its own label."""

    number: int
    source: ItemKey
    target: ItemKey
    quantity: int
    at: Moment


@dataclass(frozen=True, slots=True)
class Redrawn:
    """A loading became known late: what was drawn meanwhile came from this lot."""

    use: Use
    lot: ItemKey | None
    started: Moment
    ended: Moment
    was: int | None = None
    """The loading that the pieces were booked on before."""
    now: int | None = None
    """The loading that they are booked on from now on."""
    marriages: tuple[int, ...] = ()
    """The draws; none named: all in that time."""


@dataclass(frozen=True, slots=True)
class Received:
    """Parts came in."""

    number: int
    part: str
    supplier: str
    lot: ItemKey | None
    serials: tuple[str, ...]
    quantity: int
    counted: bool
    """Whether no more of the lot may be used than was received."""
    used: int
    """Pieces of the lot that were in something before any was known to be received."""
    at: Moment
    delivery_note: str | None


@dataclass(frozen=True, slots=True)
class Visited:
    """A unit was worked on at a scan point."""

    item: ItemKey
    scan_point: str
    at: Moment


@dataclass(frozen=True, slots=True)
class Measured:
    """One result of a test run."""

    characteristic: str
    value: float | None
    good: bool | None
    within: bool
    lower: float | None = None
    """The limits of that day, both included."""
    upper: float | None = None


@dataclass(frozen=True, slots=True)
class Tested:
    """A test plan was run on an item."""

    number: int
    item: ItemKey
    plan: str
    instrument: str
    at: Moment
    verdict: Verdict
    measured: tuple[Measured, ...]
    tester: Verdict | None = None
    """The tester's own verdict."""
    revision: str | None = None
    """Of the plan."""
    attachments: tuple[str, ...] = ()
    """SHA-256 of each."""


@dataclass(frozen=True, slots=True)
class MadeStale:
    """Runs of a plan on an item before `at` no longer count."""

    item: ItemKey
    plan: str
    at: Moment


@dataclass(frozen=True, slots=True)
class Calibrated:
    """An instrument was calibrated."""

    number: int
    instrument: str
    good: bool
    due_on: date | None
    certificate: str | None
    at: Moment


@dataclass(frozen=True, slots=True)
class Disposed:
    """Something that is in nothing went somewhere."""

    number: int
    item: ItemKey
    quantity: int | None
    """Pieces of a lot."""
    destination: Destination
    at: Moment
    reason: str


@dataclass(frozen=True, slots=True)
class Corrected:
    """A row of the books was recorded wrongly: it no longer counts, or says something else now."""

    number: int
    wrong: int
    instead: int | None
    """The row that stands in its place."""
    at: Moment
    reason: str
    by: str
    loading: int | None = None
    """The loading that the pieces of a wrong draw were booked on."""


@dataclass(frozen=True, slots=True)
class LabelPrinted:
    """A label was printed."""

    number: int
    item: ItemKey
    label: LabelKind
    symbol: Symbol
    copy: int
    """1 for the first of this label of this item."""
    at: Moment
    reason: str | None


@dataclass(frozen=True, slots=True)
class Ordered:
    """Units are to be built: new, or otherwise than was said before."""

    number: int
    """Of the order, as it was when it was first posted."""
    order: str
    line: str
    sequence: int
    part: str
    serial: str | None
    quantity: int
    due: date | None
    parts: Mapping[str, str]
    """Position to the one part that is ordered there."""


@dataclass(frozen=True, slots=True)
class OrderTaken:
    """A unit was started for an order."""

    order: str
    item: ItemKey


@dataclass(frozen=True, slots=True)
class ShipmentOpened:
    """A shipment for a consignee is being loaded."""

    number: int
    shipment: str
    consignee: str
    at: Moment


@dataclass(frozen=True, slots=True)
class ShipmentLoaded:
    """A unit, a carton or a pallet is on a shipment."""

    number: int
    shipment: str
    item: ItemKey
    at: Moment


@dataclass(frozen=True, slots=True)
class ShipmentUnloaded:
    """It is no longer on the shipment: taken off before despatch, or come back."""

    line: int
    at: Moment
    reason: str


@dataclass(frozen=True, slots=True)
class Despatched:
    """A shipment left the plant."""

    shipment: str
    at: Moment
    delivery_note: str | None


@dataclass(frozen=True, slots=True)
class CameBack:
    """A unit that had been shipped came back from a customer."""

    number: int
    item: ItemKey
    consignee: str | None
    at: Moment
    reason: str


@dataclass(frozen=True, slots=True)
class Held:
    """A hold was placed."""

    number: int
    item: ItemKey
    reason: str
    discrepancy: bool
    at: Moment
    by: str
    case: str | None = None
    """The containment case that stops it."""


@dataclass(frozen=True, slots=True)
class Released:
    """A hold ended."""

    hold: int
    reason: str
    at: Moment
    by: str


@dataclass(frozen=True, slots=True)
class Counted:
    """Pieces of a lot were counted: all that lie in stock and at points of use."""

    number: int
    item: ItemKey
    quantity: int
    at: Moment
    by: str


@dataclass(frozen=True, slots=True)
class CaseOpened:
    """A containment case was opened."""

    number: int
    case: str
    title: str
    suspects: Mapping[str, Any]
    hazard: str | None
    asked: str | None
    at: Moment
    by: str
    reason: str


@dataclass(frozen=True, slots=True)
class CaseFrozen:
    """What is affected was listed as the books knew it at a seal; the entries that follow hold the list."""

    number: int
    case: str
    revision: int
    suspects: Mapping[str, Any]
    hazard: str | None
    asked: str | None
    seal: int | None
    last_entry: int
    things: int
    sha256: str
    """Of the list: of each thing a line of canonical JSON (RFC 8785), in order of part, kind and code."""
    points: Sequence[Mapping[str, Any]]
    """Points of use where a suspect lot was up."""
    at: Moment
    by: str
    reason: str | None


@dataclass(frozen=True, slots=True)
class Listed:
    """A containment case lists a thing as affected."""

    number: int
    case: str
    item: ItemKey
    revision: int
    certainty: Certainty
    suspect: bool
    """Suspected itself, not for what is in it."""
    state: ItemState
    left: bool
    """Whether it had left: shipped, scrapped, sent away, or inside what had."""
    because: int | None
    """Number of the entry that made it affected; None where it was listed by a freeze."""


@dataclass(frozen=True, slots=True)
class Relisted:
    """A thing that a case lists is affected anew, or more certainly: what was decided of it counts no more."""

    listed: int
    certainty: Certainty
    revision: int
    because: int | None


@dataclass(frozen=True, slots=True)
class Dropped:
    """By a new revision of its case, a thing is no longer suspected."""

    listed: int
    revision: int


@dataclass(frozen=True, slots=True)
class Decided:
    """What becomes of a thing that a case lists."""

    number: int
    case: str
    listed: int
    item: ItemKey
    decision: Decision
    authority: str
    concession: str | None
    signed_by: str | None
    sorting: str | None
    proof: tuple[int, ...]
    """Marriages: those of suspects that ended, and those that took their places."""
    at: Moment
    by: str
    reason: str


@dataclass(frozen=True, slots=True)
class CaseClosed:
    """Everything is accounted for."""

    number: int
    case: str
    at: Moment
    by: str
    reason: str
    unaccounted: str | None


@dataclass(frozen=True, slots=True)
class CaseReopened:
    """A closed case is open again."""

    number: int
    case: str
    at: Moment
    by: str
    reason: str


@dataclass(frozen=True, slots=True)
class SortingDrawn:
    """Things were drawn at random for inspection."""

    number: int
    case: str
    sorting: str
    rule: SortingRule
    confidence: float
    fraction: float
    listed: Certainty | None
    clean: Mapping[str, Any] | None
    part: str | None
    population: int
    seed: str
    drawn: tuple[ItemKey, ...]
    at: Moment
    by: str


@dataclass(frozen=True, slots=True)
class Inspected:
    """A thing drawn for a sorting was inspected."""

    number: int
    sorting: str
    item: ItemKey
    good: bool
    found: str | None
    attachments: tuple[str, ...]
    at: Moment
    by: str


@dataclass(frozen=True, slots=True)
class ChecksPlanned:
    """It was chosen which consignees are asked whether their notice reached them."""

    number: int
    case: str
    level: EffectivenessLevel
    share: float | None
    seed: str
    consignees: tuple[str, ...]
    at: Moment
    by: str


@dataclass(frozen=True, slots=True)
class Noticed:
    """A notice went to a consignee, was answered, or was checked."""

    number: int
    case: str
    consignee: str
    step: NoticeStep
    how: str | None
    copy: str | None
    on_hand: int | None
    corrected: int | None
    effective: bool | None
    found: str | None
    at: Moment
    by: str


@dataclass(frozen=True, slots=True)
class Drilled:
    """A recall was rehearsed."""

    number: int
    seed: str
    suspects: Mapping[str, Any]
    steps: Sequence[Mapping[str, Any]]
    certain: int
    possible: int
    consignees: int
    received: int | None
    accounted: int | None
    at: Moment
    by: str


Fact = (
    ItemKnown
    | LotDated
    | LotNamed
    | StateChanged
    | NumberIssued
    | NumbersIssued
    | Married
    | MarriageEnded
    | MarriageRestored
    | Removed
    | UseKnown
    | Loaded
    | LeftOver
    | LoadingCorrected
    | Redrawn
    | Opened
    | Transferred
    | Received
    | Visited
    | Tested
    | MadeStale
    | Calibrated
    | Disposed
    | Corrected
    | LabelPrinted
    | Ordered
    | OrderTaken
    | ShipmentOpened
    | ShipmentLoaded
    | ShipmentUnloaded
    | Despatched
    | CameBack
    | Held
    | Released
    | Counted
    | CaseOpened
    | CaseFrozen
    | Listed
    | Relisted
    | Dropped
    | Decided
    | CaseClosed
    | CaseReopened
    | SortingDrawn
    | Inspected
    | ChecksPlanned
    | Noticed
    | Drilled
)
