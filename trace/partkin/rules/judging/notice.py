"""Notices: whether consignees of affected units were told, and whether it reached them."""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence

from partkin.rules.effectiveness import to_check
from partkin.rules.facts import ChecksPlanned, Noticed
from partkin.rules.judging.case import Case
from partkin.rules.judging.interlocks import check_clock
from partkin.rules.known import Found
from partkin.rules.messages import Notice
from partkin.rules.reasons import Reason
from partkin.rules.rows import CaseRow, CheckPlanRow, NoticeRow
from partkin.rules.sampling import draw


def judge_notice(case: Case, message: Notice) -> None:
    """Find what a notice makes true, and every reason against it."""
    check_clock(case)
    row = case.known.cases.get(message.case)
    if row is None:
        case.because("unknown-case", f"There is no case {message.case}.", "/case")
        return
    if row.status != "frozen":
        case.because("case-closed", f"Case {row.code} is {row.status}.", "/case")
    found = case.known.found[message.message_id]
    if message.action == "plan":
        _plan(case, message, row, found)
    else:
        _note(case, message, row, found)


def _plan(case: Case, message: Notice, row: CaseRow, found: Found) -> None:
    assert message.level is not None  # noqa: S101 - its form says so
    seed = message.seed or found.seed
    chosen = draw(seed, found.consignees, to_check(message.level, len(found.consignees), message.share))
    said = (message.level, message.share, seed, tuple(sorted(chosen)), case.at, message.operator)
    case.facts.append(ChecksPlanned(case.number(), row.code, *said))


def _note(case: Case, message: Notice, row: CaseRow, found: Found) -> None:
    consignee = message.consignee or ""
    if consignee not in case.catalogue.consignee:
        case.because("unknown-consignee", f"The catalogue has no consignee {consignee}.", "/consignee")
        return
    if consignee not in found.consignees:
        detail = f"No unit that case {row.code} lists was despatched to {consignee}."
        case.because("not-reached", detail, "/consignee")
    assert message.action != "plan"  # noqa: S101 - its caller saw to it
    case.facts.append(
        Noticed(
            case.number(),
            row.code,
            consignee,
            message.action,
            message.how,
            message.copy,
            message.on_hand,
            message.corrected,
            message.effective,
            message.found,
            case.at,
            message.operator,
        )
    )


def not_told(found: Found, notices: Sequence[NoticeRow], plans: Sequence[CheckPlanRow]) -> Iterator[Reason]:
    """Before a case closes: all must be told, and those that were chosen checked."""
    steps = {(notice.consignee, notice.step) for notice in notices}
    for consignee in found.to_tell:
        if (consignee, "sent") not in steps:
            yield Reason("not-accounted", f"{consignee} was sent affected units, but no notice.", "/case")
    if found.to_tell and not plans:
        yield Reason("not-accounted", "It was not planned which consignees are checked.", "/case")
    newest = sorted(plans, key=lambda plan: plan.id)[-1:]
    chosen = {consignee for plan in newest for consignee in json.loads(plan.consignees)}
    for consignee in found.to_tell:
        if consignee in chosen and (consignee, "checked") not in steps:
            yield Reason("not-accounted", f"Whether the notice reached {consignee} was not checked.", "/case")
