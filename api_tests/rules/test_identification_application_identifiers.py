"""The table of application identifiers and the linters against what GS1 publishes.

Source: gs1-syntax-dictionary.txt and linter-vectors.json (GS1 Barcode Syntax Dictionary, Apache-2.0).
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from partkin.rules.identification.application_identifiers import (
    AI_LENGTHS,
    APPLICATION_IDENTIFIERS,
    ApplicationIdentifier,
)
from partkin.rules.identification.linters import CHARACTERS, FORM_ONLY, LINTERS

LEFT_OUT = {
    ("cset39", ""): "a value is never empty",
    ("cset82", ""): "a value is never empty",
    ("csetnumeric", ""): "a value is never empty",
    ("nozeroprefix", ""): "a value is never empty",
    ("csumalpha", "1234567890" * 9 + "1234567HA"): "keys with a check pair have at most 25 characters (GenSpecs 3.9)",
    ("csumalpha", "z" * 97 + "UA"): "keys with a check pair have at most 25 characters (GenSpecs 3.9)",
    ("iban", "XX361234567890"): "the list of countries is kept by others (FORM_ONLY says so of ISO 3166)",
}
"""Rows of linter-vectors.json that do not apply here, and why."""

SETS_LEFT_OUT = {"gcppos1", "gcppos2"}
"""Their rows hold placeholders for data that the published tests compute; tested by hand below."""


def _published(standards: Path) -> Iterator[tuple[str, dict[str, Any]]]:
    """The rows of the dictionary, ranges written out."""
    for line in (standards / "gs1" / "gs1-syntax-dictionary.txt").read_text("utf-8").splitlines():
        if not line or line.startswith("#"):
            continue
        row, _, title = line.partition(" # ")
        first_word, *words = row.split()
        flags = words.pop(0) if set(words[0]) <= set("*?") else ""
        attributes = [word for word in words if re.fullmatch("(req|ex|dlpkey)(=.*)?", word)]
        named = dict(attribute.partition("=")[::2] for attribute in attributes)
        assert len(named) == len(attributes), f"{line}: an attribute stands there twice"
        first, _, last = first_word.partition("-")
        for number in range(int(first), int(last or first) + 1):
            yield (
                str(number).zfill(len(first)),
                {
                    "title": title.strip(),
                    "form": [word for word in words if word not in attributes],
                    "predefined": "*" in flags,
                    "attribute": "?" in flags,
                    "req": named.get("req", ""),
                    "ex": named.get("ex", ""),
                    "dlpkey": named.get("dlpkey"),
                },
            )


def _form(rule: ApplicationIdentifier) -> list[str]:
    written = []
    for component in rule.components:
        size = f"..{component.most}" if component.least < component.most else str(component.most)
        one = f"{component.kind}{size}"
        one = f"[{one}]" if component.optional else one
        written.append(",".join((one, *component.linters)))
    return written


def _stands_for(pattern: str, known: set[str]) -> frozenset[str]:
    return frozenset(ai for ai in known if re.fullmatch(pattern.replace("n", r"\d"), ai))


def test_the_table_is_the_published_one(standards: Path) -> None:
    published = dict(_published(standards))
    assert len(published) == 541
    assert set(APPLICATION_IDENTIFIERS) == set(published)
    known = set(published)
    for ai, row in published.items():
        rule = APPLICATION_IDENTIFIERS[ai]
        assert rule.title == row["title"], ai
        assert _form(rule) == row["form"], ai
        assert rule.predefined_length == row["predefined"], ai
        assert rule.attribute == row["attribute"], ai
        needs = [
            [_stands_for(one, known) for one in alternative.split("+")]
            for alternative in row["req"].split(",")
            if alternative
        ]
        assert [list(alternative) for alternative in rule.needs] == needs, ai
        never = frozenset(other for one in row["ex"].split(",") for other in _stands_for(one, known))
        assert rule.never == never - {ai}, ai
        key = row["dlpkey"]
        qualifiers = None if key is None else tuple(tuple(filter(None, one.split(","))) for one in key.split("|"))
        assert rule.qualifiers == qualifiers, ai


def test_identifiers_with_the_same_first_two_digits_have_one_length() -> None:
    assert all(len(ai) == AI_LENGTHS[ai[:2]] for ai in APPLICATION_IDENTIFIERS)


def test_every_linter_of_the_dictionary_is_known(standards: Path) -> None:
    named = {name for _, row in _published(standards) for one in row["form"] for name in one.split(",")[1:]}
    assert named == set(LINTERS) | FORM_ONLY
    assert not set(LINTERS) & FORM_ONLY


def _fault_place(name: str, data: str) -> int | None:
    """Index of the first fault: of the character set, then of the linter."""
    kind = {"cset39": "Y", "cset82": "X", "csumalpha": "X", "hasnondigit": "X", "hyphen": "X", "iban": "X"}.get(
        name, "N"
    )
    for index, character in enumerate(data):
        if character not in CHARACTERS[kind] and name not in ("zero", "yesno"):
            return index
    if not data:
        return 0
    fault = LINTERS[name](data) if name in LINTERS else None
    return None if fault is None else fault.at


def test_linters_find_what_the_published_vectors_find(standards: Path) -> None:
    sets = json.loads((standards / "gs1" / "linter-vectors.json").read_text("utf-8"))["linters"]
    assert len(sets) == 22
    judged = 0
    for name, rows in sets.items():
        for row in rows:
            data = row["data"]
            if (name, data) in LEFT_OUT or name in SETS_LEFT_OUT:
                continue
            judged += 1
            place = _fault_place(name, data)
            assert (place is None) == row["ok"], f"{name} {data!r}: {row}"
            if place is not None:
                start, end = row["marked"].index("*"), row["marked"].rindex("*") - 1
                assert place in range(start, max(start + 1, end)), f"{name} {data!r}: {row}"
    assert judged == sum(map(len, sets.values())) - len(LEFT_OUT) - 15


@pytest.mark.parametrize(
    ("ai", "value", "words", "index"),
    [
        # Source: GenSpecs 3 and the notes of the linters' own tests, where the vectors hold none.
        ("8004", "952X", "has 'X'", 3),
        ("8004", "952", "too short", 0),
        ("01", "0952", "has length 4 where 14 is needed", 0),
        ("8010", "9520ab", "has 'a' where A-Z", 4),
        ("7040", "1AB!", "has !", 3),
        ("8001", "123412345123" + "59", "has 5 where 0, 1 or 9", 12),
        ("4309", "18000000010000000000", "above 1800000000", 0),
        ("4309", "18000000003600000001", "above 3600000000", 10),
        ("4300", "Works%2", "has Works%2", 0),
        ("7241", "11", "has 11", 0),
        ("7252", "3", "has 3", 0),
        ("7258", "3/2", "has 3/2", 0),
        ("8030", "AB+C", "has '+'", 2),
        ("7007", "21122521", "has length 8 where 6 or 12 is needed", 0),
        ("8008", "26013108307", "has length 11", 0),
        ("10", "", "is empty", 0),
        ("21", "A" * 21, "has length 21 where 1 to 20 is allowed", 20),
    ],
)
def test_a_value_is_refused_where_it_is_wrong(ai: str, value: str, words: str, index: int) -> None:
    fault = APPLICATION_IDENTIFIERS[ai].fault(value, 0, len(value))
    assert fault is not None
    assert words in fault.words
    assert fault.at == index
