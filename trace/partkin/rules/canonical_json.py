"""Canonical JSON (RFC 8785): one text for one value, so that hashes and repeats agree to the byte."""

from __future__ import annotations

import json
import re
from typing import Any

import rfc8785

_plain = json.JSONEncoder(
    sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False, check_circular=False
).encode

# A number with a fraction or an exponent, or of so many digits that it may be beyond 2^53: as a member, as an element.
# Within a string this may be found without being one, but none is missed: a quote within a string is escaped.
_MEMBER = re.compile(r'":-?[0-9]+(?:[.e]|(?<=[0-9]{16}))').search
_ELEMENT = re.compile(r"[\[,]-?[0-9]+(?:[.e]|(?<=[0-9]{16}))").search


def canonical(value: Any) -> str:
    """Canonical text of a JSON value.

    Python's own encoder differs from RFC 8785 only in how it writes floating-point numbers and sorts keys beyond ASCII,
    and is many times faster, so the library is asked only where there is such a number or key.
    Raises ValueError for what has no canonical form: NaN, infinities, integers beyond 2^53.
    """
    try:
        text = _plain(value)
    except ValueError:  # the library says better what is the matter
        return rfc8785.dumps(value).decode()
    if (not text.isascii() or _MEMBER(text) or _ELEMENT(f",{text}")) and _needs_care(value):
        return rfc8785.dumps(value).decode()
    return text


def _needs_care(value: Any) -> bool:
    """Whether there is a number or a key in it that only the library writes, orders or refuses rightly."""
    if isinstance(value, dict):
        return not all(map(str.isascii, value)) or any(map(_needs_care, value.values()))
    if isinstance(value, (list, tuple)):
        return any(map(_needs_care, value))
    return isinstance(value, float) or (isinstance(value, int) and abs(value) >= 2**53)
