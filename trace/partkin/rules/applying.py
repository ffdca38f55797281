"""How facts change what is known: the books are nothing but this, applied to the facts of the journal in order."""

from __future__ import annotations

from functools import singledispatch
from typing import Any

from partkin.rules.canonical_json import canonical
from partkin.rules.facts import (
    Calibrated,
    CameBack,
    CaseClosed,
    CaseFrozen,
    CaseOpened,
    CaseReopened,
    ChecksPlanned,
    Corrected,
    Counted,
    Decided,
    Despatched,
    Disposed,
    Drilled,
    Dropped,
    Fact,
    Held,
    Inspected,
    ItemKey,
    ItemKnown,
    LabelPrinted,
    LeftOver,
    Listed,
    Loaded,
    LoadingCorrected,
    LotDated,
    LotNamed,
    MadeStale,
    MarriageEnded,
    MarriageRestored,
    Married,
    Noticed,
    NumberIssued,
    NumbersIssued,
    Opened,
    Ordered,
    OrderTaken,
    Received,
    Redrawn,
    Released,
    Relisted,
    Removed,
    ShipmentLoaded,
    ShipmentOpened,
    ShipmentUnloaded,
    SortingDrawn,
    StateChanged,
    Tested,
    Transferred,
    UseKnown,
    Visited,
)
from partkin.rules.known import Known
from partkin.rules.moments import FOREVER
from partkin.rules.rows import (
    CalibrationRow,
    CaseDecisionRow,
    CaseItemRow,
    CaseRevisionRow,
    CaseRow,
    CaseTurnRow,
    CheckPlanRow,
    CorrectionRow,
    CustomerReturnRow,
    DispositionRow,
    DrillRow,
    HoldRow,
    InspectionRow,
    IssuedNumberRow,
    ItemRow,
    LabelPrintRow,
    LoadingRow,
    MarriageRow,
    MeasurementRow,
    NoticeRow,
    NumberCounterRow,
    OrderRow,
    PointOfUseRow,
    ReceiptRow,
    ReceivedItemRow,
    RemovalRow,
    Row,
    ShipmentLineRow,
    ShipmentRow,
    SortingItemRow,
    SortingRow,
    StaleRow,
    StockCountRow,
    TestAttachmentRow,
    TestRunRow,
    TransferRow,
    VisitRow,
)


def apply(fact: Fact, known: Known) -> None:
    """Make a fact true."""
    _APPLIERS.get(type(fact), _apply)(fact, known)


@singledispatch
def _apply(fact: Any, known: Known) -> None:  # noqa: ARG001 - as those below
    raise TypeError(f"no fact: {fact!r}")


_APPLIERS = _apply.registry  # looked up directly, which is quicker than the dispatch


def _add(known: Known, row: Row) -> None:
    known.take(row)
    known.changes.add(row)


def _id_of(known: Known, key: ItemKey | None) -> int | None:
    return None if key is None else known.items[key].id


# -- items


@_apply.register
def _(fact: ItemKnown, known: Known) -> None:
    lot_id = None
    if fact.of_lot is not None:
        lot_id = known.items[ItemKey(fact.item.part, "lot", fact.of_lot)].id
    _add(
        known,
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
        ),
    )


@_apply.register
def _(fact: LotDated, known: Known) -> None:
    row = known.items[fact.item]
    row.produced_on, row.expires_on = fact.produced_on, fact.expires_on
    known.changes.change(row)


@_apply.register
def _(fact: LotNamed, known: Known) -> None:
    row = known.items[fact.item]
    row.lot_id = known.items[ItemKey(fact.item.part, "lot", fact.of_lot)].id
    known.changes.change(row)


@_apply.register
def _(fact: StateChanged, known: Known) -> None:
    row = known.items[fact.item]
    row.state = fact.state
    known.changes.change(row)


@_apply.register
def _(fact: Opened, known: Known) -> None:
    row = known.items[fact.item]
    row.opened_at = fact.at if row.opened_at is None else min(row.opened_at, fact.at)
    known.changes.change(row)


