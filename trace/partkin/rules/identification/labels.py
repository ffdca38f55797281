"""The label rules of the catalogue's parts, made ready for looking up."""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from partkin.rules.catalogue import Part
from partkin.rules.check_characters import SCHEMES, CheckScheme


@dataclass(frozen=True, slots=True)
class PlainRule:
    """How a plain label of a part reads."""

    part: str
    pattern: re.Pattern[str]
    scheme: CheckScheme | None


class Labels:
    """The label rules of all parts, built once for a catalogue.

    Raises ValueError for a label pattern that is no regular expression, and for a check-character scheme that is not
    known or has no group `check` in the pattern.
    """

    def __init__(self, parts: Iterable[Part]) -> None:
        by_gtin: dict[str, list[str]] = defaultdict(list)
        by_cpid: dict[str, list[str]] = defaultdict(list)
        by_supplier_part: dict[tuple[str | None, str], list[str]] = defaultdict(list)
        plain: dict[str, list[PlainRule]] = defaultdict(list)
        by_number: dict[str, list[str]] = {}
        for part in parts:
            by_number[part.part] = [part.part]
            if part.gtin is not None:
                by_gtin[part.gtin].append(part.part)
            if part.cpid is not None:
                by_cpid[part.cpid].append(part.part)
            if part.supplier_part is not None:
                for supplier in {part.supplier, None}:
                    by_supplier_part[supplier, part.supplier_part].append(part.part)
            if part.label_pattern is not None:
                plain[_literal_prefix(part.label_pattern)].append(_plain_rule(part, part.label_pattern))
        self.by_number: Mapping[str, Sequence[str]] = by_number
        self.by_gtin: Mapping[str, Sequence[str]] = dict(by_gtin)
        self.by_cpid: Mapping[str, Sequence[str]] = dict(by_cpid)
        self.by_supplier_part: Mapping[tuple[str | None, str], Sequence[str]] = dict(by_supplier_part)
        """By supplier and its part number; by None and the part number, whoever the supplier is."""
        self._plain = dict(plain)
        self._prefix_lengths = sorted({len(prefix) for prefix in plain})

    def fitting(self, text: str) -> list[tuple[PlainRule, re.Match[str]]]:
        """The plain label rules whose pattern fits the whole text."""
        return [
            (rule, found)
            for length in self._prefix_lengths
            if length <= len(text)
            for rule in self._plain.get(text[:length], ())
            if (found := rule.pattern.fullmatch(text))
        ]


def _plain_rule(part: Part, pattern: str) -> PlainRule:
    try:
        compiled = re.compile(pattern)
    except re.error as error:
        raise ValueError(f"label_pattern of part {part.part} is no regular expression: {error}") from error
    if part.label_check is None:
        return PlainRule(part.part, compiled, None)
    if part.label_check not in SCHEMES or "check" not in compiled.groupindex:
        raise ValueError(f"label_check of part {part.part} needs a known scheme, and a group check in label_pattern")
    return PlainRule(part.part, compiled, SCHEMES[part.label_check])


_LITERALS = re.compile(r"(?:[A-Za-z0-9 _/:;,=@#%&~\"'!<>-]|\\[^A-Za-z0-9])+")


def _literal_prefix(pattern: str) -> str:
    """Characters that every text of the pattern begins with; none where that is not plain to see."""
    if "|" in pattern:
        return ""
    start = re.match(r"\^?(?P<group>\(\?P<\w+>)?", pattern)
    if start is None or (start["group"] and re.search(r"\)[?*{]", pattern)):
        return ""
    found = _LITERALS.match(pattern, start.end())
    if found is None:
        return ""
    literals = re.findall(r"\\?(.)", found[0])
    if pattern[found.end() : found.end() + 1] in ("?", "*", "{"):
        literals.pop()
    return "".join(literals)
