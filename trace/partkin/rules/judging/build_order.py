"""Orders: what a line builds next, posted ahead."""

from __future__ import annotations

from partkin.rules.facts import Ordered
from partkin.rules.judging.case import Case
from partkin.rules.judging.interlocks import check_clock, check_scan_point
from partkin.rules.messages import BuildOrder, Order


def judge_build_order(case: Case, message: BuildOrder) -> None:
    """Find what orders make true, and every reason against them."""
    check_clock(case)
    check_scan_point(case)
    if message.line not in {point.line for point in case.catalogue.scan_points}:
        case.because("unknown-line", f"The catalogue has no scan point on a line {message.line}.", "/line")
    for place, order in enumerate(message.orders):
        _order(case, message, order, f"/orders/{place}")


def _order(case: Case, message: BuildOrder, order: Order, pointer: str) -> None:
    part = case.catalogue.part.get(order.part)
    if part is None:
        case.because("unknown-part", f"The catalogue has no part {order.part}.", f"{pointer}/part")
        return
    if not part.made or part.trace != "serial":
        detail = f"{case.title(part.part)} is not built here under serial numbers."
        case.because("wrong-part", detail, f"{pointer}/part")
        return
    before = case.known.orders.get(order.order)
    if before is not None and before.started and (before.part, before.serial) != (order.part, order.serial):
        detail = f"{before.started} of order {order.order} are started: its part and serial number stay as they are."
        case.because("order-started", detail, pointer)
        return
    _check_parts(case, order, pointer)
    case.facts.append(
        Ordered(
            case.number() if before is None else before.id,
            order.order,
            message.line,
            order.sequence,
            order.part,
            order.serial,
            order.quantity,
            order.due,
            {named.position: named.part for named in order.parts},
        )
    )


def _check_parts(case: Case, order: Order, pointer: str) -> None:
    bill = case.catalogue.bill(order.part, case.message.occurred_at.date())
    for place, named in enumerate(order.parts):
        allowed = bill.allowed.get(named.position, ())
        if named.part not in allowed:
            takes = f"takes {' or '.join(allowed)}" if allowed else "is none of its positions"
            detail = f"{named.position} of {order.part} {takes}."
            case.because("wrong-part", detail, f"{pointer}/parts/{place}")
