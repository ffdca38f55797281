"""What a sorting shows: never more than is so."""

from __future__ import annotations

import re

from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import binom

from partkin.rules.containment.conclusion import Conclusion, conclusion_of
from partkin.rules.facts import SortingRule
from partkin.rules.rows import InspectionRow, SortingRow


def concluded(
    rule: SortingRule, population: int, drawn: int, bad: int, confidence: float, fraction: float
) -> Conclusion:
    """All that was drawn was inspected, and some were bad."""
    sorting = SortingRow(
        1, 1, "SO-1", rule, confidence, fraction, "possible", None, None, population, drawn, "a seed", 0, "B1"
    )
    inspections = [InspectionRow(one, 1, one, one >= bad, None, "[]", 0, "B1") for one in range(drawn)]
    return conclusion_of(sorting, range(drawn), inspections)


def per_cents(sentence: str) -> list[float]:
    """The shares that a sentence says."""
    return [float(said) / 100 for said in re.findall(r"([0-9.]+) %", sentence)]


def test_a_success_run_shows_what_the_handbooks_say() -> None:
    """59 good ones show, with 95 % confidence, at most 5 % bad; common practice: 1 - 0.95**59 = 95.15 %."""
    told = concluded("success run", 1000, 59, 0, 0.95, 0.05)
    assert told.conclusion == "good"
    assert "With 95.15 % confidence at most 5 % of such units" in told.sentence


@given(
    st.sampled_from(["success run", "hypergeometric"]),
    st.integers(2, 3000),
    st.integers(1, 400),
    st.integers(0, 3),
    st.sampled_from([0.8, 0.9, 0.95, 0.99, 0.9973]),
    st.sampled_from([0.001, 0.01, 0.05, 0.125]),
)
def test_rounding_never_says_more_than_is_so(
    rule: SortingRule, population: int, drawn: int, bad: int, confidence: float, fraction: float
) -> None:
    drawn = min(drawn, population - 1)
    bad = min(bad, drawn)
    told = concluded(rule, population, drawn, bad, confidence, fraction)
    sure, share = per_cents(told.sentence)
    if bad:
        assert told.conclusion == "bad"
        assert sure <= confidence + 1e-9
        # At the bound that is said, so few bad ones would be found with no more than the chance that is left.
        assert bad == drawn or binom.cdf(bad, drawn, min(share, 1)) <= 1 - confidence + 1e-9
    else:
        assert told.confidence_reached is not None
        assert sure <= told.confidence_reached + 1e-9
        assert abs(share - fraction) < 1e-9


def test_nothing_is_concluded_before_all_were_inspected() -> None:
    sorting = SortingRow(1, 1, "SO-1", "all", 0.95, 0.01, "certain", None, None, 3, 3, "a seed", 0, "B1")
    good = [InspectionRow(one, 1, one, True, None, "[]", 0, "B1") for one in range(4)]
    told = conclusion_of(sorting, range(3), good[1:])  # the last was not drawn
    assert (told.conclusion, told.inspected, told.upper_bound, told.confidence_reached) == ("open", 2, None, None)
    done = conclusion_of(sorting, range(3), good)
    assert (done.conclusion, done.inspected, done.confidence_reached) == ("good", 3, 1.0)
