"""Test runs: may the test be run now, and what is its verdict."""

from __future__ import annotations

from partkin.rules.facts import Tested
from partkin.rules.judging.case import Case
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
    case.facts.append(
        Tested(
            case.number(),
            item.key,
            message.plan,
            message.instrument,
            case.at,
            verdict_of(plan, measured),
            measured,
        )
    )


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