def _use(known: Known, lot_id: int | None, pieces: int) -> None:
    """Pieces of a received lot are used, or (fewer than none) can be used again."""
    lot = known.item.get(lot_id) if lot_id is not None else None
    if lot is not None and lot.received is not None:
        lot.used += pieces
        known.changes.change(lot)


# -- numbers


@_apply.register
def _(fact: NumberIssued, known: Known) -> None:
    _count_to(known, fact.part, "", fact.running)


@_apply.register
def _(fact: NumbersIssued, known: Known) -> None:
    if fact.last is not None:
        _count_to(known, fact.scheme, fact.period, fact.last)
    else:
        for number in fact.numbers:
            _add(known, IssuedNumberRow(fact.scheme, number))
    issued = set(fact.numbers)
    free = known.free_numbers[fact.scheme, fact.period]
    free[:] = [number for number in free if number.number not in issued]


def _count_to(known: Known, scheme: str, period: str, last: int) -> None:
    row = known.counters.get((scheme, period))
    if row is None:
        _add(known, NumberCounterRow(scheme, period, last))
    else:
        row.last = last
        known.changes.change(row)


# -- marriages


@_apply.register
def _(fact: Married, known: Known) -> None:
    row = MarriageRow(
        fact.number,
        child_id=_id_of(known, fact.child),
        parent_id=known.items[fact.parent].id,
        position=fact.position,
        slot=fact.slot,
        quantity=fact.quantity,
        started=fact.started,
        ended=fact.ended,
        disputed=fact.disputed,
        child_is_serial=fact.child is not None and fact.child.kind == "serial",
        parent_is_unit=fact.parent_is_unit,
        point_of_use_id=None if fact.drawn_at is None else known.points_of_use[fact.drawn_at].id,
    )
    _add(known, row)
    if fact.ended == FOREVER:
        _use(known, row.child_id, row.quantity)
    _draw(known, fact.loading, row.quantity)


def _draw(known: Known, loading: int | None, pieces: int) -> None:
    row = None if loading is None else known.loading[loading]
    if row is not None and row.quantity is not None:
        row.drawn += pieces
        known.changes.change(row)


@_apply.register
def _(fact: MarriageEnded, known: Known) -> None:
    row = known.marriages[fact.marriage]
    if row.ended == FOREVER and fact.to_stock:
        _use(known, row.child_id, -row.quantity)
    row.ended = fact.ended
    known.changes.change(row)


@_apply.register
def _(fact: MarriageRestored, known: Known) -> None:
    row = known.marriages[fact.marriage]
    if fact.ended == FOREVER and fact.from_stock:
        _use(known, row.child_id, row.quantity)
    row.ended = fact.ended
    known.changes.change(row)


@_apply.register
def _(fact: Removed, known: Known) -> None:
    _add(
        known,
        RemovalRow(
            fact.number,
            known.items[fact.parent].id,
            known.items[fact.child].id,
            fact.position,
            fact.at,
            fact.reason,
            fact.destination,
        ),
    )


@_apply.register
def _(fact: Corrected, known: Known) -> None:
    _add(known, CorrectionRow(fact.number, fact.wrong, fact.instead, fact.at, fact.reason))
    if fact.wrong in known.marriages:
        _draw(known, fact.loading, -known.marriages[fact.wrong].quantity)
        _never_was(known, known.marriages[fact.wrong])
    elif (wrong := known.removal.get(fact.wrong) or known.run.get(fact.wrong)) is not None:
        wrong.wrong = True
        known.changes.change(wrong)


def _never_was(known: Known, row: MarriageRow) -> None:
    if row.ended == FOREVER:
        _use(known, row.child_id, -row.quantity)
    if row.point_of_use_id is not None:
        known.draws[row.point_of_use_id].remove(row)
    row.ended, row.point_of_use_id, row.wrong = row.started, None, True
    known.changes.change(row)


# -- lots


@_apply.register
def _(fact: UseKnown, known: Known) -> None:
    _add(known, PointOfUseRow(fact.number, *fact.use))


