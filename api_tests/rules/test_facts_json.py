"""Facts as text: the quick way writes what RFC 8785's library makes of the same fact as JSON."""

from __future__ import annotations

from dataclasses import fields
from typing import Any, get_args, get_type_hints

import pytest
import rfc8785
from hypothesis import given, settings
from hypothesis import strategies as st

from partkin.rules.facts import Fact
from partkin.rules.facts_json import fact_json, fact_text
from partkin.rules.moments import FOREVER

TEXTS = st.text(st.characters(exclude_categories=["Cs"]), max_size=8)
MOMENTS = st.integers(-(10**15), 10**16) | st.just(FOREVER)

SAID = st.dictionaries(TEXTS, TEXTS | st.booleans() | st.lists(TEXTS, max_size=2), max_size=3)
LISTED = st.lists(SAID, max_size=2)
JSON = {"suspects": SAID, "clean": st.none() | SAID, "points": LISTED, "steps": LISTED, "parts": SAID}
"""Fields that hold JSON as it was said."""

st.register_type_strategy(str, TEXTS)
st.register_type_strategy(int, st.integers(-(2**53) + 1, 2**53 - 1))
st.register_type_strategy(float, st.floats(allow_nan=False, allow_infinity=False))


def of_kind(kind: type[Any]) -> st.SearchStrategy[Any]:
    hints = get_type_hints(kind)
    return st.builds(kind, **{f.name: field_of(f.name, hints[f.name]) for f in fields(kind)})


def field_of(name: str, hint: Any) -> st.SearchStrategy[Any]:
    if name in ("at", "started", "ended"):
        return MOMENTS | st.none() if type(None) in get_args(hint) else MOMENTS
    return JSON[name] if name in JSON else st.from_type(hint)


@settings(max_examples=30)
@pytest.mark.parametrize("kind", get_args(Fact))
@given(st.data())
def test_the_quick_way_writes_what_the_library_writes(kind: type[Any], data: st.DataObject) -> None:
    fact: Fact = data.draw(of_kind(kind))
    assert fact_text(fact) == rfc8785.dumps(fact_json(fact)).decode()
