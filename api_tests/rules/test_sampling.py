"""Samples of suspect pieces: handbook values, SciPy's distributions, and what holds of every plan."""

from __future__ import annotations

import json
from collections import Counter
from fractions import Fraction
from hashlib import sha256
from itertools import combinations
from math import comb
from pathlib import Path
from typing import Any

import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from scipy.stats import binomtest, chi2, hypergeom

from partkin.rules.sampling import (
    clopper_pearson,
    confidence_reached,
    draw,
    hypergeometric,
    success_run,
    upper_bound,
)


@pytest.fixture(scope="session")
def published(standards: Path) -> Any:
    # Source: statistics-check-values.json; its rows name theirs.
    return json.loads((standards / "stats" / "statistics-check-values.json").read_text("utf-8"))


# ------------------------------------------------------------------------------------------------------------
# How many pieces


def test_published_success_runs(published: Any) -> None:
    assert len(published["zero_failure"]) == 20
    for row in published["zero_failure"]:
        fraction = float(1 - Fraction(str(row["reliability"])))
        assert success_run(row["confidence"], fraction) == row["n"] == row["n_bayes_uniform"] + 1, row


@pytest.mark.parametrize(
    ("confidence", "fraction", "pieces"),
    # 0.1**2 is 0.01 and 0.5**3 is 0.125, which the logarithms of floats miss; ln 0.05 = -2.99573.
    [(0.99, 0.9, 2), (0.999, 0.9, 3), (0.875, 0.5, 3), (0.19, 0.1, 2), (0.95, 1e-6, 2_995_731), (0.5, 0.999, 1)],
)
def test_success_runs_by_hand(confidence: float, fraction: float, pieces: int) -> None:
    assert success_run(confidence, fraction) == pieces


decimals = st.integers(1, 999).map(lambda thousandths: thousandths / 1000)


@given(decimals, decimals)
@example(0.99, 0.9)
@example(0.999, 0.001)
def test_a_success_run_is_the_shortest(confidence: float, fraction: float) -> None:
    good, missed = 1 - Fraction(str(fraction)), 1 - Fraction(str(confidence))
    pieces = success_run(confidence, fraction)
    assert good**pieces <= missed < good ** (pieces - 1)
    assert confidence_reached(None, pieces, fraction) >= confidence > confidence_reached(None, pieces - 1, fraction)


@given(st.floats(5e-324, 0.9999999999999999), st.floats(5e-324, 0.9999999999999999))
@example(5e-324, 0.9999999999999999)
@example(0.9999999999999999, 5e-324)
def test_there_is_a_plan_for_all_that_may_be_asked(confidence: float, fraction: float) -> None:
    assert success_run(confidence, fraction) >= 1
    assert 1 <= hypergeometric(10**6, confidence, fraction) <= 10**6
    assert 0 <= confidence_reached(10**6, 5 * 10**5, fraction) <= 1


def test_published_finite_lots(published: Any) -> None:
    for row in published["finite"]:
        reached = confidence_reached(row["N"], row["n"], row["D"] / row["N"])
        assert reached == pytest.approx(row["p_detect"], rel=1e-12)
    # The published 259 of 1,000 is one more than are needed: with 10 bad, 258 reach 0.950204.
    assert hypergeometric(1000, 0.95, 0.01) == 258
    assert confidence_reached(1000, 258, 0.01) == pytest.approx(0.950204, abs=1e-6)
    assert hypergeometric(500, 0.95, 0.01) == 225
    assert hypergeometric(100, 0.95, 0.01) == 95
    assert hypergeometric(100, 0.95, 0.05) == 45


@pytest.mark.parametrize(
    ("population", "confidence", "fraction", "pieces"),
    [
        (1, 0.5, 0.5, 1),
        # All of them would be bad.
        (10, 0.999, 0.95, 1),
        # One of them would be, so 95 % of them take 95 %, and more sureness all.
        (20, 0.95, 0.01, 19),
        (20, 0.951, 0.01, 20),
        (1_000_000, 0.95, 1e-6, 950_000),
    ],
)
def test_finite_lots_by_hand(population: int, confidence: float, fraction: float, pieces: int) -> None:
    assert hypergeometric(population, confidence, fraction) == pieces


