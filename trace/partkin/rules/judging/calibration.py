"""Calibrations, and whether an instrument may measure."""

from __future__ import annotations

from partkin.rules.facts import Calibrated
from partkin.rules.judging.case import Case
from partkin.rules.judging.interlocks import check_clock, check_scan_point
from partkin.rules.messages import Calibration


def judge_calibration(case: Case, message: Calibration) -> None:
    """Find what a calibration makes true, and every reason against it."""
    check_clock(case)
    check_scan_point(case)
    if message.instrument not in case.catalogue.instrument:
        case.because("unknown-instrument", f"The catalogue has no instrument {message.instrument}.", "/instrument")
    case.facts.append(
        Calibrated(case.number(), message.instrument, message.good, message.due_on, message.certificate, case.at),
    )


def check_instrument(case: Case, code: str) -> None:
    """An instrument that is calibrated measures only while its last calibration was good and is not overdue."""
    instrument = case.catalogue.instrument.get(code)
    if instrument is None:
        case.because("unknown-instrument", f"The catalogue has no instrument {code}.", "/instrument")
        return
    if not instrument.calibrated:
        return
    before = [row for row in case.known.calibrations.get(code, ()) if row.occurred_at <= case.at]
    last = max(before, key=lambda row: (row.occurred_at, row.id), default=None)
    if last is None:
        case.because("calibration-overdue", f"{code} has no calibration on record.", "/instrument")
    elif not last.good:
        case.because(
            "calibration-overdue", f"{code} was found out of its limits at its last calibration.", "/instrument"
        )
    elif last.due_on is not None and last.due_on < case.message.occurred_at.date():
        detail = f"The calibration of {code} was due by {last.due_on.isoformat()}."
        case.because("calibration-overdue", detail, "/instrument")
