"""The start of a unit or subassembly: a given serial number, or the next one issued."""

from __future__ import annotations

from partkin.rules.catalogue import Part
from partkin.rules.facts import ItemKey, NumberIssued
from partkin.rules.judging.case import Case
from partkin.rules.judging.interlocks import check_clock, check_route, check_scan_point
from partkin.rules.messages import UnitStart
from partkin.rules.reading import Item
from partkin.rules.serial_numbers import issued_serial


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
    item = _issued(case, part) if message.serial is None else case.item("/serial", frozenset({part.part}))
    if item is None:
        return
    case.subject = item.key
    check_route(case, item.key, None)
    if case.row(item.key) is not None:
        case.because("already-started", f"{item.key} was started before.", "/serial")
    case.know(item)


def _issued(case: Case, part: Part) -> Item | None:
    if part.serial_digits is None:
        case.because(
            "unreadable",
            f"The catalogue issues no serial numbers for {case.title(part.part)}; give one.",
            "/serial",
        )
        return None
    row = case.known.serial_numbers.get(part.part)
    running = 1 if row is None else row.last + 1
    code = issued_serial(part, running)
    while case.row(ItemKey(part.part, "serial", code)) is not None:
        running += 1
        code = issued_serial(part, running)
    case.facts.append(NumberIssued(part.part, running))
    return Item(ItemKey(part.part, "serial", code), None, None, None, None)