@given(st.integers(1, 400), decimals, decimals)
@example(100, 0.95, 0.01)
@example(100, 0.07, 0.29)
def test_a_finite_sample_is_the_smallest(population: int, confidence: float, fraction: float) -> None:
    # Oracle: all draws counted.
    bad = -(-Fraction(str(fraction)) * population // 1)

    def found(drawn: int) -> Fraction:
        return 1 - Fraction(comb(population - int(bad), drawn), comb(population, drawn))

    pieces = hypergeometric(population, confidence, fraction)
    assert found(pieces - 1) < Fraction(str(confidence)) <= found(pieces)
    assert confidence_reached(population, pieces, fraction) >= confidence
    assert pieces <= success_run(confidence, fraction)


@given(st.integers(1, 10**6), st.data())
def test_the_confidence_in_a_finite_lot_is_that_of_scipy(population: int, data: st.DataObject) -> None:
    # Oracle: scipy.stats.
    bad = data.draw(st.integers(1, population), label="bad")
    drawn = data.draw(st.integers(0, population) | st.integers(0, min(population, 300)), label="drawn")
    fraction = bad / population * (1 - 1e-9)
    reached = confidence_reached(population, drawn, fraction)
    assert reached == pytest.approx(hypergeom.sf(0, population, bad, drawn), rel=1e-6, abs=1e-12)


# ------------------------------------------------------------------------------------------------------------
# Bounds


@pytest.mark.parametrize(
    ("bad", "inspected", "confidence", "interval", "allowed"),
    [
        # Source: NIST/SEMATECH 7.2.4.1, where the last place of the upper end differs by one.
        (4, 20, 0.90, (0.071354, 0.401029), 2e-6),
        # Source: documentation of scipy.stats.binomtest.
        (7, 50, 0.95, (0.058192, 0.267396), 1e-6),
        # Source: R. G. Newcombe, Two-sided confidence intervals for the single proportion (1998), method 5.
        (81, 263, 0.95, (0.2527, 0.3676), 1e-4),
        (15, 148, 0.95, (0.0578, 0.1617), 1e-4),
        (0, 20, 0.95, (0.0, 0.1684), 1e-4),
        (1, 29, 0.95, (0.0009, 0.1776), 1e-4),
    ],
)
def test_published_intervals(
    bad: int, inspected: int, confidence: float, interval: tuple[float, float], allowed: float
) -> None:
    assert clopper_pearson(bad, inspected, confidence) == pytest.approx(interval, rel=0, abs=allowed)


def test_published_bounds(published: Any) -> None:
    for row in published["binomial"]:
        assert clopper_pearson(row["k"], row["n"], row["conf"]) == pytest.approx(row["exact"], abs=1e-10)
    for row in published["rule_of_three"]:
        assert upper_bound(0, row["n"], 0.95) == pytest.approx(row["upper95_exact"], rel=1e-12)
    for row in published["c_failures"]:
        # The published number of pieces is the smallest that shows so much with so many bad ones.
        bad, fraction = row["allowed_failures"], 1 - row["reliability"]
        shown = [upper_bound(bad, inspected, row["confidence"]) <= fraction for inspected in (row["n"] - 1, row["n"])]
        assert shown == [False, True], row


@given(st.integers(1, 2000), st.data())
def test_intervals_are_those_of_scipy(inspected: int, data: st.DataObject) -> None:
    # Oracle: scipy.stats, which finds the ends by trying; one-sided, with all the doubt on one side.
    bad = data.draw(st.integers(0, inspected) | st.sampled_from([0, inspected]), label="bad")
    confidence = data.draw(decimals, label="confidence")
    both = binomtest(bad, inspected).proportion_ci(confidence, "exact")
    above = binomtest(bad, inspected, alternative="less").proportion_ci(confidence, "exact")
    assert clopper_pearson(bad, inspected, confidence) == pytest.approx((both.low, both.high), rel=1e-6, abs=1e-9)
    assert upper_bound(bad, inspected, confidence) == pytest.approx(above.high, rel=1e-6, abs=1e-9)


# ------------------------------------------------------------------------------------------------------------
# Which pieces


def test_a_draw_can_be_repeated_by_hand() -> None:
    # Each hash: printf '%s\n%s' 'case 7' FB-01 | sha256sum
    hashes = {item: sha256(b"case 7\n" + item.encode()).hexdigest() for item in ("FB-01", "FB-02", "FB-03", "Ü-1")}
    assert hashes["FB-01"] == "bba255cd2405f9d723c8506f70630fbd0d4b8f0126793ba59200c3a7b4ac8778"
    assert draw("case 7", hashes, 4) == sorted(hashes, key=hashes.__getitem__)


@given(st.text(), st.sets(st.text(max_size=5)), st.data())
def test_a_draw_does_not_depend_on_the_order(seed: str, items: set[str], data: st.DataObject) -> None:
    count = data.draw(st.integers(0, len(items)))
    shuffled = data.draw(st.permutations(sorted(items)))
    drawn = draw(seed, shuffled, count)
    assert drawn == draw(seed, sorted(items), len(items))[:count]
    assert len(set(drawn)) == count
    assert set(drawn) <= items


def test_every_sample_is_drawn_as_often() -> None:
    # Chi-square test of all 15 pairs that 6 items make, over 3,000 seeds.
    items = [f"FB-{running:02d}" for running in range(6)]
    drawn = Counter(frozenset(draw(f"seed {seed}", items, 2)) for seed in range(3000))
    off = sum((drawn[frozenset(pair)] - 200) ** 2 / 200 for pair in combinations(items, 2))
    assert 0.001 < chi2.sf(off, 14) < 0.999


# ------------------------------------------------------------------------------------------------------------
# What is refused


@pytest.mark.parametrize("wrong", [0.0, 1.0, -0.1, 95.0, float("nan")])
def test_confidences_and_fractions_are_between_0_and_1(wrong: float) -> None:
    sentence = f"must be more than 0 and less than 1, not {wrong}"
    for refused in (
        lambda: success_run(wrong, 0.05),
        lambda: success_run(0.95, wrong),
        lambda: hypergeometric(100, wrong, 0.05),
        lambda: hypergeometric(100, 0.95, wrong),
        lambda: confidence_reached(None, 5, wrong),
        lambda: clopper_pearson(1, 20, wrong),
        lambda: upper_bound(1, 20, wrong),
    ):
        with pytest.raises(ValueError, match=sentence):
            refused()


def test_numbers_that_cannot_be_are_refused() -> None:
    with pytest.raises(ValueError, match="population must be 1 or more, not 0"):
        hypergeometric(0, 0.95, 0.05)
    with pytest.raises(ValueError, match="drawn must be from 0 to 20, not 21"):
        confidence_reached(20, 21, 0.05)
    with pytest.raises(ValueError, match="drawn must be 0 or more, not -1"):
        confidence_reached(None, -1, 0.05)
    for bound in (clopper_pearson, upper_bound):
        with pytest.raises(ValueError, match="bad must be from 0 to 20, as many as were inspected, not 21"):
            bound(21, 20, 0.95)
        with pytest.raises(ValueError, match="inspected must be 1 or more, not 0"):
            bound(0, 0, 0.95)
    with pytest.raises(ValueError, match="count must be from 0 to 2, as many as there are items, not 3"):
        draw("case 7", ["FB-01", "FB-02"], 3)
    with pytest.raises(ValueError, match="FB-02 is listed twice"):
        draw("case 7", ["FB-02", "FB-01", "FB-02"], 1)
