"""The answers to which instruments are due, and what was tested on them, for the documentation, and as CSV columns."""

from __future__ import annotations

from datetime import date, datetime

from pydantic import BaseModel, ConfigDict

from partkin.rules.facts import Verdict
from partkin.web.schemas.whereabouts import Standing


class _Described(BaseModel):
    model_config = ConfigDict(use_attribute_docstrings=True)


class CalibrationSaid(_Described):
    """A calibration."""

    at: datetime
    good: bool
    """Found within its limits, before any adjustment."""
    due_on: date | None
    """Last day on which the instrument may be used after it."""
    certificate: str | None
    entry: int
    """The journal entry that says so."""


class InstrumentDue(_Described):
    """An instrument of the catalogue."""

    instrument: str
    description: str
    calibrated: bool
    """It measures only while a good calibration is not overdue."""
    last_calibration: CalibrationSaid | None
    due_on: date | None
    """Last day on which it may be used; null: it is not calibrated, or its last calibration was not good."""
    overdue: bool
    """Nothing may be tested with it on the day asked for."""


class Instruments(_Described):
    """All instruments of the catalogue."""

    items: list[InstrumentDue]


class RunOnInstrument(Standing):
    """A test run on an instrument, with the item as it is now, and where that is."""

    test_run: int
    """Number of the run, for corrections."""
    entry: int
    plan: str
    revision: str | None
    occurred_at: datetime
    verdict: Verdict
    tester: Verdict | None
    """The tester's own verdict."""


class InstrumentUse(_Described):
    """A page of runs, in the order in which they were made."""

    instrument: str
    description: str | None
    """Null: it is not in the catalogue any more."""
    calibrated: bool | None
    calibrations: list[CalibrationSaid]
    """All of them."""
    since: datetime | None
    """Runs from this moment on; null: all of them, since no calibration was good."""
    items: list[RunOnInstrument]
    next: str | None
    """Give it as `cursor` to get the next page; null on the last one."""
