"""What is known: the rows of the books that a batch of messages may need, and how facts change them.

The store fills it, the rules read it and apply their facts to it, and the store writes back what was added or changed.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from functools import singledispatchmethod
from typing import Any

from partkin.rules.facts import (
    Fact,
    Held,
    ItemKey,
    ItemKnown,
    Loaded,
    LotDated,
    LotNamed,
    MadeStale,
    MarriageEnded,
    Married,
    NumberIssued,
    Received,
    Redrawn,
    Released,
    Removed,
    StateChanged,
    Tested,
    Use,
    UseKnown,
    Visited,
)
from partkin.rules.moments import FOREVER, Moment
from partkin.rules.rows import (
    HoldRow,
    ItemRow,
    LoadingRow,
    MarriageRow,
    MeasurementRow,
    PointOfUseRow,
    ReceiptRow,
    ReceivedItemRow,
    RemovalRow,
    Row,
    SerialNumberRow,
    StaleRow,
    TestRunRow,
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
        self.points_of_use: dict[Use, PointOfUseRow] = {}
        self.loadings: dict[int, list[LoadingRow]] = defaultdict(list)
        self.receipts: list[ReceiptRow] = []
        self.visits: dict[int, dict[str, VisitRow]] = defaultdict(dict)
        self.runs: dict[int, dict[str, list[TestRunRow]]] = defaultdict(lambda: defaultdict(list))
        self.stale: dict[tuple[int, str], StaleRow] = {}
        self.holds: dict[int, HoldRow] = {}
        self.holds_on: dict[int, list[HoldRow]] = defaultdict(list)
        self.serial_numbers: dict[str, SerialNumberRow] = {}
        self.pieces_in: dict[int, int] = {}
        """Pieces of a lot that are in something, for lots that a receipt names for the first time."""
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
            case PointOfUseRow():
                self.points_of_use[Use(row.scan_point, row.position)] = row
            case LoadingRow():
                self.loadings[row.point_of_use_id].append(row)
            case VisitRow():
                self.visits[row.item_id][row.scan_point] = row
            case TestRunRow():
                self.runs[row.item_id][row.plan].append(row)
            case StaleRow():
                self.stale[row.item_id, row.plan] = row
            case HoldRow():
                self.holds[row.id] = row
                self.holds_on[row.item_id].append(row)
            case SerialNumberRow():
                self.serial_numbers[row.part] = row
            case ReceiptRow() | ReceivedItemRow() | MeasurementRow():
                pass

    def take_all(self, rows: Iterable[Row]) -> None:
        """Take each."""
        for row in rows:
            self.take(row)

    # -- what the rules ask

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

    def loaded(self, use: Use, at: Moment) -> LoadingRow | None:
        """What was at a point of use at a moment: the loading, or none before the first."""
        point = self.points_of_use.get(use)
        if point is None:
            return None
        return next((row for row in self.loadings[point.id] if row.loaded_at <= at < row.unloaded_at), None)

    def next_loading(self, point_of_use_id: int, after: Moment) -> Moment:
        """When a point of use was next loaded or emptied after a moment; FOREVER when it was not."""
        timeline = self.loadings[point_of_use_id]
        return min((row.loaded_at for row in timeline if row.loaded_at > after), default=FOREVER)

    # -- how facts change it

    def apply(self, fact: Fact) -> None:
        """Make a fact true."""
        self._apply(fact)

    def _add(self, row: Row) -> None:
        self.take(row)
        self.changes.add(row)

    def _id_of(self, key: ItemKey | None) -> int | None:
        return None if key is None else self.items[key].id

    @singledispatchmethod
    def _apply(self, fact: Any) -> None:
        raise TypeError(f"no fact: {fact!r}")

    @_apply.register
    def _(self, fact: ItemKnown) -> None:
        lot_id = None
        if fact.of_lot is not None:
            lot_id = self.items[ItemKey(fact.item.part, "lot", fact.of_lot)].id
        self._add(
            ItemRow(
                fact.number,
                *fact.item,
                lot_id=lot_id,
                receipt_id=None,
                produced_on=fact.produced_on,
                expires_on=fact.expires_on,
                state=fact.state,
                started_at=fact.started,
                received=None,
                used=0,
            )
        )

    @_apply.register
    def _(self, fact: LotDated) -> None:
        row = self.items[fact.item]
        row.produced_on, row.expires_on = fact.produced_on, fact.expires_on
        self.changes.change(row)

    @_apply.register
    def _(self, fact: LotNamed) -> None:
        row = self.items[fact.item]
        row.lot_id = self.items[ItemKey(fact.item.part, "lot", fact.of_lot)].id
        self.changes.change(row)

    @_apply.register
    def _(self, fact: StateChanged) -> None:
        row = self.items[fact.item]
        row.state = fact.state
        self.changes.change(row)

    @_apply.register
    def _(self, fact: NumberIssued) -> None:
        row = self.serial_numbers.get(fact.part)
        if row is None:
            self._add(SerialNumberRow(fact.part, fact.running))
        else:
            row.last = fact.running
            self.changes.change(row)

    def _use(self, child_id: int | None, pieces: int) -> None:
        lot = self.item.get(child_id) if child_id is not None else None
        if lot is not None and lot.received is not None:
            lot.used += pieces
            self.changes.change(lot)

    @_apply.register
    def _(self, fact: Married) -> None:
        row = MarriageRow(
            fact.number,
            child_id=self._id_of(fact.child),
            parent_id=self.items[fact.parent].id,
            position=fact.position,
            slot=fact.slot,
            quantity=fact.quantity,
            started=fact.started,
            ended=fact.ended,
            disputed=fact.disputed,
            child_is_serial=fact.child is not None and fact.child.kind == "serial",
            parent_is_unit=fact.parent_is_unit,
            point_of_use_id=None if fact.drawn_at is None else self.points_of_use[fact.drawn_at].id,
        )
        self._add(row)
        if fact.ended == FOREVER:
            self._use(row.child_id, row.quantity)

    @_apply.register
    def _(self, fact: MarriageEnded) -> None:
        row = self.marriages[fact.marriage]
        if row.ended == FOREVER and fact.to_stock:
            self._use(row.child_id, -row.quantity)
        row.ended = fact.ended
        self.changes.change(row)

    @_apply.register
    def _(self, fact: Removed) -> None:
        self._add(
            RemovalRow(
                fact.number,
                self.items[fact.parent].id,
                self.items[fact.child].id,
                fact.position,
                fact.at,
                fact.reason,
                fact.destination,
            )
        )

    @_apply.register
    def _(self, fact: UseKnown) -> None:
        self._add(PointOfUseRow(fact.number, *fact.use))

    @_apply.register
    def _(self, fact: Loaded) -> None:
        point = self.points_of_use[fact.use]
        timeline = self.loadings[point.id]
        before = [row for row in timeline if row.loaded_at <= fact.at]
        if before:
            replaced = max(before, key=lambda row: (row.loaded_at, row.id))
            replaced.unloaded_at = fact.at
            self.changes.change(replaced)
        unloaded_at = self.next_loading(point.id, fact.at)
        row = LoadingRow(fact.number, point.id, self._id_of(fact.lot), fact.at, unloaded_at)
        self._add(row)

    @_apply.register
    def _(self, fact: Redrawn) -> None:
        lot_id = self._id_of(fact.lot)
        for row in self.draws[self.points_of_use[fact.use].id]:
            if fact.started <= row.started < fact.ended and row.child_id != lot_id:
                self._redraw(row, lot_id)

    def _redraw(self, row: MarriageRow, lot_id: int | None) -> None:
        if row.ended == FOREVER:
            self._use(row.child_id, -row.quantity)
            self._use(lot_id, row.quantity)
        if row.child_id is not None:
            self.as_child[row.child_id].remove(row)
        if lot_id is not None:
            self.as_child[lot_id].append(row)
        row.child_id = lot_id
        self.changes.change(row)

    @_apply.register
    def _(self, fact: Received) -> None:
        lot_id = self._id_of(fact.lot)
        row = ReceiptRow(fact.number, fact.part, fact.supplier, lot_id, fact.quantity, fact.at, fact.delivery_note)
        self._add(row)
        if lot_id is not None and fact.counted:
            lot = self.item[lot_id]
            if lot.received is None:
                lot.used = fact.used
            lot.received = (lot.received or 0) + fact.quantity
            self.changes.change(lot)
        for serial in fact.serials:
            item = self.items[ItemKey(fact.part, "serial", serial)]
            item.receipt_id = fact.number
            self.changes.change(item)
            self._add(ReceivedItemRow(fact.number, item.id))

    @_apply.register
    def _(self, fact: Visited) -> None:
        item_id = self.items[fact.item].id
        row = self.visits[item_id].get(fact.scan_point)
        if row is None:
            self._add(VisitRow(item_id, fact.scan_point, fact.at, fact.at))
        else:
            row.first_at, row.last_at = min(row.first_at, fact.at), max(row.last_at, fact.at)
            self.changes.change(row)

    @_apply.register
    def _(self, fact: Tested) -> None:
        row = TestRunRow(fact.number, self.items[fact.item].id, fact.plan, fact.instrument, fact.at, fact.verdict)
        self._add(row)
        for result in fact.measured:
            self._add(MeasurementRow(fact.number, result.characteristic, result.value, result.good, result.within))

    @_apply.register
    def _(self, fact: MadeStale) -> None:
        item_id = self.items[fact.item].id
        row = self.stale.get((item_id, fact.plan))
        if row is None:
            self._add(StaleRow(item_id, fact.plan, fact.at))
        elif row.at < fact.at:
            row.at = fact.at
            self.changes.change(row)

    @_apply.register
    def _(self, fact: Held) -> None:
        item_id = self.items[fact.item].id
        self._add(HoldRow(fact.number, item_id, fact.reason, fact.discrepancy, fact.at, fact.by, FOREVER, None, None))

    @_apply.register
    def _(self, fact: Released) -> None:
        row = self.holds[fact.hold]
        row.released_at, row.released_by, row.release_reason = fact.at, fact.by, fact.reason
        self.changes.change(row)
