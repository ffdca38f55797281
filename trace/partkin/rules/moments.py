"""Moments: whole microseconds since 1970-01-01T00:00:00Z, so that both databases and Python agree to the last digit."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from functools import lru_cache

Moment = int

FOREVER: Moment = 9_000_000_000_000_000_000
"""The end of what has not ended; later than any date that RFC 3339 can write."""

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_EPOCH_NAIVE = datetime(1970, 1, 1)  # noqa: DTZ001  # one without a time zone is written in half the time
_MICROSECOND = timedelta(microseconds=1)
_FIRST_DAY = _EPOCH.toordinal()
_DAY = 86_400_000_000


def moment_of(when: datetime) -> Moment:
    """The moment of an aware datetime."""
    return (when - _EPOCH) // _MICROSECOND


def datetime_of(moment: Moment) -> datetime:
    """The moment as an aware datetime in UTC."""
    return _EPOCH + timedelta(microseconds=moment)


@lru_cache(maxsize=4096)
def text_of(moment: Moment) -> str:
    """RFC 3339 in UTC with microseconds, always 27 characters: `2026-03-02T06:00:00.000000Z`."""
    return f"{(_EPOCH_NAIVE + timedelta(microseconds=moment)).isoformat(timespec='microseconds')}Z"


def end_text(moment: Moment) -> str | None:
    """As `text_of`, but None for what has not ended."""
    return None if moment == FOREVER else text_of(moment)


def moment_of_text(text: str) -> Moment:
    """The moment of an RFC 3339 date and time.

    Raises ValueError when the text is no date and time, or has no offset from UTC.
    """
    when = datetime.fromisoformat(text)
    if when.tzinfo is None:
        raise ValueError(f"{text!r} has no offset from UTC; write it as 2026-03-02T06:00:00+01:00")
    return moment_of(when)


def end_of_text(text: str | None) -> Moment:
    """As `moment_of_text`, but None is what has not ended."""
    return FOREVER if text is None else moment_of_text(text)


def day_of(moment: Moment) -> date:
    """The UTC day of a moment."""
    return date.fromordinal(_FIRST_DAY + moment // _DAY)


def start_of_day(day: date) -> Moment:
    """Midnight UTC at the start of a day."""
    return moment_of(datetime(day.year, day.month, day.day, tzinfo=UTC))
