"""`partkin affected`."""

from __future__ import annotations


def affected() -> None:
    """Which units."""