@_apply.register
def _(fact: Loaded, known: Known) -> None:
    point = known.points_of_use[fact.use]
    before = [row for row in known.loadings[point.id] if row.feeder == fact.feeder and row.loaded_at <= fact.at]
    if before:
        replaced = max(before, key=lambda row: (row.loaded_at, row.id))
        replaced.unloaded_at = fact.at
        known.changes.change(replaced)
    unloaded_at = known.next_loading(point.id, fact.feeder, fact.at)
    lot_id = _id_of(known, fact.lot)
    _add(
        known,
        LoadingRow(fact.number, point.id, lot_id, fact.at, unloaded_at, fact.feeder, fact.quantity),
    )


@_apply.register
def _(fact: LeftOver, known: Known) -> None:
    row = known.loading[fact.loading]
    row.returned = fact.quantity
    known.changes.change(row)


@_apply.register
def _(fact: LoadingCorrected, known: Known) -> None:
    row = known.loading[fact.loading]
    row.lot_id = _id_of(known, fact.lot)
    known.changes.change(row)


@_apply.register
def _(fact: Redrawn, known: Known) -> None:
    lot_id = _id_of(known, fact.lot)
    draws = [known.marriages[number] for number in fact.marriages] or known.draws[known.points_of_use[fact.use].id]
    for row in draws:
        if fact.started <= row.started < fact.ended:
            if row.child_id != lot_id:
                _redraw(known, row, lot_id)
            _draw(known, fact.was, -row.quantity)
            _draw(known, fact.now, row.quantity)


def _redraw(known: Known, row: MarriageRow, lot_id: int | None) -> None:
    if row.ended == FOREVER:
        _use(known, row.child_id, -row.quantity)
        _use(known, lot_id, row.quantity)
    if row.child_id is not None:
        known.as_child[row.child_id].remove(row)
    if lot_id is not None:
        known.as_child[lot_id].append(row)
    row.child_id = lot_id
    known.changes.change(row)


@_apply.register
def _(fact: Transferred, known: Known) -> None:
    source, target = known.items[fact.source], known.items[fact.target]
    _add(known, TransferRow(fact.number, source.id, target.id, fact.quantity, fact.at))
    if source.received is not None:
        _use(known, source.id, fact.quantity)
        target.received = (target.received or 0) + fact.quantity
        known.changes.change(target)


@_apply.register
def _(fact: Received, known: Known) -> None:
    lot_id = _id_of(known, fact.lot)
    row = ReceiptRow(fact.number, fact.part, fact.supplier, lot_id, fact.quantity, fact.at, fact.delivery_note)
    _add(known, row)
    if lot_id is not None and fact.counted:
        lot = known.item[lot_id]
        if lot.received is None:
            lot.used = fact.used
        lot.received = (lot.received or 0) + fact.quantity
        known.changes.change(lot)
    for serial in fact.serials:
        item = known.items[ItemKey(fact.part, "serial", serial)]
        item.receipt_id = fact.number
        known.changes.change(item)
        _add(known, ReceivedItemRow(fact.number, item.id))


@_apply.register
def _(fact: Disposed, known: Known) -> None:
    item = known.items[fact.item]
    _add(
        known,
        DispositionRow(fact.number, item.id, fact.quantity, fact.destination, fact.at, fact.reason),
    )
    if fact.quantity is not None:
        _use(known, item.id, -fact.quantity if fact.destination == "stock" else fact.quantity)


# -- work and tests


@_apply.register
def _(fact: Visited, known: Known) -> None:
    item_id = known.items[fact.item].id
    row = known.visits[item_id].get(fact.scan_point)
    if row is None:
        _add(known, VisitRow(item_id, fact.scan_point, fact.at, fact.at))
    else:
        row.first_at, row.last_at = min(row.first_at, fact.at), max(row.last_at, fact.at)
        known.changes.change(row)


@_apply.register
def _(fact: Tested, known: Known) -> None:
    _add(
        known,
        TestRunRow(
            fact.number,
            known.items[fact.item].id,
            fact.plan,
            fact.instrument,
            fact.at,
            fact.verdict,
            fact.tester,
            fact.revision,
        ),
    )
    for result in fact.measured:
        _add(
            known,
            MeasurementRow(
                fact.number,
                result.characteristic,
                result.value,
                result.good,
                result.within,
                result.lower,
                result.upper,
            ),
        )
    for digest in fact.attachments:
        _add(known, TestAttachmentRow(fact.number, digest))


