"""From scans to the parts that they name.

Sources: the numbers are those of the GS1 Digital Link examples (company prefix 952 is GS1's for examples), of
GS1 General Specifications figures, and of the row "component label" in iso15434-vectors.json.
"""

from __future__ import annotations

import json
import re
from datetime import date
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from partkin.rules.catalogue import Part
from partkin.rules.check_characters import SCHEMES
from partkin.rules.identification import Labels, Named, ScanError, name_item, read_scan
from partkin.rules.identification.dates import full_year

TODAY = date(2026, 3, 2)
GS, RS, EOT = "\x1d", "\x1e", "\x04"
MOD_37_2 = SCHEMES["iso7064-mod-37-2"]


def _part(number: str, **label: str) -> Part:
    return Part(number, number, "serial", made=False, sold=False, **label)  # type: ignore[arg-type]


MOTOR = _part("7012-334", supplier="100234", supplier_part="ZX9-22A", gtin="09520123456788")
PUMP = _part("7012-335", supplier="100235", supplier_part="ZX9-22A", cpid="9520-PUMP/2")
CABLE = _part("7012-336", supplier="100234", supplier_part="UN043210567CX1", gtin="00000002345673")
BOARD = _part("PCB-1", label_pattern="B1-(?P<serial>[0-9]{4}-?(?P<check>[0-9A-Z*]))", label_check="iso7064-mod-37-2")
VALVE = _part("VALVE", label_pattern=r"(?P<date>[0-9]{4,8})\.(?P<lot>L[0-9]+)(/(?P<serial>[0-9]+))?")
ASSET = _part("ASSET", label_pattern="9520(?P<serial>[A-Z]+[0-9]+)")
LABELS = Labels([MOTOR, PUMP, CABLE, BOARD, VALVE, ASSET])


def _named(scan: str | bytes, labels: Labels = LABELS, today: date = TODAY) -> tuple[Named, ...]:
    return name_item(read_scan(scan), labels, today=today)


def _envelope(*fields: str, form: str = "06") -> str:
    return "[)>" + RS + form + GS + GS.join(fields) + RS + EOT


def _error(scan: str, labels: Labels = LABELS) -> ScanError:
    with pytest.raises(ScanError) as caught:
        _named(scan, labels)
    return caught.value


# ------------------------------------------------------------------------------------------------------------
# GS1
# ------------------------------------------------------------------------------------------------------------

ELEMENTS = f"010952012345678810ABC1{GS}2112345{GS}17180426"


@pytest.mark.parametrize(
    "scan",
    [
        *(identifier + ELEMENTS for identifier in ("]C1", "]e0", "]d2", "]Q3", "]J1", "]z1", GS, "]C1" + GS)),
        ELEMENTS,
        ELEMENTS + GS + "\r\n",
        ("]d5" + ELEMENTS).encode(),
        "https://id.gs1.org/01/09520123456788/10/ABC1/21/12345?17=180426",
        "]Q1https://example.com/stem/01/09520123456788/10/ABC1/21/12345?17=180426&linkType=all",
        "]d1" + _envelope("0109520123456788", "10ABC1", "2112345", "17180426", form="05"),
    ],
)
def test_gs1_data_name_the_same_item_in_every_carrier(scan: str | bytes) -> None:
    assert _named(scan) == (Named("7012-334", "12345", "ABC1", expires_on=date(2018, 4, 26)),)


