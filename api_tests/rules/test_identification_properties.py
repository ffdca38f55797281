"""What holds for every scan: what is written is read back, and nothing but a reading or a ScanError comes out."""

from __future__ import annotations

from datetime import date, timedelta

import biip
from hypothesis import assume, example, given
from hypothesis import strategies as st

from api_tests.rules.gs1_text import element_string
from partkin.rules.catalogue import Part
from partkin.rules.check_characters import SCHEMES
from partkin.rules.identification import Labels, Named, ScanError, name_item, read_scan
from partkin.rules.identification.application_identifiers import APPLICATION_IDENTIFIERS, Component
from partkin.rules.identification.element_strings import split
from partkin.rules.identification.linters import CHARACTERS

DAYS = st.dates(date(2000, 1, 1), date(2049, 12, 31))

CONTENT: dict[str, st.SearchStrategy[str]] = {
    "yymmdd": DAYS.map(lambda day: f"{day:%y%m%d}"),
    "yymmd0": DAYS.map(lambda day: f"{day:%y%m}00"),
    "yyyymmdd": DAYS.map(lambda day: f"{day:%Y%m%d}"),
    "hhmi": st.integers(0, 1439).map(lambda minute: f"{minute // 60:02}{minute % 60:02}"),
    "hh": st.integers(0, 23).map("{:02}".format),
    "mi": st.integers(0, 59).map("{:02}".format),
    "ss": st.integers(0, 59).map("{:02}".format),
    "pieceoftotal": st.integers(1, 99).flatmap(
        lambda total: st.integers(1, total).map(lambda piece: f"{piece:02}{total:02}")
    ),
    "csumalpha": st.text(CHARACTERS["X"], max_size=19).map(
        lambda rest: f"9520A{rest[:18]}" + SCHEMES["gs1-check-pair"].compute(f"9520A{rest[:18]}")
    ),
    "iban": st.just("BE71096123456769"),
    "posinseqslash": st.sampled_from(["1/1", "1/2", "2/2", "3/9"]),
    "latitude": st.integers(0, 1_800_000_000).map("{:010}".format),
    "longitude": st.integers(0, 3_600_000_000).map("{:010}".format),
    "mediatype": st.sampled_from(["01", "10", "80", "99"]),
    "pcenc": st.sampled_from(["A", "A%20B", "%2f"]),
    "importeridx": st.sampled_from("09AZaz-_"),
    "iso5218": st.sampled_from("0129"),
    "winding": st.sampled_from("019"),
    "yesno": st.sampled_from("01"),
    "zero": st.just("0"),
    "hyphen": st.just("-"),
}
"""Values that a linter takes; the linters not named here are met by the digits below."""


def _values(component: Component) -> st.SearchStrategy[str]:
    for linter in component.linters:
        if linter in CONTENT:
            return CONTENT[linter]
    if "csum" in component.linters:
        body = st.text("123456789", min_size=component.most - 1, max_size=component.most - 1)
        return body.map(lambda digits: digits + SCHEMES["gs1-mod-10"].compute(digits))
    if component.linters:
        least = min(5, component.most)
        return st.text("123456789", min_size=max(least, component.least), max_size=component.most)
    return st.text(CHARACTERS[component.kind].replace("=", ""), min_size=component.least, max_size=component.most)


@st.composite
def _element(draw: st.DrawFn, ai: str) -> tuple[str, str]:
    value = ""
    for component in APPLICATION_IDENTIFIERS[ai].components:
        if component.optional and draw(st.booleans()):
            break
        value += draw(_values(component))
    return ai, value


ELEMENTS = st.lists(st.sampled_from(sorted(APPLICATION_IDENTIFIERS)), min_size=1, max_size=6, unique=True).flatmap(
    lambda ais: st.tuples(*(_element(ai) for ai in ais))
)


@given(ELEMENTS)
def test_every_element_string_is_read_back(elements: tuple[tuple[str, str], ...]) -> None:
    text = element_string(list(elements))
    found, places = split(text, 3)
    assert [(element.key, element.value) for element in found] == list(elements)
    for element, place in zip(found, places, strict=True):
        assert f"]C1{text}".startswith(element.key + element.value, place - 1)


