"""The start of a unit or subassembly: a given serial number, that of its order, or the next one issued."""

from __future__ import annotations

from partkin.rules.catalogue import Part
from partkin.rules.facts import ItemKey, OrderTaken
from partkin.rules.judging.case import Case
from partkin.rules.judging.interlocks import check_clock, check_route, check_scan_point
from partkin.rules.judging.numbers import issue_numbers
from partkin.rules.messages import UnitStart
from partkin.rules.reading import Item
from partkin.rules.rows import OrderRow


def judge_unit_start(case: Case, message: UnitStart) -> None:
    """Find what starting a unit makes true, and every reason against it."""
    check_clock(case)
    check_scan_point(case)
    part = case.catalogue.part.get(message.part)
    if part is None:
        case.because("unknown-part", f"The catalogue has no part {message.part}.", "/part")
        return
    if not part.made or part.trace != "serial":
        case.because("wrong-part", f"{case.title(part.part)} is not built here under serial numbers.", "/part")
        return
    given = case.item("/serial", frozenset({part.part})) if message.serial is not None else None
    if message.serial is not None and given is None:
        return
    order = _order(case, part, None if given is None else given.key.code)
    item = given or _numbered(case, part, order)
    if item is None:
        return
    case.subject = item.key
    check_route(case, item.key, None)
    if case.row(item.key) is not None:
        case.because("already-started", f"{item.key} was started before.", "/serial")
    case.know(item)
    if order is not None and case.row(item.key) is None:
        case.facts.append(OrderTaken(order.code, item.key))


def _order(case: Case, part: Part, serial: str | None) -> OrderRow | None:
    """The order that a unit is started for: the one that names its serial number, else the next of the line."""
    waiting = sorted(
        (row for row in case.known.orders.values() if row.started < row.quantity),
        key=lambda row: (row.sequence, row.code),
    )
    named = [row for row in waiting if serial is not None and row.serial == serial]
    if named:
        return _of_this_part(case, part, named)
    line = None if case.scan_point is None else case.scan_point.line
    on_line = [row for row in waiting if row.line == line]
    if on_line and on_line[0].part != part.part:
        first = on_line[0]
        detail = f"{case.title(first.part)} of order {first.code} comes next on {line}, not {part.part}."
        case.warn("out-of-sequence", detail, "/part")
    elif on_line and serial is None:
        return on_line[0]
    return next((row for row in on_line if row.part == part.part and row.serial is None), None)


def _of_this_part(case: Case, part: Part, named: list[OrderRow]) -> OrderRow | None:
    """The order that names the serial number for this part."""
    fitting = next((row for row in named if row.part == part.part), None)
    if fitting is None:
        detail = f"{named[0].serial} is ordered as {case.title(named[0].part)} by {named[0].code}, not as {part.part}."
        case.because("wrong-part", detail, "/part")
    return fitting


def _numbered(case: Case, part: Part, order: OrderRow | None) -> Item | None:
    if order is not None and order.serial is not None:
        return _bare(part, order.serial)
    numbers = issue_numbers(case, part, 1, "/serial")
    return _bare(part, numbers[0]) if numbers else None


def _bare(part: Part, serial: str) -> Item:
    return Item(ItemKey(part.part, "serial", serial), None, None, None, None)
