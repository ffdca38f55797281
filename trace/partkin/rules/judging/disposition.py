"""Dispositions: where something goes that is in nothing."""

from __future__ import annotations

from collections.abc import Mapping

from partkin.rules.facts import Destination, Disposed, ItemKey, ItemState, StateChanged
from partkin.rules.judging.case import Case
from partkin.rules.judging.interlocks import check_clock, check_not_loaded, check_scan_point
from partkin.rules.messages import Disposition
from partkin.rules.reading import Item
from partkin.rules.rows import ItemRow

STATES: Mapping[Destination, ItemState] = {
    "scrap": "scrapped",
    "supplier": "returned",
    "failure analysis": "in analysis",
}
"""What becomes of a serial item by where it goes; back in stock it may be used again."""


def judge_disposition(case: Case, message: Disposition) -> None:
    """Find what a disposition makes true, and every reason against it."""
    check_clock(case)
    check_scan_point(case)
    item = case.item("/item")
    if item is None:
        return
    row = case.row(item.key)
    if case.part(item.key).made and row is None:
        case.because("unknown-item", f"{item.key} has not been started.", "/item")
    if item.key.kind == "serial":
        case.subject = item.key
        if row is not None:
            _check_free(case, row)
    if (item.key.kind == "lot") != (message.quantity is not None):
        what = "of a lot, say how many pieces" if item.key.kind == "lot" else "a serial-numbered item is one piece"
        case.because("wrong-part", f"{item.key}: {what}.", "/quantity")
    elif message.quantity is not None and row is not None:
        _check_pieces(case, row, message.quantity, back=message.destination == "stock")
    _dispose(case, message, item)


def _check_free(case: Case, row: ItemRow) -> None:
    holder = case.known.holder(row.id)
    if holder is not None:
        case.because("already-installed", f"{row.key} is in {case.name_of(holder.parent_id)}: take it out.", "/item")
    check_not_loaded(case, row, "/item")


def _check_pieces(case: Case, row: ItemRow, pieces: int, *, back: bool) -> None:
    if row.received is None:
        return
    if back and pieces > row.used:
        detail = f"{row.key}: only {row.used} pieces are out of stock, not {pieces}."
        case.because("lot-exhausted", detail, "/quantity")
    elif not back and row.used + pieces > row.received:
        detail = f"{row.key}: {row.received - row.used} pieces are left, not {pieces}."
        case.because("lot-exhausted", detail, "/quantity")


def _dispose(case: Case, message: Disposition, item: Item) -> None:
    case.know(item)
    quantity = message.quantity if item.key.kind == "lot" else None
    case.facts.append(
        Disposed(case.number(), item.key, quantity, message.destination, case.at, message.reason),
    )
    if item.key.kind == "serial":
        case.facts.append(StateChanged(item.key, _state(case, message, item.key)))


def _state(case: Case, message: Disposition, key: ItemKey) -> ItemState:
    back: ItemState = "in work" if case.part(key).made else "usable"
    return STATES.get(message.destination, back)
