"""Canonical JSON against RFC 8785's published vectors and the general library."""

from __future__ import annotations

import json
import struct
from pathlib import Path
from typing import Any

import pytest
import rfc8785
from hypothesis import given
from hypothesis import strategies as st

from partkin.rules.canonical_json import canonical

scalars = (
    st.none() | st.booleans() | st.integers(-(2**53) + 1, 2**53 - 1) | st.text(st.characters(exclude_categories=["Cs"]))
)
keys = st.text(st.characters(exclude_categories=["Cs"]), max_size=8)


def nested(leaves: st.SearchStrategy[object]) -> st.SearchStrategy[object]:
    return st.recursive(leaves, lambda inner: st.lists(inner, max_size=4) | st.dictionaries(keys, inner, max_size=4))


@given(nested(scalars | st.floats(allow_nan=False, allow_infinity=False)))
def test_the_quick_way_writes_what_the_library_writes(value: Any) -> None:
    assert canonical(value) == rfc8785.dumps(value).decode()


@pytest.mark.parametrize("value", [float("nan"), float("inf"), 2**53, {"a": [-(2**53)]}])
def test_what_has_no_canonical_form_is_refused(value: object) -> None:
    with pytest.raises(ValueError, match="."):
        canonical(value)


def test_published_vectors(standards: Path) -> None:
    """Input and output files of the JCS test suite (RFC 8785 section 3.2.3 and appendix B)."""
    folder = standards / "rfc" / "jcs"
    inputs = sorted(folder.glob("**/input/*.json"))
    assert len(inputs) >= 5
    for source in inputs:
        wanted = (source.parent.parent / "output" / source.name).read_text("utf-8")
        assert canonical(json.loads(source.read_text("utf-8"))) == wanted, source.name


def test_published_numbers(standards: Path) -> None:
    """Appendix B of RFC 8785: the bits of a double, and its text."""
    rows = json.loads((standards / "rfc" / "jcs" / "rfc8785-appendix-b-numbers.json").read_text("utf-8"))
    for bits, text in rows["ieee754_hex_to_json"].items():
        (number,) = struct.unpack(">d", bytes.fromhex(bits))
        assert canonical(number) == text, bits
    for bits in ("7fffffffffffffff", "7ff0000000000000"):
        with pytest.raises(ValueError, match="."):
            canonical(struct.unpack(">d", bytes.fromhex(bits))[0])
