"""Holds and their release."""

from __future__ import annotations

from partkin.rules.facts import Held, Released
from partkin.rules.judging.case import Case
from partkin.rules.judging.interlocks import check_clock, check_scan_point
from partkin.rules.messages import Hold
from partkin.rules.moments import FOREVER


def judge_hold(case: Case, message: Hold) -> None:
    """Find what a hold or a release makes true, and every reason against it.

    A bought item may be held before it was ever seen: the alarm may come before the delivery.
    """
    check_clock(case)
    check_scan_point(case)
    if message.hold is not None:
        hold = case.known.holds.get(message.hold)
        if hold is None or hold.released_at != FOREVER:
            case.because("unknown-hold", f"Hold {message.hold} does not exist or was released.", "/hold")
            return
        of_case = None if hold.case_id is None else case.known.case.get(hold.case_id)
        if of_case is not None:
            detail = f"Hold {hold.id} is of containment case {of_case.code}: it ends by what is decided there."
            case.because("case-hold", detail, "/hold")
        case.facts.append(Released(hold.id, message.reason, case.at, message.operator))
        return
    item = case.item("/item", also_whole_lots=True)
    if item is None:
        return
    if case.part(item.key).made and case.row(item.key) is None:
        case.because("unknown-item", f"{item.key} has not been started.", "/item")
    case.know(item)
    case.facts.append(Held(case.number(), item.key, message.reason, False, case.at, message.operator))
