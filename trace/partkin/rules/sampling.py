"""Sorting suspect pieces by a sample: how many to inspect, what the result shows, and which pieces to take.

A plan accepts on zero: one bad piece among those inspected, and the claim is not shown. Confidences and fractions are
numbers between 0 and 1, both excluded, and are taken as written: 0.95 is 95/100, not the nearest binary number.

Sources: success run, n = ln(1 - C) / ln(R) rounded up; hypergeometric distribution, for samples that are not put back;
C. J. Clopper and E. S. Pearson, The Use of Confidence or Fiducial Limits (1934), as NIST/SEMATECH 7.2.4.1 has it.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterable
from decimal import Context, Decimal, localcontext
from fractions import Fraction
from hashlib import sha256
from itertools import pairwise
from math import ceil, perm

_PRECISE = Context(prec=800)
"""Enough for the smallest number that a float can be, taken from 1."""

_LAST_PLACE = Decimal("1e-100")
"""Two logarithms whose ratio is this near to a whole number have that number as their ratio."""


def success_run(confidence: float, fraction: float) -> int:
    """How many pieces, all good, show with this confidence that at most this fraction is bad, in a lot without end.

    The smallest n with (1 - fraction)**n <= 1 - confidence: 95 % and 5 % take 59. The other convention in use,
    confidence = 1 - (1 - fraction)**(n + 1), takes one fewer. Raises ValueError outside 0 to 1.
    """
    sure, share = _written("confidence", confidence), _written("fraction", fraction)
    with localcontext(_PRECISE):
        pieces = (1 - sure).ln() / (1 - share).ln()
        return max(1, ceil(pieces.quantize(_LAST_PLACE)))


def hypergeometric(population: int, confidence: float, fraction: float) -> int:
    """How many pieces, all good and not put back, show with this confidence that less than this fraction is bad.

    If the fraction of the population, rounded up to whole pieces, were bad, at least one of them would be found with
    this confidence: 1,000 pieces, 95 % and 1 % take 258. Raises ValueError for an empty population or outside 0 to 1.
    """
    bad = _least_bad(population, fraction)
    missed = 1 - Fraction(_written("confidence", confidence))

    def shown(drawn: int) -> bool:
        without, draws = _without(population, bad, drawn)
        return without * missed.denominator <= missed.numerator * draws

    # Drawing without putting back finds a bad piece sooner than the success run does.
    enough = min(success_run(confidence, fraction), population - bad + 1)
    return 1 + bisect_left(range(1, enough), True, key=shown)


def confidence_reached(population: int | None, drawn: int, fraction: float) -> float:
    """How sure it is, when all pieces drawn are good, that no more than the fraction is bad.

    Without a population as `success_run` has it, else as `hypergeometric` has it. Raises ValueError for more pieces
    than there are.
    """
    share = _written("fraction", fraction)
    if population is None:
        if drawn < 0:
            raise ValueError(f"drawn must be 0 or more, not {drawn}")
        with localcontext(_PRECISE):
            return float(1 - (1 - share) ** drawn)
    bad = _least_bad(population, fraction)
    if not 0 <= drawn <= population:
        raise ValueError(f"drawn must be from 0 to {population}, not {drawn}")
    # The exact integers would be huge, and e**-40 is less than a float can take from 1.
    if drawn * bad > 40 * population:
        return 1.0
    without, draws = _without(population, bad, drawn)
    return (draws - without) / draws


def clopper_pearson(bad: int, inspected: int, confidence: float) -> tuple[float, float]:
    """Between which fractions the truth is, with at least this confidence: the exact two-sided binomial interval.

    Raises ValueError unless 0 <= bad <= inspected, with at least one inspected, or for a confidence outside 0 to 1.
    """
    _check_counts(bad, inspected)
    _written("confidence", confidence)
    lower = 0.0 if bad == 0 else _beta_quantile(bad, inspected - bad + 1, (1 - confidence) / 2)
    return lower, _upper(bad, inspected, (1 + confidence) / 2)


def upper_bound(bad: int, inspected: int, confidence: float) -> float:
    """Which fraction the truth does not exceed, with at least this confidence: the exact one-sided binomial bound.

    None bad among n: 1 - (1 - confidence)**(1/n). Raises as `clopper_pearson` does.
    """
    _check_counts(bad, inspected)
    _written("confidence", confidence)
    return _upper(bad, inspected, confidence)


def draw(seed: str, items: Iterable[str], count: int) -> list[str]:
    """A simple random sample that anybody can draw again from the seed and the items, in the order drawn.

    The items are put in order of the SHA-256 of seed, line feed (U+000A) and item, all in UTF-8, and the first `count`
    are taken; items with the same hash would stay in their own order. Raises ValueError for fewer items than that,
    and for an item that is listed twice.
    """
    listed = sorted(items)
    if len(set(listed)) != len(listed):
        twice = next(item for item, following in pairwise(listed) if item == following)
        raise ValueError(f"{twice} is listed twice; list each item once")
    if not 0 <= count <= len(listed):
        raise ValueError(f"count must be from 0 to {len(listed)}, as many as there are items, not {count}")
    return sorted(listed, key=lambda item: sha256(f"{seed}\n{item}".encode()).digest())[:count]


def _written(name: str, value: float) -> Decimal:
    """The number that was written to give this float."""
    if not 0 < value < 1:
        raise ValueError(f"{name} must be more than 0 and less than 1, not {value}")
    return Decimal(str(value))


def _least_bad(population: int, fraction: float) -> int:
    """The smallest number of bad pieces that is not less than the fraction."""
    if population < 1:
        raise ValueError(f"population must be 1 or more, not {population}")
    return ceil(Fraction(_written("fraction", fraction)) * population)


def _without(population: int, bad: int, drawn: int) -> tuple[int, int]:
    """How many draws are without a bad piece, of how many equally likely ones."""
    fewer, more = sorted((bad, drawn))
    return perm(population - more, fewer), perm(population, fewer)


def _check_counts(bad: int, inspected: int) -> None:
    if inspected < 1:
        raise ValueError(f"inspected must be 1 or more, not {inspected}")
    if not 0 <= bad <= inspected:
        raise ValueError(f"bad must be from 0 to {inspected}, as many as were inspected, not {bad}")


def _upper(bad: int, inspected: int, probability: float) -> float:
    return 1.0 if bad == inspected else _beta_quantile(bad + 1, inspected - bad, probability)


def _beta_quantile(a: int, b: int, probability: float) -> float:
    from scipy.special import betaincinv

    return float(betaincinv(a, b, probability))
