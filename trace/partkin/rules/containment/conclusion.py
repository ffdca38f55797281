"""What the inspections of a sorting show, and what they do not."""

from __future__ import annotations

from collections.abc import Callable, Collection
from dataclasses import dataclass
from math import ceil, floor
from typing import Literal

from partkin.rules.rows import InspectionRow, SortingRow
from partkin.rules.sampling import confidence_reached, upper_bound

Outcome = Literal["open", "good", "bad"]


@dataclass(frozen=True, slots=True)
class Conclusion:
    """How far a sorting is, and what may be said of the units that it was drawn from."""

    conclusion: Outcome
    """`good`: all that was drawn was inspected, and none was bad. `bad`: one was. `open`: something is left to do."""
    inspected: int
    bad: int
    upper_bound: float | None
    """The bad fraction that the truth does not exceed, with the sorting's confidence; of a finished sample."""
    confidence_reached: float | None
    """How sure it is that less than the fraction is bad; only where none was."""
    sentence: str


def conclusion_of(sorting: SortingRow, drawn: Collection[int], last: Collection[InspectionRow]) -> Conclusion:
    """The conclusion from the last inspection of each thing that was drawn."""
    seen = [row for row in last if row.item_id in drawn]
    inspected, bad = len(seen), sum(not row.good for row in seen)
    whole = inspected == len(drawn)
    bound = upper_bound(bad, inspected, sorting.confidence) if whole and inspected else None
    reached = _reached(sorting, inspected) if whole and inspected and not bad else None
    outcome: Outcome = "bad" if bad else "good" if reached is not None else "open"
    return Conclusion(outcome, inspected, bad, bound, reached, _sentence(sorting, inspected, bad, bound, reached))


def _reached(sorting: SortingRow, inspected: int) -> float:
    """A success run is reckoned as if there were no end of units."""
    population = None if sorting.rule == "success run" and inspected < sorting.population else sorting.population
    return confidence_reached(population, inspected, sorting.fraction)


def _sentence(sorting: SortingRow, inspected: int, bad: int, bound: float | None, reached: float | None) -> str:
    found = f"Of {sorting.population} units {sorting.drawn} were drawn at random, and {inspected} of these inspected"
    every = inspected == sorting.population
    if bad:
        said = f"{found}: {bad} bad."
        return said if every else f"{said} This clears none of those that were not inspected.{_bounded(sorting, bound)}"
    if reached is None:
        return f"{found}: none bad so far. This shows nothing yet."
    if every:
        return f"All {inspected} units were inspected, and none was bad. This says nothing of other units."
    return f"{found}: none bad. {_shown(sorting, reached)} This does not show that none is bad."


def _bounded(sorting: SortingRow, bound: float | None) -> str:
    if bound is None:
        return ""
    return (
        f" With {_rounded(sorting.confidence, floor)} confidence at most {_rounded(bound, ceil)} of them all are bad."
    )


def _shown(sorting: SortingRow, reached: float) -> str:
    fraction = f"{100 * sorting.fraction:g} %"
    if sorting.rule == "success run":
        share = f"at most {fraction} of such units, as if there were no end of them,"
    else:
        share = f"less than {fraction} of the {sorting.population}"
    return f"With {_rounded(reached, floor)} confidence {share} are bad."


def _rounded(share: float, towards: Callable[[float], int]) -> str:
    """Per cent with two digits after the point, so that no more is said than is so: 99.999 % is not 100 %."""
    return f"{towards(round(10_000 * share, 6)) / 100:g} %"
