"""Decisions: what becomes of things that a case lists."""

from __future__ import annotations

from collections.abc import Iterator

from partkin.rules.containment.settling import LETS_GO
from partkin.rules.facts import FACTS_PER_ENTRY, Decided, Released
from partkin.rules.judging.case import Case
from partkin.rules.judging.completeness import built_inside, needed_tests, test_reason
from partkin.rules.judging.containment import holds_of
from partkin.rules.judging.interlocks import check_clock
from partkin.rules.judging.sorting import is_good, is_verified
from partkin.rules.known import Found, FoundThing
from partkin.rules.messages import CaseDecision
from partkin.rules.reasons import Reason
from partkin.rules.rows import CaseItemRow, CaseRow, ItemRow, SortingRow


def judge_case_decision(case: Case, message: CaseDecision) -> None:
    """Find what a decision makes true, and every reason against it."""
    check_clock(case)
    row = case.known.cases.get(message.case)
    if row is None or row.status != "frozen":
        what = "There is no" if row is None else f"It is {row.status}: "
        case.because("unknown-case" if row is None else "case-closed", f"{what} case {message.case}.", "/case")
        return
    sorting = _sorting(case, message, row)
    found = case.known.found[message.message_id]
    covered: dict[int, CaseItemRow] = {}
    for place in range(len(message.items)):
        pointer = f"/items/{place}"
        item = case.item(pointer, also_whole_lots=True)
        known = None if item is None else case.row(item.key)
        listed = None if known is None else _listed(case, row, known.id)
        if item is None:
            continue
        if known is None or listed is None:
            case.because("not-listed", f"Case {row.code} does not list {item.key}.", pointer)
            continue
        against = list(_against(case, message, known, found, listed, sorting))
        case.because_of(against, pointer)
        if against:
            case.doubtful.append(item.key)
        covered |= {one.item_id: one for one in _covered(case, row, known)}
    for one in covered.values():
        _decide(case, message, row, one, found)


def _listed(case: Case, row: CaseRow, item_id: int) -> CaseItemRow | None:
    rows = case.known.listed.get(item_id, ())
    return next((one for one in rows if one.case_id == row.id and one.dropped_in is None), None)


def _covered(case: Case, row: CaseRow, known: ItemRow) -> Iterator[CaseItemRow]:
    """A thing, and what the case lists of that which stands in it."""
    inside = (married.child_id for married in case.known.inside(known.id) if married.child_is_serial)
    for item_id in (known.id, *inside):
        listed = None if item_id is None else _listed(case, row, item_id)
        if listed is not None:
            yield listed


def _sorting(case: Case, message: CaseDecision, row: CaseRow) -> SortingRow | None:
    if message.sorting is None:
        return None
    sorting = case.known.sortings.get(message.sorting)
    if sorting is None or sorting.case_id != row.id:
        case.because("unknown-sorting", f"Case {row.code} has no sorting {message.sorting}.", "/sorting")
        return None
    return sorting


def _against(
    case: Case,
    message: CaseDecision,
    known: ItemRow,
    found: Found,
    listed: CaseItemRow,
    sorting: SortingRow | None,
) -> Iterator[Reason]:
    match message.decision:
        case "rework":
            thing = next((one for one in found.things if one.item.id == known.id), None)
            yield from _not_reworked(case, known, thing)
        case "verified good" if sorting is not None:
            if not (is_good(case.known, sorting, known.id) or _by_sample(case, found, sorting, known, listed)):
                detail = f"Sorting {sorting.code} does not show that {known.key} is good."
                yield Reason("not-verified", detail)
        case "corrected in the field" | "not recovered":
            if not _is_shipped(case, known):
                yield Reason("not-shipped", f"{known.key} was not shipped: it is {known.state}.")


def _not_reworked(case: Case, known: ItemRow, thing: FoundThing | None) -> Iterator[Reason]:
    if thing is not None and thing.suspect:
        yield Reason("suspect-inside", f"{known.key} is suspected itself: rework cannot change that.")
    elif thing is not None and thing.still:
        yield Reason("suspect-inside", f"A suspect is in {known.key}, or may be: take it out.")
    yield from _doubtful_tests(case, known)


def _doubtful_tests(case: Case, known: ItemRow) -> Iterator[Reason]:
    """Tests that no longer count; what was never tested is stopped by the gates of its route."""
    if not case.part(known.key).made:
        return
    for plan in sorted(needed_tests(case.known, case.catalogue, known)):
        reason = test_reason(case.known, known, plan)
        if reason is not None and reason.type != "test-missing":
            yield reason
    for child in built_inside(case.known, case.catalogue, known):
        yield from _doubtful_tests(case, child)


def _by_sample(case: Case, found: Found, sorting: SortingRow, known: ItemRow, listed: CaseItemRow) -> bool:
    """Whether a thing belongs to those that a good sorting was drawn from; only what is possibly affected does."""
    same = sorting.listed == "possible" == listed.certainty and sorting.part in (None, known.part)
    since = max(listed.id, found.revisions[listed.revision]) // FACTS_PER_ENTRY
    before = max(since, listed.because or 0) < sorting.id // FACTS_PER_ENTRY
    return same and before and case.part(known.key).sold and is_verified(case.known, sorting)


def _is_shipped(case: Case, known: ItemRow) -> bool:
    """Whether a thing left by shipping, or stands in what did."""
    if known.state == "shipped":
        return True
    holder = case.known.holder(known.id)
    return holder is not None and _is_shipped(case, case.known.item[holder.parent_id])


def _decide(case: Case, message: CaseDecision, row: CaseRow, listed: CaseItemRow, found: Found) -> None:
    item = case.known.item[listed.item_id]
    case.facts.append(
        Decided(
            case.number(),
            row.code,
            listed.id,
            item.key,
            message.decision,
            message.authority,
            message.concession,
            message.signed_by,
            message.sorting,
            found.proof.get(item.id, ()),
            case.at,
            message.operator,
            message.reason,
        )
    )
    if message.decision in LETS_GO:
        reason = f"{message.decision}, by {message.authority}: {message.reason}"[:500]
        for hold in holds_of(case, row, item.id):
            case.facts.append(Released(hold, reason, case.at, message.operator))
