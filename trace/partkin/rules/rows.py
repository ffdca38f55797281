"""Rows of the books, one class a table; the fields are the columns."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from partkin.rules.facts import Destination, ItemKey, ItemKind, ItemState, Verdict
from partkin.rules.moments import FOREVER, Moment


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
    position: str
    slot: int
    quantity: int
    started: Moment
    ended: Moment
    disputed: bool
    child_is_serial: bool
    parent_is_unit: bool
    point_of_use_id: int | None

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


@dataclass(slots=True)
class PointOfUseRow:
    """A position fed with lots at a scan point."""

    id: int
    scan_point: str
    position: str


@dataclass(slots=True)
class LoadingRow:
    """A lot at a point of use; none while it is empty."""

    id: int
    point_of_use_id: int
    lot_id: int | None
    loaded_at: Moment
    unloaded_at: Moment


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


@dataclass(slots=True)
class MeasurementRow:
    """One result of a run."""

    test_run_id: int
    characteristic: str
    value: float | None
    good: bool | None
    within: bool


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


@dataclass(slots=True)
class SerialNumberRow:
    """The last running number issued for a part."""

    part: str
    last: int


Row = (
    ItemRow
    | MarriageRow
    | RemovalRow
    | PointOfUseRow
    | LoadingRow
    | ReceiptRow
    | ReceivedItemRow
    | VisitRow
    | TestRunRow
    | MeasurementRow
    | StaleRow
    | HoldRow
    | SerialNumberRow
)
