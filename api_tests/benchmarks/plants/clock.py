"""The plant's clock: eight hours a day, five days a week. What is not done when a shift ends goes on in the next one.

The time of a plant is counted in milliseconds of work, in windows of four minutes.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from api_tests.benchmarks.plants.shift import WINDOW
from partkin.rules.moments import moment_of_text

Times = NDArray[np.int64]
START = moment_of_text("2025-01-06T06:00:00Z")
"""A Monday."""

WINDOWS_A_DAY = 8 * 3_600_000 // WINDOW
DAYS_A_WEEK = 5
_DAY = 86_400_000_000


def moments(times: Times) -> Times:
    """Microseconds since 1970 of times of work."""
    days, of_day = np.divmod(times, WINDOW * WINDOWS_A_DAY)
    weeks, of_week = np.divmod(days, DAYS_A_WEEK)
    whole: Times = START + (weeks * 7 + of_week) * _DAY + of_day * 1000
    return whole


def texts(at: Times) -> list[str]:
    """Moments as the journal writes them: RFC 3339 with microseconds."""
    written: list[Any] = np.char.add(np.datetime_as_string(at.astype("datetime64[us]")), "Z").tolist()
    return written


def said(at: Times) -> list[str]:
    """Moments as stations write them: with milliseconds."""
    written: list[Any] = np.char.add(np.datetime_as_string(at.astype("datetime64[us]"), "ms"), "Z").tolist()
    return written
