"""Numbers that the plant gives: the next ones of a part's scheme."""

from __future__ import annotations

from partkin.rules.catalogue import Part
from partkin.rules.facts import ItemKey, NumbersIssued
from partkin.rules.judging.case import Case
from partkin.rules.judging.interlocks import check_clock, check_scan_point
from partkin.rules.messages import NumberBlock
from partkin.rules.numbering import period


def judge_number_block(case: Case, message: NumberBlock) -> None:
    """Find what reserving numbers makes true, and every reason against it."""
    check_clock(case)
    check_scan_point(case)
    part = case.catalogue.part.get(message.part)
    if part is None:
        case.because("unknown-part", f"The catalogue has no part {message.part}.", "/part")
        return
    issue_numbers(case, part, message.count, "/part")


def issue_numbers(case: Case, part: Part, count: int, pointer: str) -> tuple[str, ...]:
    """The next numbers of a part's scheme, noted as issued; none where it has no scheme or too few are left."""
    numbering = case.catalogue.numbering_of(part.part)
    if numbering is None:
        detail = f"The catalogue issues no serial numbers for {case.title(part.part)}; give one."
        case.because("unreadable", detail, pointer)
        return ()
    of_period = period(numbering, case.message.occurred_at.date())
    sharing = case.catalogue.numbered_by[numbering.scheme]
    free = [
        number
        for number in case.known.free_numbers.get((numbering.scheme, of_period), ())
        if not any(ItemKey(other, "serial", number.number) in case.known.items for other in sharing)
    ][:count]
    if len(free) < count:
        detail = f"Numbering {numbering.scheme} has only {len(free)} numbers left: let it have more digits."
        case.because("numbers-exhausted", detail, pointer)
        return ()
    numbers = tuple(number.number for number in free)
    last = free[-1].running
    case.facts.append(NumbersIssued(numbering.scheme, of_period, last, numbers))
    return numbers