@_apply.register
def _(fact: MadeStale, known: Known) -> None:
    item_id = known.items[fact.item].id
    row = known.stale.get((item_id, fact.plan))
    if row is None:
        _add(known, StaleRow(item_id, fact.plan, fact.at))
    elif row.at < fact.at:
        row.at = fact.at
        known.changes.change(row)


@_apply.register
def _(fact: Calibrated, known: Known) -> None:
    _add(
        known,
        CalibrationRow(fact.number, fact.instrument, fact.at, fact.good, fact.due_on, fact.certificate),
    )


@_apply.register
def _(fact: Held, known: Known) -> None:
    item_id = known.items[fact.item].id
    _add(
        known,
        HoldRow(
            fact.number,
            item_id,
            fact.reason,
            fact.discrepancy,
            fact.at,
            fact.by,
            FOREVER,
            None,
            None,
            None if fact.case is None else known.cases[fact.case].id,
        ),
    )


@_apply.register
def _(fact: Released, known: Known) -> None:
    row = known.holds[fact.hold]
    row.released_at, row.released_by, row.release_reason = fact.at, fact.by, fact.reason
    known.changes.change(row)


# -- labels and orders


@_apply.register
def _(fact: LabelPrinted, known: Known) -> None:
    item_id = known.items[fact.item].id
    _add(
        known,
        LabelPrintRow(fact.number, item_id, fact.label, fact.symbol, fact.copy, fact.at, fact.reason),
    )


@_apply.register
def _(fact: Ordered, known: Known) -> None:
    row = known.orders.get(fact.order)
    parts = canonical(dict(fact.parts))
    if row is None:
        said = (fact.order, fact.line, fact.sequence, fact.part, fact.serial, fact.quantity, fact.due)
        _add(known, OrderRow(fact.number, *said, parts, 0))
        return
    row.line, row.sequence, row.part, row.serial = fact.line, fact.sequence, fact.part, fact.serial
    row.quantity, row.due, row.parts = fact.quantity, fact.due, parts
    known.changes.change(row)


@_apply.register
def _(fact: OrderTaken, known: Known) -> None:
    order, item = known.orders[fact.order], known.items[fact.item]
    order.started += 1
    item.order_id = order.id
    known.changes.change(order)
    known.changes.change(item)


# -- leaving, and coming back


@_apply.register
def _(fact: ShipmentOpened, known: Known) -> None:
    _add(known, ShipmentRow(fact.number, fact.shipment, fact.consignee, fact.at, FOREVER, None))


@_apply.register
def _(fact: ShipmentLoaded, known: Known) -> None:
    shipment, item = known.shipments[fact.shipment], known.items[fact.item]
    _add(known, ShipmentLineRow(fact.number, shipment.id, item.id, fact.at, FOREVER, None))


@_apply.register
def _(fact: ShipmentUnloaded, known: Known) -> None:
    row = known.lines[fact.line]
    row.unloaded_at, row.reason = fact.at, fact.reason
    known.changes.change(row)


@_apply.register
def _(fact: Despatched, known: Known) -> None:
    row = known.shipments[fact.shipment]
    row.despatched_at, row.delivery_note = fact.at, fact.delivery_note
    known.changes.change(row)


@_apply.register
def _(fact: CameBack, known: Known) -> None:
    item_id = known.items[fact.item].id
    _add(known, CustomerReturnRow(fact.number, item_id, fact.consignee, fact.at, fact.reason))


# -- containment


@_apply.register
def _(fact: Counted, known: Known) -> None:
    _add(known, StockCountRow(fact.number, known.items[fact.item].id, fact.quantity, fact.at, fact.by))


@_apply.register
def _(fact: CaseOpened, known: Known) -> None:
    said = (canonical(dict(fact.suspects)), fact.hazard, fact.asked, fact.at, fact.by, fact.reason)
    _add(known, CaseRow(fact.number, fact.case, fact.title, "open", 0, *said))


