"""Stock counts: how many pieces of a lot were found."""

from __future__ import annotations

from partkin.rules.facts import Counted
from partkin.rules.judging.case import Case
from partkin.rules.judging.interlocks import check_clock, check_scan_point
from partkin.rules.messages import StockCount


def judge_stock_count(case: Case, message: StockCount) -> None:
    """Find what a count makes true, and every reason against it."""
    check_clock(case)
    check_scan_point(case)
    item = case.item("/lot")
    if item is None:
        return
    if item.key.kind != "lot":
        case.because("wrong-part", f"{case.title(item.key.part)} is traced by serial number, not by lot.", "/lot")
        return
    if case.part(item.key).made and case.row(item.key) is None:
        case.because("unknown-item", f"{item.key} has not been started.", "/lot")
    case.know(item)
    case.facts.append(Counted(case.number(), item.key, message.quantity, case.at, message.operator))
