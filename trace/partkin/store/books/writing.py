"""The books: rows that were added or changed are written back, a table at a time."""

from __future__ import annotations

from dataclasses import fields
from operator import attrgetter

from sqlalchemy import Connection, Table

from partkin.rules.known import Changes
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
from partkin.store import tables
from partkin.store.statements import insert_rows, update_rows

BOOKS: dict[type[Row], Table] = {
    ItemRow: tables.item,
    PointOfUseRow: tables.point_of_use,
    NumberCounterRow: tables.number_counter,
    IssuedNumberRow: tables.issued_number,
    OrderRow: tables.build_order,
    MarriageRow: tables.marriage,
    RemovalRow: tables.removal,
    LoadingRow: tables.loading,
    TransferRow: tables.transfer,
    ReceiptRow: tables.receipt,
    ReceivedItemRow: tables.received_item,
    VisitRow: tables.visit,
    TestRunRow: tables.test_run,
    MeasurementRow: tables.measurement,
    TestAttachmentRow: tables.test_attachment,
    CalibrationRow: tables.calibration,
    StaleRow: tables.stale,
    CaseRow: tables.containment_case,
    HoldRow: tables.hold,
    DispositionRow: tables.disposition,
    CorrectionRow: tables.correction,
    LabelPrintRow: tables.label_print,
    ShipmentRow: tables.shipment,
    ShipmentLineRow: tables.shipment_line,
    CustomerReturnRow: tables.customer_return,
    StockCountRow: tables.stock_count,
    CaseRevisionRow: tables.case_revision,
    CaseItemRow: tables.case_item,
    SortingRow: tables.sorting,
    SortingItemRow: tables.sorting_item,
    InspectionRow: tables.inspection,
    CaseDecisionRow: tables.case_decision,
    CaseTurnRow: tables.case_turn,
    CheckPlanRow: tables.check_plan,
    NoticeRow: tables.case_notice,
    DrillRow: tables.drill,
}
"""In an order in which no row refers to a later one."""

_COLUMNS = {kind: tuple(field.name for field in fields(kind)) for kind in BOOKS}
_VALUES = {kind: attrgetter(*columns) for kind, columns in _COLUMNS.items()}
_KEYS = {kind: attrgetter(*(column.name for column in table.primary_key.columns)) for kind, table in BOOKS.items()}
_ORDERS = {**_KEYS, ItemRow: attrgetter("part", "kind", "code")}
"""In which rows are added."""


def write_changes(connection: Connection, changes: Changes) -> None:
    """Write what was changed, then what was added: a slot must be empty before it is filled again.

    Items are the other way round: one may now belong to a lot that is new. Rows go in the order of their keys, so that
    two processes that add the same ones never wait in a circle.
    """
    for kind in BOOKS:
        steps = (_add, _change) if kind is ItemRow else (_change, _add)
        for step in steps:
            step(connection, kind, changes)


def _change(connection: Connection, kind: type[Row], changes: Changes) -> None:
    changed = changes.changed.get(kind)
    if changed:
        rows = sorted(changed.values(), key=_KEYS[kind])
        update_rows(connection, BOOKS[kind], _COLUMNS[kind], list(map(_VALUES[kind], rows)))


def _add(connection: Connection, kind: type[Row], changes: Changes) -> None:
    added = changes.added.get(kind)
    if added:
        rows = sorted(added, key=_ORDERS[kind])
        insert_rows(connection, BOOKS[kind], _COLUMNS[kind], list(map(_VALUES[kind], rows)))
