"""Verdicts: limits are included, and what is missing is never a pass."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from partkin.rules.catalogue import Characteristic
from partkin.rules.messages import Measurement
from partkin.rules.test_limits import measured_to, verdict_of

EARTH = Characteristic("ES", "EARTH", "earth continuity", "numeric", "\N{GREEK CAPITAL LETTER OMEGA}", None, 0.2)
LABEL = Characteristic("ES", "LABEL", "rating plate legible", "attribute")
PLAN = {"EARTH": EARTH, "LABEL": LABEL}


@pytest.mark.parametrize(("ohms", "verdict"), [(0.199, "pass"), (0.200, "pass"), (0.201, "fail")])
def test_earth_continuity_at_its_limit(ohms: float, verdict: str) -> None:
    """EN 50106:2008 routine test: at most 0.2 ohm measured with the supply cord."""
    measured = measured_to(PLAN, [Measurement(characteristic="EARTH", value=ohms), good(True)])
    assert verdict_of(PLAN, measured) == verdict


def good(judged: bool) -> Measurement:
    return Measurement(characteristic="LABEL", good=judged)


def test_a_missing_value_is_no_pass() -> None:
    """Common practice."""
    assert verdict_of(PLAN, measured_to(PLAN, [good(True)])) == "incomplete"
    assert verdict_of(PLAN, measured_to(PLAN, [good(False)])) == "fail"
    assert verdict_of({}, ()) == "incomplete"


@given(st.floats(-1, 1), st.floats(-1, 1), st.floats(-1, 1))
def test_a_run_passes_exactly_between_its_limits(lower: float, upper: float, value: float) -> None:
    plan = {"X": Characteristic("P", "X", "x", "numeric", "mm", lower, upper)}
    verdict = verdict_of(plan, measured_to(plan, [Measurement(characteristic="X", value=value)]))
    assert (verdict == "pass") == (lower <= value <= upper)
