"""Test runs, and the calibration of what they are run on."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import Annotated, ClassVar, Literal

from annotated_types import MaxLen, MinLen

from partkin.rules.messages.forms import FORM, AtScanPoint, Code, Digest, Envelope, ItemName, Words

MOST_MEASUREMENTS = 500
MOST_ATTACHMENTS = 20


@dataclass(frozen=True, slots=True, kw_only=True)
class Measurement:
    """One measured or judged characteristic."""

    __pydantic_config__: ClassVar = FORM

    characteristic: Code
    """Code of the characteristic in its test plan."""
    value: float | None = None
    """The measured value, in the unit of the characteristic; for numeric ones."""
    good: bool | None = None
    """The judgement; for attributes."""

    def __post_init__(self) -> None:
        if (self.value is None) == (self.good is None):
            raise ValueError("give either a value or good")


@dataclass(frozen=True, slots=True, kw_only=True)
class TestRun(AtScanPoint):
    """One run of a test plan on an item."""

    __test__: ClassVar = False

    unit: ItemName
    """The unit or subassembly tested."""
    plan: Code
    """Code of the test plan."""
    instrument: Code
    """Code of the tester."""
    measurements: Annotated[tuple[Measurement, ...], MinLen(1), MaxLen(MOST_MEASUREMENTS)]
    """What was measured. The verdict is ours: every characteristic present and within its limits."""
    verdict: Literal["pass", "fail"] | None = None
    """The tester's own verdict, if it gives one. Where it differs from ours, the run counts for nothing, and the unit
    goes on hold."""
    revision: Code | None = None
    """Which revision of the plan the tester ran, if it knows."""
    attachments: Annotated[tuple[Digest, ...], MaxLen(MOST_ATTACHMENTS)] = ()
    """Waveforms or pictures that were sent before."""
    kind: Literal["test-run"] = "test-run"


@dataclass(frozen=True, slots=True, kw_only=True)
class Calibration(Envelope):
    """An instrument was calibrated."""

    scan_point: Code | None = None
    """Where."""
    instrument: Code
    """Code of the instrument."""
    good: bool
    """Whether it was found within its limits, before any adjustment."""
    due_on: date | None = None
    """Last day on which it may be used; needed where it was found good."""
    certificate: Words | None = None
    """The laboratory's paper."""
    kind: Literal["calibration"] = "calibration"

    def __post_init__(self) -> None:
        Envelope.__post_init__(self)
        if self.good and self.due_on is None:
            raise ValueError("say on which last day the instrument may be used: due_on")
