"""An axis of time in UTC with as many ticks as can be read."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

_MONTHS = "Jan Feb Mar Apr May Jun Jul Aug Sep Oct Nov Dec".split()
_MONDAY = datetime(1970, 1, 5, tzinfo=UTC)
_DAY = timedelta(days=1)
_MONTH = 30.5 * _DAY
_LEAST_DISTANCE = 48.0
"""Points from tick to tick, so that texts of 12 characters stay apart."""

_LEAST_SPAN = timedelta(minutes=10)
_MARGIN = 0.015
"""Free at both ends of the axis, as a part of the span."""

_STEPS = (
    *(timedelta(minutes=minutes) for minutes in (1, 2, 5, 10, 15, 30)),
    *(timedelta(hours=hours) for hours in (1, 2, 3, 6, 12)),
    *(timedelta(days=days) for days in (1, 2, 7, 14)),
)
_STEPS_OF_MONTHS = (1, 2, 3, 6, 12, 24, 60, 120, 240, 600, 1200)


@dataclass(frozen=True, slots=True)
class Tick:
    """A moment on the axis, and what is written below it on two lines."""

    x: float
    upper: str
    lower: str
    """What of the date the upper line does not say; empty where it is the same as at the tick before."""


@dataclass(frozen=True, slots=True)
class Axis:
    """From a moment to a later one, in points."""

    since: datetime
    until: datetime
    left: float
    width: float

    @property
    def right(self) -> float:
        """Where it ends."""
        return self.left + self.width

    def x(self, moment: datetime) -> float:
        """Where a moment is."""
        return self.left + self.width * ((moment - self.since) / (self.until - self.since))

    def ticks(self) -> list[Tick]:
        """At round moments, far enough from each other."""
        ticks: list[Tick] = []
        before = ""
        for moment, upper, lower in self._written():
            ticks.append(Tick(self.x(moment), upper, "" if lower == before else lower))
            before = lower
        return ticks

    def _written(self) -> Iterator[tuple[datetime, str, str]]:
        least = (self.until - self.since) * (_LEAST_DISTANCE / self.width)
        step = next((step for step in _STEPS if step >= least), None)
        if step is None:
            yield from self._months(next(step for step in _STEPS_OF_MONTHS if step * _MONTH >= least))
            return
        moment = _MONDAY - (_MONDAY - self.since) // step * step
        while moment <= self.until:
            yield (moment, *_words(moment, step))
            moment += step

    def _months(self, step: int) -> Iterator[tuple[datetime, str, str]]:
        months = -(-(self.since.year * 12 + self.since.month) // step) * step
        while (moment := datetime(months // 12, months % 12 + 1, 1, tzinfo=UTC)) <= self.until:
            year = str(moment.year)
            yield (moment, year, "") if step >= 12 else (moment, _MONTHS[moment.month - 1], year)
            months += step


def axis_of(moments: list[datetime], left: float, width: float) -> Axis:
    """An axis on which all of the moments are."""
    since, until = min(moments).astimezone(UTC), max(moments).astimezone(UTC)
    span = max(until - since, _LEAST_SPAN)
    middle = since + (until - since) / 2
    half = span * (0.5 + _MARGIN)
    return Axis(middle - half, middle + half, left, width)


def _words(moment: datetime, step: timedelta) -> tuple[str, str]:
    day, year = f"{moment.day} {_MONTHS[moment.month - 1]}", str(moment.year)
    return (f"{moment:%H:%M}", f"{day} {year}") if step < _DAY else (day, year)
