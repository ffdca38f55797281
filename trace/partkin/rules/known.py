"""What is known: the rows of the books that a batch of messages may need.

The store fills it, the rules read it and apply their facts to it, and the store writes back what was added or changed.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, NamedTuple

from partkin.rules.facts import Certainty, Decision, ItemKey, LabelKind, Use
from partkin.rules.moments import FOREVER, Moment
from partkin.rules.rows import (
    CalibrationRow,
    CaseDecisionRow,
    CaseItemRow,
    CaseRow,
    CheckPlanRow,
    HoldRow,
    InspectionRow,
    ItemRow,
    LabelPrintRow,
    LoadingRow,
    MarriageRow,
    MeasurementRow,
    NoticeRow,
    NumberCounterRow,
    OrderRow,
    PointOfUseRow,
    RemovalRow,
    Row,
    ShipmentLineRow,
    ShipmentRow,
    SortingItemRow,
    SortingRow,
    StaleRow,
    TestAttachmentRow,
    TestRunRow,
    TransferRow,
    VisitRow,
)


@dataclass(slots=True)
class Changes:
    """Rows to write, by their class, each once."""

    added: dict[type[Row], list[Row]] = field(default_factory=lambda: defaultdict(list))
    changed: dict[type[Row], dict[int, Row]] = field(default_factory=lambda: defaultdict(dict))
    _added: set[int] = field(default_factory=set)

    def add(self, row: Row) -> None:
        """A row that the store does not have yet."""
        self.added[type(row)].append(row)
        self._added.add(id(row))

    def change(self, row: Row) -> None:
        """A row that differs from what the store has; one that was added in the same batch stays added."""
        if id(row) not in self._added:
            self.changed[type(row)][id(row)] = row


class FreeNumber(NamedTuple):
    """A number that may be issued next."""

    number: str
    running: int | None
    """None where it is random."""


class FoundThing(NamedTuple):
    """A thing that is affected by what a case suspects."""

    item: ItemRow
    certainty: Certainty
    suspect: bool
    """Suspected itself."""
    still: bool
    """Whether a suspect is in it now, or may be."""
    left: bool
    """Whether it has left: shipped, scrapped, sent away, or inside what has."""


class SuspectMistake(NamedTuple):
    """A place in what is suspected (JSON pointer), and what is the matter there."""

    pointer: str
    detail: str


@dataclass(slots=True)
class Found:
    """What the books say for a message about a case, found just before it is judged; what is not needed is empty."""

    mistakes: Sequence[SuspectMistake] = ()
    """In what the message suspects."""
    things: Sequence[FoundThing] = ()
    """All that is affected."""
    points: Sequence[Mapping[str, Any]] = ()
    """Points of use where a suspect lot is up."""
    seal: int | None = None
    last_entry: int = 0
    """What the list knows."""
    listed: Sequence[CaseItemRow] = ()
    """All that the case lists."""
    population: Sequence[ItemKey] = ()
    """Of a sorting."""
    consignees: Sequence[str] = ()
    """Who was sent units that the case lists, in order."""
    to_tell: Sequence[str] = ()
    """Of these, who was sent any that may not be used as they are."""
    unsettled: Sequence[ItemKey] = ()
    """Listed things of which nothing was decided, or it was not carried out."""
    unaccounted: Mapping[ItemKey, int] = field(default_factory=dict)
    """Pieces of suspect lots of which the books do not know where they are."""
    uninspected: Mapping[str, int] = field(default_factory=dict)
    """Things drawn and not inspected, by sorting."""
    proof: Mapping[int, tuple[int, ...]] = field(default_factory=dict)
    """Of listed items: the marriages of suspects that ended in them, and those that took their places."""
    revisions: Mapping[int, int] = field(default_factory=dict)
    """Numbers of the freezes of a case, by revision."""
    seed: str = ""
    """Chance, where a message brings none."""


class Known:
    """Rows by what the rules look them up by."""

    def __init__(self) -> None:
        self.items: dict[ItemKey, ItemRow] = {}
        self.item: dict[int, ItemRow] = {}
        self.marriages: dict[int, MarriageRow] = {}
        self.as_child: dict[int, list[MarriageRow]] = defaultdict(list)
        self.as_parent: dict[int, list[MarriageRow]] = defaultdict(list)
        self.draws: dict[int, list[MarriageRow]] = defaultdict(list)
        self.removals: dict[tuple[int, int], list[RemovalRow]] = defaultdict(list)
        self.removal: dict[int, RemovalRow] = {}
        self.points_of_use: dict[Use, PointOfUseRow] = {}
        self.loadings: dict[int, list[LoadingRow]] = defaultdict(list)
        self.loading: dict[int, LoadingRow] = {}
        self.visits: dict[int, dict[str, VisitRow]] = defaultdict(dict)
        self.runs: dict[int, dict[str, list[TestRunRow]]] = defaultdict(lambda: defaultdict(list))
        self.run: dict[int, TestRunRow] = {}
        self.measurements: dict[int, list[MeasurementRow]] = defaultdict(list)
        """Of runs that are corrected."""
        self.attachments_of: dict[int, list[str]] = defaultdict(list)
        """Of runs that are corrected."""
        self.stale: dict[tuple[int, str], StaleRow] = {}
        self.holds: dict[int, HoldRow] = {}
        self.holds_on: dict[int, list[HoldRow]] = defaultdict(list)
        self.counters: dict[tuple[str, str], NumberCounterRow] = {}
        """By scheme and period."""
        self.free_numbers: dict[tuple[str, str], list[FreeNumber]] = defaultdict(list)
        """Numbers that may be issued next, by scheme and period; the store puts in enough for the batch."""
        self.sources: dict[int, list[TransferRow]] = defaultdict(list)
        """What went into a container, by its number."""
        self.calibrations: dict[str, list[CalibrationRow]] = defaultdict(list)
        self.prints: dict[tuple[int, LabelKind], list[LabelPrintRow]] = defaultdict(list)
        self.orders: dict[str, OrderRow] = {}
        self.order: dict[int, OrderRow] = {}
        self.shipments: dict[str, ShipmentRow] = {}
        self.shipment: dict[int, ShipmentRow] = {}
        self.lines: dict[int, ShipmentLineRow] = {}
        self.lines_of: dict[int, list[ShipmentLineRow]] = defaultdict(list)
        """By shipment."""
        self.lines_with: dict[int, list[ShipmentLineRow]] = defaultdict(list)
        """By item."""
        self.attachments: set[str] = set()
        """Those that were sent, of the ones that are named."""
        self.pieces_in: dict[int, int] = {}
        """Pieces of a lot that are in something, for lots that a receipt names for the first time."""
        self.cases: dict[str, CaseRow] = {}
        """Containment cases: those that are named, and all that are frozen."""
        self.case: dict[int, CaseRow] = {}
        self.listed: dict[int, list[CaseItemRow]] = defaultdict(list)
        """Where cases list an item, by its number."""
        self.case_item: dict[int, CaseItemRow] = {}
        self.decisions: dict[int, Decision] = {}
        """Those that count of listed things, by their numbers."""
        self.watched_points: set[int] = set()
        """Points of use at which a lot was up that a frozen case lists."""
        self.found: dict[str, Found] = {}
        """By message."""
        self.sortings: dict[str, SortingRow] = {}
        self.drawn: dict[int, set[int]] = defaultdict(set)
        """By sorting."""
        self.inspections: dict[int, list[InspectionRow]] = defaultdict(list)
        """By sorting."""
        self.notices: dict[int, list[NoticeRow]] = defaultdict(list)
        """By case."""
        self.check_plans: dict[int, list[CheckPlanRow]] = defaultdict(list)
        """By case."""
        self.changes = Changes()

    # -- what the store puts in

    def take(self, row: Row) -> None:  # noqa: C901 - one case a kind of row
        """Look a row up from now on; a row taken before stays as it is."""
        match row:
            case ItemRow():
                if row.id not in self.item:
                    self.item[row.id] = self.items[row.key] = row
            case MarriageRow():
                if row.id not in self.marriages:
                    self.marriages[row.id] = row
                    self.as_parent[row.parent_id].append(row)
                    if row.child_id is not None:
                        self.as_child[row.child_id].append(row)
                    if row.point_of_use_id is not None:
                        self.draws[row.point_of_use_id].append(row)
            case RemovalRow():
                self.removals[row.parent_id, row.child_id].append(row)
                self.removal[row.id] = row
            case PointOfUseRow():
                self.points_of_use[Use(row.scan_point, row.position)] = row
            case LoadingRow():
                if row.id not in self.loading:
                    self.loadings[row.point_of_use_id].append(row)
                    self.loading[row.id] = row
            case VisitRow():
                self.visits[row.item_id][row.scan_point] = row
            case TestRunRow():
                self.runs[row.item_id][row.plan].append(row)
                self.run[row.id] = row
            case MeasurementRow():
                self.measurements[row.test_run_id].append(row)
            case TestAttachmentRow():
                self.attachments_of[row.test_run_id].append(row.sha256)
            case StaleRow():
                self.stale[row.item_id, row.plan] = row
            case HoldRow():
                if row.id not in self.holds:
                    self.holds[row.id] = row
                    self.holds_on[row.item_id].append(row)
            case NumberCounterRow():
                self.counters[row.scheme, row.period] = row
            case TransferRow():
                self.sources[row.target_id].append(row)
            case CalibrationRow():
                self.calibrations[row.instrument].append(row)
            case LabelPrintRow():
                self.prints[row.item_id, row.label].append(row)
            case OrderRow():
                self.orders[row.code] = self.order[row.id] = row
            case ShipmentRow():
                self.shipments[row.code] = self.shipment[row.id] = row
            case ShipmentLineRow():
                if row.id not in self.lines:
                    self.lines[row.id] = row
                    self.lines_of[row.shipment_id].append(row)
                    self.lines_with[row.item_id].append(row)
            case CaseRow():
                if row.id not in self.case:
                    self.cases[row.code] = self.case[row.id] = row
            case CaseItemRow():
                if row.id not in self.case_item:
                    self.listed[row.item_id].append(row)
                    self.case_item[row.id] = row
            case CaseDecisionRow():
                self.decisions[row.id] = row.decision
            case SortingRow():
                self.sortings[row.code] = row
            case SortingItemRow():
                self.drawn[row.sorting_id].add(row.item_id)
            case InspectionRow():
                self.inspections[row.sorting_id].append(row)
            case NoticeRow():
                self.notices[row.case_id].append(row)
            case CheckPlanRow():
                self.check_plans[row.case_id].append(row)
            case _:
                pass  # nothing is judged by it

    def take_all(self, rows: Iterable[Row]) -> None:
        """Take each."""
        for row in rows:
            self.take(row)

    # -- what the rules ask

    def frozen(self) -> list[CaseRow]:
        """The containment cases that are watched."""
        frozen = [row for row in self.case.values() if row.status == "frozen"]
        return sorted(frozen, key=lambda row: row.id) if frozen else frozen

    def lists(self, case: CaseRow, item_id: int | None) -> bool:
        """Whether a case lists an item, and has not dropped it."""
        rows = () if item_id is None else self.listed.get(item_id, ())
        return any(row.case_id == case.id and row.dropped_in is None for row in rows)

    def inside(self, item_id: int) -> Iterator[MarriageRow]:
        """What stands in an item, at every level."""
        for row in self.as_parent.get(item_id, ()):
            if row.stands:
                yield row
                if row.child_id is not None:
                    yield from self.inside(row.child_id)

    def holders(self, item_id: int) -> Iterator[MarriageRow]:
        """Every marriage by which an item is, was or is said to be in something, at every level."""
        for row in self.as_child.get(item_id, ()):
            yield row
            yield from self.holders(row.parent_id)

    def open_holds(self, item_id: int) -> list[HoldRow]:
        """Holds on an item that have not been released."""
        return [hold for hold in self.holds_on.get(item_id, ()) if hold.released_at == FOREVER]

    def loaded(self, use: Use, at: Moment) -> list[LoadingRow]:
        """The lots that were up at a point of use at a moment, the one that pieces are booked on first."""
        point = self.points_of_use.get(use)
        return [] if point is None else in_booking_order(self.loadings[point.id], at)

    def next_loading(self, point_of_use_id: int, feeder: str, after: Moment) -> Moment:
        """When a feeder was next loaded or emptied after a moment; FOREVER when it was not."""
        timeline = self.loadings[point_of_use_id]
        return min(
            (row.loaded_at for row in timeline if row.feeder == feeder and row.loaded_at > after), default=FOREVER
        )

    def holder(self, item_id: int) -> MarriageRow | None:
        """The marriage by which a serial item stands in something now."""
        return next((row for row in self.as_child.get(item_id, ()) if row.stands), None)


def in_booking_order(loadings: Iterable[LoadingRow], at: Moment) -> list[LoadingRow]:
    """The lots that were up at a moment, the one that pieces are booked on first.

    That is the one loaded first of those that have pieces left or are not counted.
    """
    up = (row for row in loadings if row.lot_id is not None and row.loaded_at <= at < row.unloaded_at)
    return sorted(up, key=lambda row: (row.left is not None and row.left <= 0, row.loaded_at, row.feeder))
