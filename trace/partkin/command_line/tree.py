"""`partkin tree`."""

from __future__ import annotations


def tree() -> None:
    """What is in a unit."""
