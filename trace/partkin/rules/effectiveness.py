"""Effectiveness checks: how many consignees are asked whether the notice reached them and was acted upon.

Source: 21 CFR 7.42(b)(3), for food and drugs; taken as a public model, it is not law for appliances.
"""

from __future__ import annotations

from collections.abc import Mapping
from fractions import Fraction
from math import ceil
from types import MappingProxyType

from partkin.rules.facts import EffectivenessLevel

_SHARES: Mapping[EffectivenessLevel, Fraction] = MappingProxyType(
    {"A": Fraction(1), "C": Fraction(1, 10), "D": Fraction(1, 50), "E": Fraction(0)}
)
"""Of the consignees; that of level B is set case by case."""


def to_check(level: EffectivenessLevel, consignees: int, share: float | None = None) -> int:
    """How many of the consignees to check, rounded up: of 260, all at level A, 26 at C, 6 at D, none at E.

    `share` is for level B only: more than 0.1 and less than 1. Raises ValueError where it is missing, out of this
    range or given with another level, and for fewer than no consignees.
    """
    if consignees < 0:
        raise ValueError(f"consignees must be 0 or more, not {consignees}")
    return ceil(_share(level, share) * consignees)


def _share(level: EffectivenessLevel, share: float | None) -> Fraction:
    if level != "B":
        if share is not None:
            raise ValueError(f"level {level} has a fixed share; give a share with level B only")
        return _SHARES[level]
    if share is None:
        raise ValueError("level B needs a share of the consignees: more than 0.1 and less than 1")
    # As written: in binary, 0.28 of 25 consignees would be more than 7 of them.
    written = Fraction(str(share)) if 0 < share < 1 else Fraction(0)
    if not Fraction(1, 10) < written < 1:
        raise ValueError(f"the share of level B must be more than 0.1 and less than 1, not {share}")
    return written