@pytest.mark.parametrize(
    ("scan", "named"),
    [
        ("]C1030952012345678821A7", Named("7012-334", "A7")),
        ("]C1020952012345678810L13725" + GS + "00952012345678912345", Named("7012-334", lot="L1", quantity=25)),
        ("]C10109520123456788304", Named("7012-334", quantity=4)),
        ("]C18006095201234567880102" + GS + "21A7", Named("7012-334", "A7 01/02")),
        ("]C18006095201234567880202" + GS + "21A7", Named("7012-334", "A7 02/02")),
        ("]C18006095201234567880101" + GS + "21A7", Named("7012-334", "A7")),
        ("]C180109520-PUMP/2" + GS + "801142", Named("7012-335", "42")),
        ("]C10109520123456788" + "8008" + "260301143000", Named("7012-334", produced_on=date(2026, 3, 1))),
        ("]C10109520123456788" + "7003" + "2608311200", Named("7012-334", expires_on=date(2026, 8, 31))),
        ("]E09520123456788", Named("7012-334")),
        ("]E3952012345678812", Named("7012-334")),
        ("]E402345673", Named("7012-336")),
        ("]I109520123456788", Named("7012-334")),
        ("9520123456788", Named("7012-334")),
        ("02345673", Named("7012-336")),
        ("0109520123456788", Named("7012-334")),
        ("]E09520123456788|]e021A7", Named("7012-334", "A7")),
        ("]C18004" + "9520MX12", Named("ASSET", "MX12")),
        ("https://id.gs1.org/8004/9520MX12", Named("ASSET", "MX12")),
    ],
)
def test_elements_become_what_they_mean(scan: str, named: Named) -> None:
    scan = scan.replace("L13725", "L1" + GS + "3725")
    assert _named(scan) == (named,)


@pytest.mark.parametrize(
    ("today", "two_digits", "year"),
    # Source: GenSpecs 7.12.
    [(2026, 77, 1977), (2026, 76, 2076), (2026, 26, 2026), (1999, 49, 2049), (1999, 50, 1950), (2070, 20, 2120)],
)
def test_a_year_of_two_digits_is_the_nearest(today: int, two_digits: int, year: int) -> None:
    assert full_year(two_digits, today) == year


def test_day_00_is_the_last_for_an_expiry_and_the_first_for_a_production() -> None:
    (named,) = _named("]C1010952012345678811260200" + "17280200")
    assert (named.produced_on, named.expires_on) == (date(2026, 2, 1), date(2028, 2, 29))


def test_a_day_that_the_century_does_not_have_is_refused() -> None:
    with pytest.raises(ScanError, match="does not exist"):
        _named("]C1010952012345678817000229", today=date(2060, 1, 1))


# ------------------------------------------------------------------------------------------------------------
# Data identifiers
# ------------------------------------------------------------------------------------------------------------


def test_a_suppliers_component_label_is_named(standards: Path) -> None:
    rows = json.loads((standards / "checkchars" / "iso15434-vectors.json").read_text("utf-8"))["rows"]
    (row,) = [row for row in rows if row["name"] == "component label"]
    named = Named("7012-334", "000123", "2409A", date(2024, 9, 30), None, 500, "100234")
    assert _named(row["raw_json_escaped"]) == (named,)


@pytest.mark.parametrize(
    ("fields", "named"),
    [
        (("1PZX9-22A", "V100235", "S1"), [Named("7012-335", "1", supplier="100235")]),
        (("1PZX9-22A", "S1"), [Named("7012-334", "1"), Named("7012-335", "1")]),
        (("P7012-335", "1PZX9-22A", "S1"), [Named("7012-335", "1")]),
        (("25PUN043210567CX1", "25SUN0432105671001", "25TUN0432105672409"),
         [Named("7012-336", "UN0432105671001", "UN0432105672409")]),
        (("18VUN043210567", "25PUN043210567ZX9-22A", "S1"), [Named("7012-334", "1"), Named("7012-335", "1")]),
        (("P7012-334", "10D2439", "7Q50PC"), [Named("7012-334", produced_on=date(2024, 9, 23), quantity=50)]),
        (("P7012-334", "11D202453"), None),
        (("P7012-334", "6D20240930094", "7Q2KG"), [Named("7012-334", produced_on=date(2024, 9, 30))]),
        (("P7012-334", "6D20270930036", "Q2.5"), [Named("7012-334", expires_on=date(2027, 9, 30))]),
        (("P7012-334", "14D20270930", "T7", "1T8"), [Named("7012-334", lot="8", expires_on=date(2027, 9, 30))]),
        (("S9520MX12", "Q1"), [Named("ASSET", "MX12")]),
    ],
)  # fmt: skip
def test_data_identifiers_become_what_they_mean(fields: tuple[str, ...], named: list[Named] | None) -> None:
    scan = _envelope(*fields)
    if named is None:
        assert _error(scan).reason == "unreadable"
    else:
        assert list(_named(scan)) == named


