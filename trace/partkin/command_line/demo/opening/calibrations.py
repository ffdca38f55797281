"""Instruments are calibrated before the shift; one was forgotten."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, timedelta

from partkin.command_line.demo.floor import Message
from partkin.command_line.demo.work import Work


async def calibrate(work: Work) -> None:
    """Calibrate every instrument that measures, but the one that is overdue: of that, tell when it was done last."""
    told = work.story.calibrations
    until = (work.floor.start + timedelta(days=told.days)).date()
    done = [
        calibration(work, code, instrument, until)
        for code, instrument in _measuring(work)
        if instrument != told.overdue
    ]
    last_year = work.floor.start - timedelta(days=told.days + 1)
    for code, instrument in _measuring(work):
        if instrument == told.overdue:
            due_on = (last_year + timedelta(days=told.days)).date()
            done.append({**calibration(work, code, instrument, due_on), "occurred_at": last_year.isoformat()})
    await work.floor.post_all(done)
    code, _ = next(_measuring(work))
    words = f"{len(done) - 1} instruments calibrated ({told.badge}), good until {until}"
    work.floor.tell(work.floor.start, code, words)


def calibration(work: Work, code: str, instrument: str, due_on: date) -> Message:
    """What is said of an instrument at a scan point that was found good."""
    station, told = work.floor.station(code), work.story.calibrations
    certificate = f"Fennbridge Works calibration {instrument} {work.floor.start:%y%m%d}"
    members = {"instrument": instrument, "good": True, "due_on": due_on.isoformat(), "certificate": certificate}
    return station.message("calibration", station.next(), by=told.badge, **members)


def _measuring(work: Work) -> Iterator[tuple[str, str]]:
    """Instruments that need calibrations, with where they are."""
    for code, plans in work.story.tests.items():
        for instrument in sorted(set(plans.values())):
            if work.plant.catalogue.instrument[instrument].calibrated:
                yield code, instrument
