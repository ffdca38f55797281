"""Rows of the books, one class a table; the fields are the columns."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import Literal

from partkin.rules.facts import (
    Certainty,
    Decision,
    Destination,
    EffectivenessLevel,
    ItemKey,
    ItemKind,
    ItemState,
    LabelKind,
    NoticeStep,
    SortingRule,
    Symbol,
    Verdict,
)
from partkin.rules.moments import FOREVER, Moment

CaseStatus = Literal["open", "frozen", "closed"]


@dataclass(slots=True)
class ItemRow:
    """A serial item or a lot."""

    id: int
    part: str
    kind: ItemKind
    code: str
    lot_id: int | None
    receipt_id: int | None
    produced_on: date | None
    expires_on: date | None
    state: ItemState
    started_at: Moment | None
    received: int | None
    used: int
    opened_at: Moment | None = None
    order_id: int | None = None

    @property
    def key(self) -> ItemKey:
        """As the plant names it."""
        return ItemKey(self.part, self.kind, self.code)


@dataclass(slots=True)
class MarriageRow:
    """A component in a unit."""

    id: int
    child_id: int | None
    parent_id: int
    started: Moment
    ended: Moment
    point_of_use_id: int | None
    quantity: int
    slot: int
    disputed: bool
    child_is_serial: bool
    parent_is_unit: bool
    position: str
    wrong: bool = False

    @property
    def stands(self) -> bool:
        """In now, and by nobody contradicted."""
        return self.ended == FOREVER and not self.disputed

    def overlaps(self, started: Moment, ended: Moment) -> bool:
        """Whether both were so at one moment; nothing overlaps an empty interval."""
        return max(self.started, started) < min(self.ended, ended)


@dataclass(slots=True)
class RemovalRow:
    """Somebody said that a component came out."""

    id: int
    parent_id: int
    child_id: int
    position: str | None
    occurred_at: Moment
    reason: str
    destination: Destination
    wrong: bool = False


@dataclass(slots=True)
class PointOfUseRow:
    """A position fed with lots at a scan point."""

    id: int
    scan_point: str
    position: str


@dataclass(slots=True)
class LoadingRow:
    """A lot at a feeder of a point of use; none while it is empty."""

    id: int
    point_of_use_id: int
    lot_id: int | None
    loaded_at: Moment
    unloaded_at: Moment
    feeder: str = "1"
    quantity: int | None = None
    drawn: int = 0
    returned: int | None = None

    @property
    def left(self) -> int | None:
        """Pieces that the container still has, where they are counted."""
        return None if self.quantity is None else self.quantity - self.drawn


@dataclass(slots=True)
class TransferRow:
    """Pieces of a lot went into a container with its own label."""

    id: int
    source_id: int
    target_id: int
    quantity: int
    occurred_at: Moment


@dataclass(slots=True)
class ReceiptRow:
    """Parts came in."""

    id: int
    part: str
    supplier: str
    lot_id: int | None
    quantity: int
    received_at: Moment
    delivery_note: str | None


@dataclass(slots=True)
class ReceivedItemRow:
    """A serial item that a receipt names; one told of twice has two receipts, and either may be the suspect one."""

    receipt_id: int
    item_id: int


@dataclass(slots=True)
class VisitRow:
    """A unit at a scan point."""

    item_id: int
    scan_point: str
    first_at: Moment
    last_at: Moment


@dataclass(slots=True)
class TestRunRow:
    """A run of a test plan."""

    __test__ = False

    id: int
    item_id: int
    plan: str
    instrument: str
    occurred_at: Moment
    verdict: Verdict
    tester: Verdict | None = None
    revision: str | None = None
    wrong: bool = False


@dataclass(slots=True)
class MeasurementRow:
    """One result of a run, with the limits of that day."""

    test_run_id: int
    characteristic: str
    value: float | None
    good: bool | None
    within: bool
    lower: float | None = None
    upper: float | None = None


@dataclass(slots=True)
class TestAttachmentRow:
    """A waveform or picture of a run."""

    __test__ = False

    test_run_id: int
    sha256: str


@dataclass(slots=True)
class CalibrationRow:
    """An instrument was calibrated."""

    id: int
    instrument: str
    occurred_at: Moment
    good: bool
    due_on: date | None
    certificate: str | None


@dataclass(slots=True)
class StaleRow:
    """Runs of a plan on an item before `at` no longer count."""

    item_id: int
    plan: str
    at: Moment


@dataclass(slots=True)
class HoldRow:
    """A named stop."""

    id: int
    item_id: int
    reason: str
    discrepancy: bool
    placed_at: Moment
    placed_by: str
    released_at: Moment
    released_by: str | None
    release_reason: str | None
    case_id: int | None = None


@dataclass(slots=True)
class DispositionRow:
    """Something that was in nothing went somewhere."""

    id: int
    item_id: int
    quantity: int | None
    destination: Destination
    occurred_at: Moment
    reason: str


@dataclass(slots=True)
class CorrectionRow:
    """A row that was recorded wrongly, and the one that stands in its place."""

    id: int
    wrong_id: int
    instead_id: int | None
    occurred_at: Moment
    reason: str


@dataclass(slots=True)
class LabelPrintRow:
    """A label was printed."""

    id: int
    item_id: int
    label: LabelKind
    symbol: Symbol
    copy: int
    occurred_at: Moment
    reason: str | None


@dataclass(slots=True)
class OrderRow:
    """Units to be built."""

    id: int
    code: str
    line: str
    sequence: int
    part: str
    serial: str | None
    quantity: int
    due: date | None
    parts: str
    """Position to the one part ordered there, as JSON."""
    started: int


@dataclass(slots=True)
class ShipmentRow:
    """What goes to a consignee together."""

    id: int
    code: str
    consignee: str
    opened_at: Moment
    despatched_at: Moment
    delivery_note: str | None


@dataclass(slots=True)
class ShipmentLineRow:
    """A unit, a carton or a pallet on a shipment."""

    id: int
    shipment_id: int
    item_id: int
    loaded_at: Moment
    unloaded_at: Moment
    reason: str | None


@dataclass(slots=True)
class CustomerReturnRow:
    """A unit came back from a customer."""

    id: int
    item_id: int
    consignee: str | None
    occurred_at: Moment
    reason: str


@dataclass(slots=True)
class NumberCounterRow:
    """The highest running number of a scheme that was issued in a period."""

    scheme: str
    period: str
    last: int


@dataclass(slots=True)
class IssuedNumberRow:
    """A random number that was issued."""

    scheme: str
    number: str


@dataclass(slots=True)
class StockCountRow:
    """Pieces of a lot were counted."""

    id: int
    item_id: int
    quantity: int
    occurred_at: Moment
    counted_by: str


@dataclass(slots=True)
class CaseRow:
    """A containment case."""

    id: int
    code: str
    title: str
    status: CaseStatus
    revision: int
    suspects: str
    hazard: str | None
    asked: str | None
    opened_at: Moment
    opened_by: str
    reason: str


@dataclass(slots=True)
class CaseRevisionRow:
    """A freeze of a case."""

    id: int
    case_id: int
    revision: int
    suspects: str
    seal: int | None
    last_entry: int
    things: int
    sha256: str
    points: str
    frozen_at: Moment
    frozen_by: str
    reason: str | None


@dataclass(slots=True)
class CaseItemRow:
    """A thing that a case lists as affected."""

    id: int
    case_id: int
    item_id: int
    revision: int
    certainty: Certainty
    suspect: bool
    state: ItemState
    gone: bool
    because: int | None
    dropped_in: int | None = None
    decision_id: int | None = None


@dataclass(slots=True)
class CaseDecisionRow:
    """What becomes of a thing that a case lists."""

    id: int
    case_id: int
    item_id: int
    decision: Decision
    authority: str
    concession: str | None
    signed_by: str | None
    sorting_id: int | None
    proof: str
    occurred_at: Moment
    decided_by: str
    reason: str


@dataclass(slots=True)
class CaseTurnRow:
    """A case was closed, or opened again."""

    id: int
    case_id: int
    turn: Literal["closed", "reopened"]
    occurred_at: Moment
    turned_by: str
    reason: str
    unaccounted: str | None


@dataclass(slots=True)
class SortingRow:
    """Things drawn for inspection."""

    id: int
    case_id: int
    code: str
    rule: SortingRule
    confidence: float
    fraction: float
    listed: Certainty | None
    clean: str | None
    part: str | None
    population: int
    drawn: int
    seed: str
    occurred_at: Moment
    drawn_by: str


@dataclass(slots=True)
class SortingItemRow:
    """A thing drawn for a sorting."""

    sorting_id: int
    item_id: int


@dataclass(slots=True)
class InspectionRow:
    """A thing drawn for a sorting was inspected."""

    id: int
    sorting_id: int
    item_id: int
    good: bool
    found: str | None
    attachments: str
    occurred_at: Moment
    inspected_by: str


@dataclass(slots=True)
class CheckPlanRow:
    """Which consignees of a case are asked whether the notice reached them."""

    id: int
    case_id: int
    level: EffectivenessLevel
    share: float | None
    seed: str
    consignees: str
    occurred_at: Moment
    planned_by: str


@dataclass(slots=True)
class NoticeRow:
    """A step of a consignee's notice."""

    id: int
    case_id: int
    consignee: str
    step: NoticeStep
    how: str | None
    copy: str | None
    on_hand: int | None
    corrected: int | None
    effective: bool | None
    found: str | None
    occurred_at: Moment
    noted_by: str


@dataclass(slots=True)
class DrillRow:
    """A recall was rehearsed."""

    id: int
    seed: str
    suspects: str
    steps: str
    certain: int
    possible: int
    consignees: int
    received: int | None
    accounted: int | None
    occurred_at: Moment
    drilled_by: str


Row = (
    ItemRow
    | MarriageRow
    | RemovalRow
    | PointOfUseRow
    | LoadingRow
    | TransferRow
    | ReceiptRow
    | ReceivedItemRow
    | VisitRow
    | TestRunRow
    | MeasurementRow
    | TestAttachmentRow
    | CalibrationRow
    | StaleRow
    | HoldRow
    | DispositionRow
    | CorrectionRow
    | LabelPrintRow
    | OrderRow
    | ShipmentRow
    | ShipmentLineRow
    | CustomerReturnRow
    | NumberCounterRow
    | IssuedNumberRow
    | StockCountRow
    | CaseRow
    | CaseRevisionRow
    | CaseItemRow
    | CaseDecisionRow
    | CaseTurnRow
    | SortingRow
    | SortingItemRow
    | InspectionRow
    | CheckPlanRow
    | NoticeRow
    | DrillRow
)