# ------------------------------------------------------------------------------------------------------------
# Plain labels
# ------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("identifier", ["", "]C0", "]d1", "]Q1", "]A0", "]X0"])
def test_plain_labels_are_read_by_their_pattern(identifier: str) -> None:
    check = MOD_37_2.compute("B10042")
    assert _named(f"{identifier}B1-0042{check}") == (Named("PCB-1", f"0042{check}"),)
    assert _named(f"{identifier}B1-0042-{check}") == (Named("PCB-1", f"0042-{check}"),)
    assert _named(f"{identifier}260302.L7/12") == (Named("VALVE", "12", "L7", date(2026, 3, 2)),)


@pytest.mark.parametrize(
    ("written", "day"),
    [("20260302", date(2026, 3, 2)), ("260302", date(2026, 3, 2)), ("26061", date(2026, 3, 2)),
     ("2610", date(2026, 3, 2)), ("24366", date(2024, 12, 31))],
)  # fmt: skip
def test_the_date_of_a_plain_label_is_told_by_its_length(written: str, day: date) -> None:
    assert _named(f"{written}.L7")[0].produced_on == day


def test_labels_that_look_alike_name_every_part() -> None:
    alike = Labels(
        [
            _part("A", label_pattern="(?P<serial>[0-9]{4})"),
            _part("B", label_pattern="(?P<serial>[0-9]{3}(?P<check>[0-9]))", label_check="luhn"),
            _part("C", label_pattern="(?P<lot>[0-9]+)"),
        ]
    )
    assert [named.part for named in _named("0018", alike)] == ["A", "B", "C"]
    assert [named.part for named in _named("0017", alike)] == ["A", "C"]


@pytest.mark.parametrize("identifier", ["]C0", "]d1", "]Q1", "]J0", "]I0"])
@pytest.mark.parametrize("text", ["0109520123456788", ELEMENTS[:16] + "21A7", "9520123456788"])
def test_text_of_a_plain_symbol_is_never_read_as_gs1_data(identifier: str, text: str) -> None:
    assert read_scan(identifier + text).form == "plain"
    assert _error(identifier + text).reason == "unknown-part"


def test_a_part_number_by_itself_names_the_part() -> None:
    assert _named("7012-334") == (Named("7012-334"),)


def test_bad_label_rules_are_refused_when_the_labels_are_built() -> None:
    with pytest.raises(ValueError, match="label_pattern of part X is no regular expression"):
        Labels([_part("X", label_pattern="(?P<serial>[0-9]")])
    with pytest.raises(ValueError, match="label_check of part X"):
        Labels([_part("X", label_pattern="(?P<serial>[0-9]+)", label_check="luhn")])
    with pytest.raises(ValueError, match="label_check of part X"):
        Labels([_part("X", label_pattern="(?P<serial>[0-9]+)(?P<check>.)", label_check="none such")])


PATTERNS = [
    "^AB(?P<serial>1)$",
    "^(?P<serial>A.*)$",
    "AB(?P<serial>[0-9]+)",
    "(?P<serial>AB[0-9]+)",
    "(?P<serial>AB)?C(?P<lot>[0-9]*)",
    "A?B(?P<serial>.*)",
    "AB*(?P<serial>C+)",
    "AB+C{0,2}(?P<serial>[0-9]?)",
    "A|AB(?P<serial>[0-9]+)|C",
    r"A\.B(?P<serial>.*)",
    "(?i)ab(?P<serial>c+)",
    "(?:A|B)C(?P<serial>.*)",
    "(?P<serial>(?:A)*B)",
    "[AB]C(?P<serial>.*)",
    ".*(?P<serial>C)",
    "",
]


