"""When a thing that a case lists is settled: nothing more is to be done about it."""

from __future__ import annotations

from partkin.rules.facts import Decision, ItemKind, ItemState

LETS_GO: frozenset[Decision] = frozenset(
    ("use as is", "verified good", "rework", "corrected in the field", "not recovered")
)
"""Decisions by which a thing is let go at once; the others need it to go where it was decided."""

_ENDS: dict[Decision, ItemState] = {"scrap": "scrapped", "return to supplier": "returned"}


def is_settled(decision: Decision | None, kind: ItemKind, state: ItemState, in_stock: int) -> bool:
    """Whether a decision is carried out; `in_stock` are the pieces of a lot that lie there."""
    if decision is None:
        return False
    if decision in LETS_GO:
        return True
    return in_stock == 0 if kind == "lot" else state == _ENDS[decision]
