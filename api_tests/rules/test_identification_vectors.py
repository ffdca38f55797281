"""Reading scans as the published vectors say.

Sources: ai-scan-dl-vectors.json (tests of the GS1 Syntax Engine, Apache-2.0), genspecs-figure-examples.json (figures of
GS1 General Specifications 21.0.1), iso15434-vectors.json (ISO/IEC 15434, ANSI MH10.8.2; each row names its own source).
"""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from api_tests.rules.gs1_text import caret_text, element_string, pairs_of
from partkin.rules.identification import Element, ScanError, read_scan
from partkin.rules.identification.digital_link import is_digital_link, read_digital_link
from partkin.rules.identification.element_strings import check_association, split
from partkin.rules.identification.readings import GS

Row = dict[str, Any]


@pytest.fixture(scope="module")
def vectors(standards: Path) -> dict[str, list[Row]]:
    content = json.loads((standards / "gs1" / "ai-scan-dl-vectors.json").read_text("utf-8"))
    loaded: dict[str, list[Row]] = content["vectors"]
    return loaded


def _read_carets(text: str) -> list[tuple[str, str]]:
    """The elements of a text with ^ for FNC1, as a scan that begins with FNC1; one that does not is refused."""
    if not text.startswith("^"):
        raise ScanError("unreadable", "FNC1 is missing at the start.")
    elements, _ = split(text.replace("^", GS), 0)
    return [(element.key, element.value) for element in elements]


def _read_bracketed(text: str) -> list[tuple[str, str]]:
    """The elements of a bracketed text, once they have gone through an element string."""
    pairs = pairs_of(text)
    if _read_carets(caret_text(pairs)) != pairs:
        raise ValueError(f"a value of {text!r} would run into the next element")
    return pairs


def _assert_refused(read: Callable[[str], object], text: str, note: str) -> None:
    try:
        found = read(text)
    except (ScanError, ValueError):
        return
    raise AssertionError(f"{text!r} ({note}) must be refused, but was read as {found}")


def _read_link(uri: str) -> list[tuple[str, str]]:
    return [(element.key, element.value) for element in read_digital_link(uri, 0)]


def test_bracketed_rows_make_the_published_element_strings(vectors: dict[str, list[Row]]) -> None:
    rows = vectors["bracketed_to_fnc1"]
    assert len(rows) == 27
    for row in rows:
        text = row["bracketed"]
        if not row["ok"]:
            _assert_refused(_read_bracketed, text, row["note"])
            continue
        assert caret_text(_read_bracketed(text)) == row["element_string"], text


def test_element_strings_are_read_or_refused_as_published(vectors: dict[str, list[Row]]) -> None:
    rows = vectors["element_string_valid"]
    assert len(rows) == 79
    for row in rows:
        text = row["element_string"]
        if row["ok"]:
            assert "".join(ai + value for ai, value in _read_carets(text)) == text.replace("^", ""), row
        else:
            _assert_refused(_read_carets, text, row["note"])


ASSOCIATIONS_LEFT_OUT = {"(89)ABC(89)ABC(89)ABC": "needs that engine's permission of identifiers that do not exist"}


def test_elements_stand_together_or_not_as_published(vectors: dict[str, list[Row]]) -> None:
    rows = vectors["association_rules"]
    assert len(rows) == 77
    for row in rows:
        text = row["bracketed"]
        if text in ASSOCIATIONS_LEFT_OUT:
            continue
        scan = "]C1" + element_string(pairs_of(text))
        if row["ok"]:
            assert read_scan(scan).shown() == text
        else:
            _assert_refused(read_scan, scan, row["rule"])


SCANS_LEFT_OUT = {
    "ABC": "that engine demands a symbology identifier; here readers may be set to send none",
    "]Q1https://a/NOPRIMARYAI": "a web address without GS1 key is plain text, which a supplier's label rule may read",
}
"""Rows of scan_process that do not apply here, and why. In scan_generate NULL means that there is no scan."""


def _shown(data: str) -> str:
    """The data of a row as Reading.shown() has them."""
    linear, _, second = data.partition("|")
    if linear.isdigit() and len(linear) in (8, 13):
        return f"(01){linear.zfill(14)}" + (_bracketed(_read_carets(second)) if second else "")
    if data.startswith("^"):
        return _bracketed(_read_carets(data))
    if is_digital_link(data):
        return _bracketed(_read_link(data))
    # A backslash escapes a ^ that is no FNC1.
    return data[1:] if data.startswith(("\\^", "\\\\^")) else data


def _bracketed(pairs: list[tuple[str, str]]) -> str:
    return "".join(f"({ai}){value}" for ai, value in pairs)


def test_scans_are_told_apart_as_published(vectors: dict[str, list[Row]]) -> None:
    rows = vectors["scan_process"]
    assert len(rows) == 54
    for row in rows:
        scan = row["scan"]
        if scan in SCANS_LEFT_OUT:
            continue
        if row["ok"]:
            assert read_scan(scan).shown() == _shown(row["data"]), row
        else:
            _assert_refused(read_scan, scan, row["note"])