@given(st.text("ABCab.1", max_size=6))
def test_looking_rules_up_by_their_first_characters_misses_none(text: str) -> None:
    labels = Labels([_part(str(number), label_pattern=pattern) for number, pattern in enumerate(PATTERNS)])
    expected = {str(number) for number, pattern in enumerate(PATTERNS) if re.fullmatch(pattern, text)}
    assert {rule.part for rule, _ in labels.fitting(text)} == expected
    assert len(labels.fitting(text)) == len(expected)


# ------------------------------------------------------------------------------------------------------------
# Refusals
# ------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("scan", "reason", "place", "words"),
    [
        ("", "unreadable", None, "empty"),
        ("]C1", "unreadable", None, "no GS1 element"),
        ("]?1ABC", "unreadable", 1, "not with a symbology identifier"),
        ("]C10109520123456789", "check-character-wrong", 19, "(01) GTIN has check digit 9 where 8 is expected."),
        ("]C101095201234567X8", "unreadable", 18, "(01) GTIN has 'X' where a digit is needed."),
        ("]C1010952012345678821A~7", "unreadable", 23, "(21) SERIAL has '~' where"),
        ("]C101095201234567881126023010L1", "unreadable", 26, "(11) PROD DATE has day 30 in month 02."),
        ("]C1010952012345678881A7", "unreadable", 20, "'81A7' is no GS1 application identifier"),
        ("]C1010952012345678821", "unreadable", 21, "(21) SERIAL is empty."),
        ("https://id.gs1.org/01/09520123456788/10/", "unreadable", 38, "(10) BATCH/LOT is empty."),
        ("https://id.gs1.org/01/09520123456788?17=", "unreadable", 38, "(17) USE BY or EXPIRY is empty."),
        ("]C121A7", "unreadable", 4, "(21) SERIAL needs (01), or (03), or (8006) on the same label."),
        ("]C10109520123456788375", "unreadable", 4, "(01) GTIN must not stand together with (37) COUNT."),
        (f"]C1010952012345678821A{GS}21B", "unreadable", 24, "(21) SERIAL stands there twice, with A and B."),
        ("]C10109520123456795", "unknown-part", None, "No part of the catalogue has the number of the label (01)"),
        ("]C100952012345678912345", "unknown-part", None, "nothing that tells a part"),
        ("]E09520123456789", "check-character-wrong", 16, "EAN-13 has check digit 9 where 8 is expected."),
        ("]E0952012345678", "unreadable", None, "EAN-13 has length 12 where 13 is needed."),
        ("]I109520123456789", "check-character-wrong", 17, "ITF-14 has check digit 9 where 8 is expected."),
        ("https://id.gs1.org/01/09520123456789", "check-character-wrong", 36, "(01) GTIN has check digit 9"),
        ("https://id.gs1.org/01/09520123456788/21/A%7E", "unreadable", 42, "(21) SERIAL has '~'"),
        ("https://id.gs1.org/01/09520123456788/21/A%2F%7E", "unreadable", 45, "(21) SERIAL has '~'"),
        ("https://id.gs1.org/01/09520123456788/21/A?10=B", "unreadable", 43, "(10) must not stand in the query"),
        ("https://id.gs1.org/01/09520123456788/21/A/10/B", "unreadable", 20, "is followed by (21), (10) where (22),"),
        ("[)>06" + GS + "P1" + RS + EOT, "unreadable", 4, "Here the separator RS is missing"),
        ("[)>" + RS + "06P1" + RS + EOT, "unreadable", 7, "Here the separator GS is missing"),
        ("[)>" + RS + "06" + GS + "P1", "unreadable", 9, "the scan was cut short"),
        ("[)>" + RS + "12" + GS + "P1" + RS + EOT, "unreadable", 5, "format '12'"),
        (_envelope("P1", "", "S1"), "unreadable", 11, "A field of the label is empty."),
        (_envelope("P1", "S"), "unreadable", 11, "The field (S) is empty."),
        (_envelope("P1", "-S1"), "unreadable", 11, "The field '-S1' begins with no data identifier."),
        (_envelope("P1", "Q5O"), "unreadable", 12, "(Q) has 5O where a quantity is needed."),
        (_envelope("P1", "16D20240931"), "unreadable", 20, "(16D) has day 31 in month 09."),
        (_envelope("P1", "10D2454"), "unreadable", 14, "(10D) has 2454 where a week from 01 to 53"),
        (_envelope("P1") + "[)>", "unreadable", 14, "the scan was cut short"),
        (_envelope("P1" + RS + "06" + GS + "P2"), "unreadable", 10, "more than one format"),
        (_envelope("P7012-334", "1TA", "1TB"), "unreadable", None, "(1T)A and (1T)B"),
        (_envelope("P7012-334", "Q0"), "unreadable", None, "0 pieces"),
        (_envelope("P7012-334", "S" + "9" * 65), "unreadable", None, "is not 1 to 64 characters"),
        (_envelope("P7012-334", "1PUN043210567CX1"), "unknown-part", None, "of different parts"),
        (_envelope("1PZX9-22A", "V100236"), "unknown-part", None, "a part number of the label (1P)ZX9-22A(V)100236"),
        ("B1-0042?", "unknown-part", None, "No label rule of the catalogue fits 'B1-0042?'."),
        ("B1-00420", "check-character-wrong", 8, "The label of PCB-1 has check character 0 where"),
        ("]C0B1-00420", "check-character-wrong", 11, "The label of PCB-1 has check character 0 where"),
        ("260231.L7", "unreadable", 1, "260231 is no date on a label of VALVE"),
        ("26366.L7", "unreadable", 1, "26366 is no date on a label of VALVE"),
        ("2603021.L7", "unreadable", 1, "none of YYYY-MM-DD, YYYYMMDD, YYMMDD, YYDDD and YYWW"),
        (_envelope("P1", "S1\x1f"), "unreadable", 13, "the control character with code 1F"),
        ("B1\x1f", "unreadable", 3, "the control character with code 1F"),
        ("]C0B1" + GS, "unreadable", 6, "the separator GS"),
        ("Bü", "unreadable", 2, "only printable ASCII"),
    ],
)
def test_a_refusal_says_what_is_wrong_and_where(scan: str, reason: str, place: int | None, words: str) -> None:
    error = _error(scan)
    assert (error.reason, error.place) == (reason, place), error.detail
    assert words in error.detail
    assert str(place or "") in error.detail
    assert error.detail.endswith(".")
    assert error.detail[0].isupper() or error.detail[0] == "("


