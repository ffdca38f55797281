"""Receipts: what came in from whom."""

from __future__ import annotations

from partkin.rules.facts import ItemKey, LotDated, Received
from partkin.rules.judging.case import Case
from partkin.rules.judging.interlocks import check_clock, check_scan_point
from partkin.rules.messages import Receipt
from partkin.rules.reading import Item


def judge_receipt(case: Case, message: Receipt) -> None:
    """Find what a receipt makes true, and every reason against it."""
    check_clock(case)
    check_scan_point(case)
    part = case.catalogue.part.get(message.part)
    if part is None:
        case.because("unknown-part", f"The catalogue has no part {message.part}.", "/part")
    elif part.made:
        case.because("wrong-part", f"{case.title(part.part)} is built here, not bought.", "/part")
    elif part.trace == "none":
        case.because("wrong-part", f"{case.title(part.part)} is not traced.", "/part")
    elif (part.trace == "serial") != bool(message.serials):
        case.because("wrong-part", f"{case.title(part.part)} is traced by {part.trace}; give that.", "/part")
    if message.supplier not in case.catalogue.supplier:
        case.because("unknown-supplier", f"The catalogue has no supplier {message.supplier}.", "/supplier")
    if part is None or part.trace == "none" or message.supplier not in case.catalogue.supplier:
        return
    lot = None if message.lot is None else ItemKey(part.part, "lot", message.lot)
    if lot is not None:
        _lot(case, message, lot)
    for place, serial in enumerate(message.serials):
        _serial(case, message, serial, place)
    row = None if lot is None else case.row(lot)
    used = 0 if row is None or row.received is not None else case.known.pieces_in.get(row.id, 0)
    case.facts.append(
        Received(
            case.number(),
            part.part,
            message.supplier,
            lot,
            message.serials,
            message.quantity or len(message.serials),
            part.receipts,
            used,
            case.at,
            message.delivery_note,
        )
    )


def _lot(case: Case, message: Receipt, lot: ItemKey) -> None:
    row = case.row(lot)
    if row is None:
        case.know(Item(lot, None, message.produced_on, message.expires_on, None))
        return
    dates = (message.produced_on or row.produced_on, message.expires_on or row.expires_on)
    if dates != (row.produced_on, row.expires_on):
        case.facts.append(LotDated(lot, *dates))


def _serial(case: Case, message: Receipt, serial: str, place: int) -> None:
    key = ItemKey(message.part, "serial", serial)
    row = case.row(key)
    if row is not None and row.receipt_id is not None:
        case.because("already-received", f"{key} was received before.", f"/serials/{place}")
    case.know(Item(key, message.lot, message.produced_on, message.expires_on, None))
