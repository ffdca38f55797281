"""GS1 data as people write it, for tests: (01)09520123456788(10)A\\(7 with brackets, ^ for FNC1."""

from __future__ import annotations

import re

from partkin.rules.identification.application_identifiers import APPLICATION_IDENTIFIERS
from partkin.rules.identification.readings import GS

_BRACKETED = re.compile(r"\(([^()]*)\)((?:\\\(|[^(])*)", flags=re.DOTALL)


def pairs_of(bracketed: str) -> list[tuple[str, str]]:
    """Identifiers and values. Raises ValueError for what is no bracketed text at all."""
    pairs = [(found[1], found[2].replace("\\(", "(")) for found in _BRACKETED.finditer(bracketed)]
    if "".join(f"({ai}){value.replace('(', chr(92) + '(')}" for ai, value in pairs) != bracketed:
        raise ValueError(f"{bracketed!r} is no row of identifiers in brackets with their values")
    return pairs


def element_string(pairs: list[tuple[str, str]]) -> str:
    """With GS after every value of variable length but the last."""
    text, predefined = "", True
    for ai, value in pairs:
        if not predefined:
            text += GS
        rule = APPLICATION_IDENTIFIERS.get(ai)
        predefined = rule is not None and rule.predefined_length
        text += ai + value
    return text


def caret_text(pairs: list[tuple[str, str]]) -> str:
    """As published tests write it: ^ first, ^ for each separator."""
    return "^" + element_string(pairs).replace(GS, "^")