def test_without_a_single_separator_an_unmarked_element_string_is_not_guessed() -> None:
    # A reader that drops GS sends serial number and lot as one: nobody can tell where the serial number ends.
    error = _error("010952012345678821A710L1")
    assert error.reason == "unreadable"
    assert "set the reader to send symbology identifiers" in error.detail
    assert _named(f"010952012345678821A7{GS}10L1") == (Named("7012-334", "A7", "L1"),)
    assert _error("010952012345679521A7").reason == "unknown-part"


def test_the_check_characters_of_a_label_cover_only_their_alphabet() -> None:
    labels = Labels([_part("A", label_pattern="a(?P<serial>[0-9]+)(?P<check>[0-9])", label_check="luhn")])
    error = _error("]C0a18", labels)
    assert (error.reason, error.place) == ("unreadable", 4)
    labels = Labels([_part("A", label_pattern="(?P<serial>[0-9]+)(-(?P<check>[0-9]))?", label_check="luhn")])
    assert _named("7894-9", labels) == (Named("A", "7894"),)
    assert (_error("7894", labels).reason, _error("7894", labels).place) == ("check-character-wrong", 4)
    labels = Labels([_part("V", label_pattern="(?P<serial>.{8}(?P<check>.).*)", label_check="vin")])
    assert _named("1M8GDM9AXKP042788", labels) == (Named("V", "1M8GDM9AXKP042788"),)
    assert _error("1M8GDM9A1KP042788", labels).place == 9
    assert "takes 16 characters" in _error("1M8GDM9AXKP04278", labels).detail
