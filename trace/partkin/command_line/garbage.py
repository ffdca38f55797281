"""How often Python looks for cycles that nobody needs any more."""

from __future__ import annotations

import gc


def collect_garbage_seldom() -> None:
    """What was loaded stays; posts and rows leave no cycles, and looking for some takes a seventh of the time."""
    gc.freeze()
    gc.set_threshold(50_000)
