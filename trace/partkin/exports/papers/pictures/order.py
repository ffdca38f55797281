"""The order of boxes in columns for which few lines cross."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping, Sequence
from itertools import pairwise

_SWEEPS = 8

_Edges = Collection[tuple[str, str]]


def with_few_crossings(columns: Sequence[Iterable[str]], edges: _Edges, last: Collection[str]) -> list[list[str]]:
    """Each column so ordered that few lines to its neighbours cross; some stay last in their column.

    Edges go from a column to the next. Source: Sugiyama, Tagawa and Toda, Methods for visual understanding of
    hierarchical system structures, 1981 (barycentres, swept to and fro).
    """
    best = order = [sorted(column, key=last.__contains__) for column in columns]
    fewest = crossings(best, edges)
    for sweep in range(_SWEEPS):
        order = _swept(order, edges, last, forwards=sweep % 2 == 0)
        if (now := crossings(order, edges)) < fewest:
            best, fewest = order, now
    return best


def _swept(order: list[list[str]], edges: _Edges, last: Collection[str], *, forwards: bool) -> list[list[str]]:
    """Every column sorted by the mean place of what it is tied to in the one before, in the sweep's direction."""
    tied = defaultdict[str, list[str]](list)
    for source, target in edges:
        tied[target if forwards else source].append(source if forwards else target)
    swept = [list(column) for column in (order if forwards else order[::-1])]
    for before, column in pairwise(swept):
        place = {key: (number + 0.5) / len(before) for number, key in enumerate(before)}
        own = {key: (number + 0.5) / len(column) for number, key in enumerate(column)}
        mean = {key: _mean([place[other] for other in tied[key]] or [own[key]]) for key in column}
        column.sort(key=lambda key, mean=mean: (key in last, mean[key]))  # type: ignore[misc]
    return swept if forwards else swept[::-1]


def _mean(places: Sequence[float]) -> float:
    return sum(places) / len(places)


def crossings(order: Iterable[Sequence[str]], edges: _Edges) -> int:
    """How many pairs of lines cross."""
    place = {key: number for column in order for number, key in enumerate(column)}
    return sum(_crossings_after(set(column), place, edges) for column in order)


def _crossings_after(column: Collection[str], place: Mapping[str, int], edges: _Edges) -> int:
    """Pairs of lines that leave a column, of which one begins above and ends below the other."""
    ends = [end for _, end in sorted((place[source], place[target]) for source, target in edges if source in column)]
    return sum(first > second for number, first in enumerate(ends) for second in ends[number + 1 :])
