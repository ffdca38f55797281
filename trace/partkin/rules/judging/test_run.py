"""Test runs: may the test be run now, and what is its verdict."""

from __future__ import annotations

from partkin.rules.facts import Held, ItemKey, Tested, Verdict
from partkin.rules.judging.calibration import check_instrument
from partkin.rules.judging.case import Case
from partkin.rules.judging.completeness import counting_runs
from partkin.rules.judging.interlocks import check_clock, check_open, check_route, check_scan_point
from partkin.rules.messages import Measurement, TestRun
from partkin.rules.test_limits import fits, measured_to, verdict_of

__test__ = False


def judge_test_run(case: Case, message: TestRun) -> None:
    """Find what a test run makes true, and every reason against it. What is on hold may be tested."""
    check_clock(case)
    check_scan_point(case)
    item = case.item("/unit")
    plan = case.catalogue.measured.get(message.plan, {})
    if message.plan not in case.catalogue.test_plan:
        case.because("unknown-test-plan", f"The catalogue has no test plan {message.plan}.", "/plan")
    else:
        _check_characteristics(case, message)
        _check_revision(case, message)
    check_instrument(case, message.instrument)
    _check_attachments(case, message)
    if item is None:
        return
    if item.key.kind != "serial":
        case.because("wrong-part", f"{case.title(item.key.part)} has no serial number to test.", "/unit")
        return
    case.subject = item.key
    row = case.row(item.key)
    if row is None and case.part(item.key).made:
        case.because("unknown-item", f"{item.key} has not been started.", "/unit")
    if row is not None:
        check_open(case, row, "/unit")
    check_route(case, item.key, row)
    case.know(item)
    measured = measured_to(plan, _last_of_each(message))
    verdict = _settled(verdict_of(plan, measured), message.verdict)
    case.facts.append(
        Tested(
            case.number(),
            item.key,
            message.plan,
            message.instrument,
            case.at,
            verdict,
            measured,
            message.verdict,
            message.revision,
            message.attachments,
        )
    )
    if verdict == "disputed":
        _hold_disputed(case, message, item.key)
    if verdict != "pass":
        _hold_after_retests(case, message, item.key)


def _settled(ours: Verdict, testers: Verdict | None) -> Verdict:
    """Our verdict; where the tester's own differs, neither counts."""
    return ours if testers is None or (ours == "pass") == (testers == "pass") else "disputed"


def _hold_disputed(case: Case, message: TestRun, key: ItemKey) -> None:
    detail = f"The tester's verdict on {key} is {message.verdict}; by the limits of {message.plan} it is another."
    case.warn("verdict-disagrees", detail, "/verdict")
    case.facts.append(Held(case.number(), key, f"verdicts on {message.plan} disagree", True, case.at, message.operator))


def _hold_after_retests(case: Case, message: TestRun, key: ItemKey) -> None:
    """Stop an item once its plan was not passed more often in a row than it may be repeated."""
    plan = case.catalogue.test_plan.get(message.plan)
    if plan is None or plan.retests is None:
        return
    failed = _failed_in_a_row(case, key, message.plan)
    if failed == plan.retests + 1:
        reason = f"{message.plan} was not passed {failed} times in a row"
        case.facts.append(Held(case.number(), key, reason, False, case.at, message.operator))


def _failed_in_a_row(case: Case, key: ItemKey, plan: str) -> int:
    """Runs that were not passed since the last that was, and since a change that the test covers, with this one.

    None where a later run was passed already, or a later change made this one stale.
    """
    row = case.row(key)
    runs = [] if row is None else counting_runs(case.known, row, plan)
    stale = None if row is None else case.known.stale.get((row.id, plan))
    since = max((run.occurred_at for run in runs if run.verdict == "pass"), default=0)
    since = since if stale is None else max(since, stale.at)
    return 0 if case.at < since else 1 + sum(run.occurred_at >= since and run.verdict != "pass" for run in runs)


def _check_revision(case: Case, message: TestRun) -> None:
    ours = case.catalogue.test_plan[message.plan].revision
    if message.revision is not None and message.revision != ours:
        detail = f"The tester ran revision {message.revision} of {message.plan}; the catalogue has {ours or 'none'}."
        case.because("wrong-revision", detail, "/revision")


def _check_attachments(case: Case, message: TestRun) -> None:
    for place, digest in enumerate(message.attachments):
        if digest not in case.known.attachments:
            detail = f"No attachment {digest[:12]}… was sent: send it first."
            case.because("unknown-attachment", detail, f"/attachments/{place}")


def _check_characteristics(case: Case, message: TestRun) -> None:
    plan = case.catalogue.measured.get(message.plan, {})
    seen: set[str] = set()
    for place, measurement in enumerate(message.measurements):
        pointer = f"/measurements/{place}"
        code = measurement.characteristic
        if code not in plan:
            has = ", ".join(plan)
            case.because("unknown-characteristic", f"{message.plan} has no {code}; it has {has}.", pointer)
        elif not fits(plan[code], measurement):
            form = "a value" if plan[code].kind == "numeric" else "good: true or false"
            case.because("unknown-characteristic", f"{code} of {message.plan} is given as {form}.", pointer)
        elif code in seen:
            case.because("unknown-characteristic", f"{code} stands twice.", pointer)
        seen.add(code)


def _last_of_each(message: TestRun) -> list[Measurement]:
    return list({m.characteristic: m for m in message.measurements}.values())
