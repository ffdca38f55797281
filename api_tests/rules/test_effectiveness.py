"""How many consignees an effectiveness check asks."""

from __future__ import annotations

import pytest

from partkin.rules.effectiveness import to_check
from partkin.rules.facts import EffectivenessLevel


# Source: 21 CFR 7.42(b)(3): all, more than 10 % and less than 100 %, 10 %, 2 %, none; rounded up.
@pytest.mark.parametrize(
    ("level", "consignees", "share", "checked"),
    [
        ("A", 260, None, 260),
        ("C", 260, None, 26),
        ("D", 260, None, 6),
        ("E", 260, None, 0),
        ("B", 260, 0.5, 130),
        # 0.28 * 25 is 7.000000000000001 in binary.
        ("B", 25, 0.28, 7),
        ("B", 25, 0.281, 8),
        ("C", 10, None, 1),
        ("C", 11, None, 2),
        ("D", 1, None, 1),
        ("A", 0, None, 0),
        ("B", 0, 0.5, 0),
    ],
)
def test_published_levels(level: EffectivenessLevel, consignees: int, share: float | None, checked: int) -> None:
    assert to_check(level, consignees, share) == checked


@pytest.mark.parametrize(
    ("level", "consignees", "share", "sentence"),
    [
        ("B", 260, None, "level B needs a share of the consignees: more than 0.1 and less than 1"),
        ("B", 260, 0.1, "more than 0.1 and less than 1, not 0.1"),
        ("B", 260, 1.0, "more than 0.1 and less than 1, not 1.0"),
        ("B", 260, float("nan"), "more than 0.1 and less than 1, not nan"),
        ("C", 260, 0.1, "level C has a fixed share; give a share with level B only"),
        ("E", -1, None, "consignees must be 0 or more, not -1"),
    ],
)
def test_what_is_wrong_is_said(level: EffectivenessLevel, consignees: int, share: float | None, sentence: str) -> None:
    with pytest.raises(ValueError, match=sentence):
        to_check(level, consignees, share)
