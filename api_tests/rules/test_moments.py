"""Moments and their text."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, timezone

import pytest
from hypothesis import given
from hypothesis import strategies as st

from partkin.rules.moments import datetime_of, moment_of, moment_of_text, text_of

whens = st.datetimes(
    datetime(1900, 1, 1),
    datetime(9998, 12, 31),
    timezones=st.builds(timezone, st.timedeltas(-timedelta(hours=14), timedelta(hours=14))),
)


@given(whens)
def test_a_moment_is_the_same_instant_and_its_text_reads_back(when: datetime) -> None:
    moment = moment_of(when)
    assert datetime_of(moment) == when
    assert moment_of_text(text_of(moment)) == moment
    assert len(text_of(moment)) == 27


@given(whens, whens)
def test_texts_are_ordered_like_moments(one: datetime, other: datetime) -> None:
    assert (moment_of(one) < moment_of(other)) == (text_of(moment_of(one)) < text_of(moment_of(other)))


def test_published_examples() -> None:
    """RFC 3339 section 5.8."""
    assert datetime_of(moment_of_text("1985-04-12T23:20:50.52Z")) == datetime(1985, 4, 12, 23, 20, 50, 520_000, UTC)
    assert moment_of_text("1996-12-19T16:39:57-08:00") == moment_of_text("1996-12-20T00:39:57Z")
    assert moment_of_text("1937-01-01T12:00:27.87+00:20") == moment_of_text("1937-01-01T11:40:27.87Z")


def test_a_time_without_offset_is_refused() -> None:
    with pytest.raises(ValueError, match="no offset"):
        moment_of_text("2026-03-02T06:00:00")