@given(ELEMENTS)
def test_biip_reads_the_same_elements(elements: tuple[tuple[str, str], ...]) -> None:
    # biip 5.2 takes the second date of a harvest period (7007) for a time.
    assume(all(ai != "7007" for ai, _ in elements))
    text = element_string(list(elements))
    message = biip.parse(f"]C1{text}").gs1_message
    assert message is not None
    assert [(one.ai.ai, one.value) for one in message.element_strings] == list(elements)


ITEM = st.fixed_dictionaries(
    {"10": _element("10"), "21": _element("21"), "17": _element("17"), "240": _element("240")}
).map(lambda found: [("01", "09520123456788"), *found.values()])


@given(ITEM, st.permutations(range(5)), st.sampled_from(["]C1", "]d2", "]Q3", "]e0", "\x1d"]))
def test_the_order_of_elements_does_not_matter(item: list[tuple[str, str]], order: list[int], start: str) -> None:
    labels = Labels([Part("M", "motor", "serial", made=False, sold=False, gtin="09520123456788")])
    (named,) = name_item(
        read_scan(start + element_string([item[place] for place in order])), labels, today=date(2026, 3, 2)
    )
    values = dict(item)
    assert (named.part, named.serial, named.lot) == ("M", values["21"], values["10"])
    assert named.expires_on is not None
    assert (named.expires_on + timedelta(1)).day == 1


LABELS = Labels(
    [
        Part("M", "motor", "serial", made=False, sold=False, gtin="09520123456788", cpid="9520A"),
        Part("B", "board", "serial", made=False, sold=False, supplier="S", supplier_part="1", label_pattern=".*"),
        Part(
            "C",
            "cover",
            "serial",
            made=False,
            sold=False,
            label_pattern="(?P<lot>.)(?P<date>.{4,8})(?P<serial>.*(?P<check>.))",
            label_check="iso7064-mod-37-2",
        ),
    ]
)
GTIN_ONLY = Labels([Part("M", "motor", "serial", made=False, sold=False, gtin="09520123456788")])

WORDS = st.sampled_from(
    "]C1 ]d2 ]E0 ]E4 ]I1 ]Q1 ]e0 |]e0 [)> 05 06 01 21 10 17 09520123456788 9520123456788 8006 8003 8004 8010 8030 "
    "000229 https://id.gs1.org / ? & = % %2F 1P P S Q 10D 16D 6D 14D 0 00000000 A ² ٣ \x1e \x1d \x04 \r\n".split(" ")
)


def _outcome(raw: str | bytes, labels: Labels, today: date) -> tuple[Named, ...] | ScanError:
    try:
        return name_item(read_scan(raw), labels, today=today)
    except ScanError as error:
        return error


def _check_total(raw: str | bytes, today: date) -> None:
    for labels in (LABELS, GTIN_ONLY, Labels([])):
        outcome = _outcome(raw, labels, today)
        if isinstance(outcome, ScanError):
            assert outcome.reason in ("unreadable", "check-character-wrong", "unknown-part")
            assert outcome.place is None or 1 <= outcome.place <= len(raw)
        else:
            assert outcome


@given(st.one_of(st.binary(max_size=60), st.text(max_size=60)), st.dates())
def test_any_scan_is_read_or_refused(raw: str | bytes, today: date) -> None:
    _check_total(raw, today)


@given(st.lists(WORDS, max_size=12).map("".join), st.dates())
@example("]C1010952012345678817000229", date(2060, 1, 1))
@example("[)>\x1e06\x1d1P1\x1d16D00000101\x1e\x04", date(2026, 1, 1))
@example("[)>\x1e06\x1d1P1\x1d11D999953\x1e\x04", date(2026, 1, 1))
@example("[)>\x1e06\x1d1P1\x1dQ" + "9" * 5000 + "\x1e\x04", date(2026, 1, 1))
@example("]C10109520123456788" + "30" + "9" * 5000, date(2026, 1, 1))
def test_any_scan_made_of_what_labels_hold_is_read_or_refused(raw: str, today: date) -> None:
    _check_total(raw, today)


@given(ITEM, st.integers(0, 60), st.sampled_from("\x1d\x1e0A~"))
def test_a_scan_with_a_wrong_character_is_read_or_refused_at_a_place(
    item: list[tuple[str, str]], place: int, wrong: str
) -> None:
    scan = "]C1" + element_string(item)
    assume(place < len(scan))
    _check_total(scan[:place] + wrong + scan[place + 1 :], date(2026, 3, 2))
