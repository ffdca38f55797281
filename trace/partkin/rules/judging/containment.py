"""Containment cases: opened, frozen, closed, opened again."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from partkin.rules.containment.listing import Listing, list_sha256
from partkin.rules.containment.naming import suspects_of
from partkin.rules.facts import CaseClosed, CaseFrozen, CaseOpened, CaseReopened
from partkin.rules.judging.case import Case
from partkin.rules.judging.interlocks import check_clock
from partkin.rules.judging.notice import not_told
from partkin.rules.known import Found
from partkin.rules.messages import Containment
from partkin.rules.messages.criteria_json import suspects_json
from partkin.rules.moments import FOREVER
from partkin.rules.reasons import Reason
from partkin.rules.rows import CaseRow, CheckPlanRow, NoticeRow

_SHOWN = 5
"""Items that are named where many are in the way."""


def judge_containment(case: Case, message: Containment) -> None:
    """Find what is made true about a case, and every reason against it."""
    check_clock(case)
    row = case.known.cases.get(message.case)
    if message.action == "open":
        _open(case, message, row)
    elif row is None:
        case.because("unknown-case", f"There is no case {message.case}.", "/case")
    elif message.action == "freeze":
        _freeze(case, message, row)
    elif message.action == "close":
        _close(case, message, row)
    else:
        _reopen(case, message, row)


def _open(case: Case, message: Containment, row: CaseRow | None) -> None:
    if row is not None:
        case.because("case-known", f"Case {row.code} was opened before: {row.title}.", "/case")
        return
    _check_suspects(case)
    assert message.suspects is not None and message.title is not None and message.reason is not None  # noqa: S101, PT018
    suspects = suspects_json(message.suspects)
    said = (message.title, suspects, message.hazard, message.action_asked, case.at, message.operator, message.reason)
    case.facts.append(CaseOpened(case.number(), message.case, *said))


def _check_suspects(case: Case) -> None:
    for mistake in case.known.found[case.message.message_id].mistakes:
        case.because("unknown-suspect", mistake.detail, mistake.pointer)


def _freeze(case: Case, message: Containment, row: CaseRow) -> None:
    if row.status == "closed":
        case.because("case-closed", f"Case {row.code} is closed; open it again first.", "/case")
        return
    _check_suspects(case)
    if case.reasons:
        return  # a mistake in what is suspected must not free anything
    found = case.known.found[message.message_id]
    suspects = suspects_of(row.suspects) if message.suspects is None else message.suspects
    case.facts.append(
        CaseFrozen(
            case.number(),
            row.code,
            row.revision + 1,
            suspects_json(suspects),
            message.hazard or row.hazard,
            message.action_asked or row.asked,
            found.seal,
            found.last_entry,
            len(found.things),
            list_sha256(found.things),
            list(found.points),
            case.at,
            message.operator,
            message.reason,
        )
    )
    listing = Listing(case.known, row, row.revision + 1, case.at, message.operator)
    listing.add(found.things, {one.item_id: one for one in found.listed})
    listing.drop(found.listed, found.things)
    case.listing = listing.facts


def _close(case: Case, message: Containment, row: CaseRow) -> None:
    found = case.known.found[message.message_id]
    notices, plans = case.known.notices.get(row.id, ()), case.known.check_plans.get(row.id, ())
    for against in against_closing(row, found, notices, plans, explained=message.unaccounted is not None):
        case.because(against.type, against.detail, against.pointer)
    if case.reasons:
        return  # what was only told must not let go what is not accounted for
    reason, by = message.reason or "", message.operator
    case.facts.append(CaseClosed(case.number(), row.code, case.at, by, reason, message.unaccounted))
    listing = Listing(case.known, row, row.revision, case.at, by)
    for one in found.listed:
        listing.release(one.item_id, f"case {row.code} is closed: {reason}")
    case.listing = listing.facts


def against_closing(
    row: CaseRow, found: Found, notices: Sequence[NoticeRow], plans: Sequence[CheckPlanRow], *, explained: bool
) -> Iterator[Reason]:
    """Every reason against closing a case; `explained` where it is said why missing pieces are accepted."""
    if row.status != "frozen":
        yield Reason("case-closed", f"Case {row.code} is {row.status}; only a frozen case is closed.", "/case")
        return
    yield from _not_settled(found)
    if not explained:
        yield from _not_balanced(found)
    for code, left in found.uninspected.items():
        yield Reason("not-accounted", f"{left} things drawn for sorting {code} were not inspected.", "/case")
    yield from not_told(found, notices, plans)


def _not_settled(found: Found) -> Iterator[Reason]:
    if found.unsettled:
        named = ", ".join(map(str, found.unsettled[:_SHOWN]))
        more = len(found.unsettled) - _SHOWN
        rest = f" and {more} more" if more > 0 else ""
        detail = f"Nothing was decided, or it was not carried out yet, of {named}{rest}."
        yield Reason("not-accounted", detail, "/case")


def _not_balanced(found: Found) -> Iterator[Reason]:
    for key, pieces in sorted(found.unaccounted.items()):
        if pieces:
            detail = f"{pieces} pieces of {key} are not accounted for. Find them, or say in `unaccounted` why that is"
            yield Reason("not-accounted", f"{detail} accepted.", "/unaccounted")


def _reopen(case: Case, message: Containment, row: CaseRow) -> None:
    if row.status != "closed":
        case.because("case-closed", f"Case {row.code} is {row.status}, not closed.", "/case")
        return
    case.facts.append(CaseReopened(case.number(), row.code, case.at, message.operator, message.reason or ""))


def holds_of(case: Case, row: CaseRow, item_id: int) -> list[int]:
    """Numbers of a case's open holds on an item."""
    holds = case.known.holds_on.get(item_id, ())
    return [hold.id for hold in holds if hold.case_id == row.id and hold.released_at == FOREVER]