@_apply.register
def _(fact: CaseFrozen, known: Known) -> None:
    case, suspects = known.cases[fact.case], canonical(dict(fact.suspects))
    case.status, case.revision, case.suspects = "frozen", fact.revision, suspects
    case.hazard, case.asked = fact.hazard, fact.asked
    known.changes.change(case)
    listed = (fact.seal, fact.last_entry, fact.things, fact.sha256, canonical(list(fact.points)))
    _add(
        known,
        CaseRevisionRow(fact.number, case.id, fact.revision, suspects, *listed, fact.at, fact.by, fact.reason),
    )


@_apply.register
def _(fact: Listed, known: Known) -> None:
    _add(
        known,
        CaseItemRow(
            fact.number,
            known.cases[fact.case].id,
            known.items[fact.item].id,
            fact.revision,
            fact.certainty,
            fact.suspect,
            fact.state,
            fact.left,
            fact.because,
        ),
    )


@_apply.register
def _(fact: Relisted, known: Known) -> None:
    row = known.case_item[fact.listed]
    row.certainty, row.revision, row.because = fact.certainty, fact.revision, fact.because
    row.dropped_in = row.decision_id = None
    known.changes.change(row)


@_apply.register
def _(fact: Dropped, known: Known) -> None:
    row = known.case_item[fact.listed]
    row.dropped_in = fact.revision
    known.changes.change(row)


@_apply.register
def _(fact: Decided, known: Known) -> None:
    row = known.case_item[fact.listed]
    sorting = None if fact.sorting is None else known.sortings[fact.sorting].id
    said = (fact.decision, fact.authority, fact.concession, fact.signed_by, sorting, canonical(list(fact.proof)))
    _add(
        known,
        CaseDecisionRow(fact.number, row.case_id, row.item_id, *said, fact.at, fact.by, fact.reason),
    )
    row.decision_id = fact.number
    known.changes.change(row)


@_apply.register
def _(fact: CaseClosed, known: Known) -> None:
    case = known.cases[fact.case]
    case.status = "closed"
    known.changes.change(case)
    _add(known, CaseTurnRow(fact.number, case.id, "closed", fact.at, fact.by, fact.reason, fact.unaccounted))


@_apply.register
def _(fact: CaseReopened, known: Known) -> None:
    case = known.cases[fact.case]
    case.status = "frozen"
    known.changes.change(case)
    _add(known, CaseTurnRow(fact.number, case.id, "reopened", fact.at, fact.by, fact.reason, None))


@_apply.register
def _(fact: SortingDrawn, known: Known) -> None:
    clean = None if fact.clean is None else canonical(dict(fact.clean))
    how = (fact.rule, fact.confidence, fact.fraction, fact.listed, clean, fact.part, fact.population, len(fact.drawn))
    case = known.cases[fact.case]
    _add(known, SortingRow(fact.number, case.id, fact.sorting, *how, fact.seed, fact.at, fact.by))
    for key in fact.drawn:
        _add(known, SortingItemRow(fact.number, known.items[key].id))


@_apply.register
def _(fact: Inspected, known: Known) -> None:
    ids = (fact.number, known.sortings[fact.sorting].id, known.items[fact.item].id)
    attachments = canonical(list(fact.attachments))
    _add(known, InspectionRow(*ids, fact.good, fact.found, attachments, fact.at, fact.by))


@_apply.register
def _(fact: ChecksPlanned, known: Known) -> None:
    chosen = (fact.level, fact.share, fact.seed, canonical(list(fact.consignees)))
    _add(known, CheckPlanRow(fact.number, known.cases[fact.case].id, *chosen, fact.at, fact.by))


@_apply.register
def _(fact: Noticed, known: Known) -> None:
    said = (fact.how, fact.copy, fact.on_hand, fact.corrected, fact.effective, fact.found)
    case = known.cases[fact.case]
    _add(known, NoticeRow(fact.number, case.id, fact.consignee, fact.step, *said, fact.at, fact.by))


@_apply.register
def _(fact: Drilled, known: Known) -> None:
    _add(
        known,
        DrillRow(
            fact.number,
            fact.seed,
            canonical(dict(fact.suspects)),
            canonical(list(fact.steps)),
            fact.certain,
            fact.possible,
            fact.consignees,
            fact.received,
            fact.accounted,
            fact.at,
            fact.by,
        ),
    )
