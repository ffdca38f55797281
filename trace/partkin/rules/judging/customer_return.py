"""Customer returns: a unit that was shipped comes back with its serial number."""

from __future__ import annotations

from collections.abc import Iterator

from partkin.rules.facts import CameBack, MadeStale, MarriageEnded, ShipmentUnloaded, StateChanged, Visited
from partkin.rules.judging.case import Case
from partkin.rules.judging.completeness import built_inside, needed_tests
from partkin.rules.judging.interlocks import check_clock, check_scan_point
from partkin.rules.messages import CustomerReturn
from partkin.rules.moments import FOREVER
from partkin.rules.rows import ItemRow


def judge_customer_return(case: Case, message: CustomerReturn) -> None:
    """Find what a return makes true, and every reason against it."""
    check_clock(case)
    check_scan_point(case)
    if message.consignee is not None and message.consignee not in case.catalogue.consignee:
        case.because("unknown-consignee", f"The catalogue has no consignee {message.consignee}.", "/consignee")
    item = case.item("/unit")
    if item is None:
        return
    if not case.part(item.key).sold:
        case.because("wrong-part", f"{case.title(item.key.part)} is not sold.", "/unit")
        return
    case.subject = item.key
    row = case.row(item.key)
    if row is None:
        case.because("unknown-item", f"{item.key} has not been started.", "/unit")
        case.know(item)
    elif row.state != "shipped":
        case.because("not-shipped", f"{item.key} is {row.state}.", "/unit")
    case.facts.append(CameBack(case.number(), item.key, message.consignee, case.at, message.reason))
    case.facts.append(StateChanged(item.key, "came back"))
    if case.scan_point is not None:
        case.facts.append(Visited(item.key, case.scan_point.scan_point, case.at))
    if row is not None:
        _take_out(case, message, row)
        case.facts.extend(_stale(case, row))


def _take_out(case: Case, message: CustomerReturn, row: ItemRow) -> None:
    """It is no longer in its carton, nor on the shipment."""
    holder = case.known.holder(row.id)
    if holder is not None:
        case.facts.append(MarriageEnded(holder.id, max(case.at, holder.started), to_stock=True))
    for line in case.known.lines_with.get(row.id, ()):
        if line.unloaded_at == FOREVER:
            case.facts.append(ShipmentUnloaded(line.id, case.at, message.reason))


def _stale(case: Case, row: ItemRow) -> Iterator[MadeStale]:
    """Nobody knows what happened to it outside: every test must be run again."""
    for plan in sorted(needed_tests(case.known, case.catalogue, row)):
        stale = case.known.stale.get((row.id, plan))
        if stale is None or stale.at < case.at:
            yield MadeStale(row.key, plan, case.at)
    for child in built_inside(case.known, case.catalogue, row):
        yield from _stale(case, child)