def test_generated_scans_are_read_back(vectors: dict[str, list[Row]]) -> None:
    rows = vectors["scan_generate"]
    assert len(rows) == 43
    plain = {"]Q1", "]d1", "]J0"}
    for row in rows:
        scan = row["scan"]
        if scan == "NULL":
            continue
        reading = read_scan(scan)
        assert (reading.form == "plain") == (scan[:3] in plain), row
        assert reading.symbology == scan[:3]
        if reading.form == "gs1" and row["data"].startswith("^"):
            joined = row["data"].rstrip("^").split("|")
            expected = [pair for part in joined for pair in _read_carets(part)]
            assert [(element.key, element.value) for element in reading.elements] == expected, row


CONVENIENCE_NAMES = "needs that engine's option for words such as gtin in place of identifiers"
SHORT_GTINS = "needs that engine's option for GTINs without their leading zeros"
UNKNOWN_IDENTIFIERS = "needs that engine's option for identifiers that do not exist"
LINKS_LEFT_OUT = {
    "https://a/gtin/12312312312333": CONVENIENCE_NAMES,
    "https://a/gtin/12312312312333/ser/ABC123": CONVENIENCE_NAMES,
    "https://a/sscc/006141411234567890": CONVENIENCE_NAMES,
    "https://a/01/2112345678900": SHORT_GTINS,
    "https://a/01/416000336108": SHORT_GTINS,
    "https://a/01/02345673": SHORT_GTINS,
    "https://a/8004/9520614141234567?01=2112345678900": SHORT_GTINS,
    "https://a/8004/9520614141234567?01=02345673": SHORT_GTINS,
    "https://brand.example.com/01/9520123456788": SHORT_GTINS,
    "https://brand.example.com/some-extra/pathinfo/01/9520123456788": SHORT_GTINS,
    "https://example.com/01/9520123456788?3103=000195&3922=0299&17=201225": SHORT_GTINS,
    "https://id.gs1.org/01/9520123456788?3103=000195&3922=0299&17=201225": SHORT_GTINS,
    "https://id.gs1.org/01/9520123456788?17=201225&3103=000195&3922=0299": SHORT_GTINS,
    "https://example.com/01/09520123456788?99=XYZ&89=ABC123": UNKNOWN_IDENTIFIERS,
}
"""Links that are read under an option only; here they must be refused, as the same rows without the option say."""


def test_digital_links_are_read_or_refused_as_published(vectors: dict[str, list[Row]]) -> None:
    rows = vectors["digital_link_parse"]
    assert len(rows) == 117
    unused = set(LINKS_LEFT_OUT)
    for row in rows:
        uri = row["uri"]
        if not row["ok"] or uri in LINKS_LEFT_OUT:
            unused.discard(uri)
            _assert_refused(_read_link, uri, row["note"])
            continue
        assert caret_text(_read_link(uri)) == row["element_string"], uri
        assert read_scan(f"]Q1{uri}").form == "digital link", uri
    assert not unused


def test_generated_digital_links_name_the_same_elements(vectors: dict[str, list[Row]]) -> None:
    rows = vectors["digital_link_generate"]
    assert len(rows) == 22
    for row in rows:
        if row["ok"] and "89=" not in row["uri"]:
            elements = {(element.key, element.value) for element in read_scan(row["uri"]).elements}
            assert elements == set(pairs_of(row["bracketed"])), row


def test_figures_of_the_general_specifications_are_read(standards: Path) -> None:
    rows = json.loads((standards / "gs1" / "genspecs-figure-examples.json").read_text("utf-8"))["rows"]
    assert len(rows) == 14
    for row in rows:
        expected = [tuple(pair) for pair in row["parsed"]]
        assert _read_carets(row["element_string"]) == expected, row["figure"]
        assert caret_text(pairs_of(row["bracketed"])) == row["element_string"], row["figure"]


INCOMPLETE_FIGURES = {
    "GS1 GenSpecs 21.0.1 Figure 2.6.6-1 top": "(8020) is on the form's other symbol",
    "GS1 GenSpecs 21.0.1 Figure 2.6.6-1 bottom": "(415) is on the form's other symbol",
    "GS1 GenSpecs 21.0.1 Figure 6.6.5-2": "(00) is on the logistic label's other symbol",
    "GS1 GenSpecs 21.0.1 Figure 6.6.5-4": "(00) is on the logistic label's other symbol",
    "GS1 GenSpecs 21.0.1 Figure 7.8.5.2-2": "(01) or (02) is missing from the example",
}
"""Figures with one symbol of several; a scan by itself must be complete, as it is what identifies an item."""


def test_a_symbol_that_needs_another_is_refused_by_itself(standards: Path) -> None:
    rows = json.loads((standards / "gs1" / "genspecs-figure-examples.json").read_text("utf-8"))["rows"]
    refused = set()
    for row in rows:
        elements = [Element(*pair) for pair in row["parsed"]]
        try:
            check_association(elements, list(range(1, len(elements) + 1)))
        except ScanError:
            refused.add(row["figure"])
    assert refused == set(INCOMPLETE_FIGURES)


def test_envelopes_are_read_or_refused_as_published(standards: Path) -> None:
    rows = json.loads((standards / "checkchars" / "iso15434-vectors.json").read_text("utf-8"))["rows"]
    assert len(rows) == 11
    for row in rows:
        raw = row["raw_json_escaped"]
        if isinstance(row["expect"], str):
            _assert_refused(read_scan, raw, row["name"])
            continue
        reading = read_scan(raw)
        assert [[element.key, element.value] for element in reading.elements] == row["expect"], row["name"]
        assert reading.form == ("gs1" if raw[4:6] == "05" else "mh10")
        assert read_scan("]d1" + raw).elements == reading.elements
