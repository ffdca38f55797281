"""What a label says: the data of its code, its lines, and why some cannot be made."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import pytest

from partkin.rules.facts import LabelKind, Symbol
from partkin.rules.labels import SYMBOLS, Label, LabelError, Labelled, compose

GS = "\x1d"

DRYER = Labelled("FW-HD8", "Heat-pump tumble dryer", "serial", "HD80000017", gtin="09520123456788", plain=True)
MODULE = Labelled("DRM-101", "Drum module", "serial", "DM10000042X", plain=True)
SWITCHES = Labelled(
    "SW-440",
    "Door switch",
    "lot",
    "ABC1",
    gtin="09520123456788",
    produced_on=date(2018, 3, 1),
    expires_on=date(2018, 4, 26),
    quantity=25,
)
FAN = Labelled("FN-480", "Process air fan", "serial", "42", cpid="9520FN#480/2")
# Source: GS1 General Specifications, figure 5.4.2-1.
PALLET = Labelled("PAL-8", "Pallet of 8 dryers", "serial", "395123451234567895", plain=True, sscc=True)


@pytest.mark.parametrize(
    ("labelled", "symbol", "data"),
    [
        # Source: GS1 General Specifications 7.8: a separator after (10), (21), (30) and (8010) unless they come last,
        # none after (00), (01), (11) and (17).
        (DRYER, "gs1-128", "0109520123456788" + "21HD80000017"),
        (replace(DRYER, of_lot="L7"), "gs1-datamatrix", "0109520123456788" + "21HD80000017" + GS + "10L7"),
        (replace(DRYER, of_lot="L7"), "gs1-128", "0109520123456788" + "21HD80000017"),
        (SWITCHES, "gs1-qr", "0109520123456788" + "11180301" + "17180426" + "10ABC1" + GS + "3025"),
        (SWITCHES, "gs1-128", "0109520123456788" + "17180426" + "10ABC1" + GS + "3025"),
        (FAN, "gs1-datamatrix", "80109520FN#480/2" + GS + "801142"),
        (PALLET, "gs1-128", "00395123451234567895"),
        (replace(PALLET, gtin="09520123456788"), "gs1-128", "00395123451234567895"),
        (DRYER, "code-128", "HD80000017"),
        (MODULE, "qr", "DM10000042X"),
    ],
)
def test_a_code_carries_what_names_the_item(labelled: Labelled, symbol: Symbol, data: str) -> None:
    assert compose(labelled, "carton", symbol).code.data == data


@pytest.mark.parametrize(
    ("labelled", "uri"),
    [
        # Source: GS1 Digital Link Standard: URI Syntax, its examples.
        (
            Labelled("M", "", "serial", "12345", gtin="09520123456788", of_lot="ABC1", expires_on=date(2018, 4, 26)),
            "https://id.gs1.org/01/09520123456788/10/ABC1/21/12345?17=180426",
        ),
        (
            Labelled("M", "", "serial", "abc123", gtin="12312312312326"),
            "https://id.gs1.org/01/12312312312326/21/abc123",
        ),
        # Reserved characters are written as % and two digits (RFC 3986 2.1).
        (FAN, "https://id.gs1.org/8010/9520FN%23480%2F2/8011/42"),
        (PALLET, "https://id.gs1.org/00/395123451234567895"),
    ],
)
def test_a_digital_link_is_written_as_the_standard_writes_it(labelled: Labelled, uri: str) -> None:
    assert compose(labelled, "component", "digital-link").code.data == uri


def test_a_digital_link_may_begin_with_the_plants_own_address() -> None:
    label = compose(DRYER, "unit", "digital-link", link_stem="https://example.com/dryers/")
    assert label.code.data == "https://example.com/dryers/01/09520123456788/21/HD80000017"


@pytest.mark.parametrize(
    ("labelled", "kind", "symbol"),
    [
        (DRYER, "unit", "gs1-datamatrix"),
        (replace(DRYER, gtin=None), "unit", "code-128"),
        (SWITCHES, "component", "gs1-datamatrix"),
        (MODULE, "component", "code-128"),
        (FAN, "component", "gs1-datamatrix"),
        (SWITCHES, "carton", "gs1-128"),
        (PALLET, "carton", "gs1-128"),
        (MODULE, "carton", "code-128"),
        (PALLET, "pallet", "gs1-128"),
        (MODULE, "pallet", "code-128"),
    ],
)
def test_each_kind_has_its_usual_symbol(labelled: Labelled, kind: LabelKind, symbol: Symbol) -> None:
    assert compose(labelled, kind).code.symbol == symbol


def test_a_rating_plate_shows_the_marking_lines_and_the_serial_number() -> None:
    label = compose(replace(DRYER, markings=("230 V ~ 50 Hz", "IP X4")), "unit")
    assert _texts(label) == [
        "Heat-pump tumble dryer",
        "Part FW-HD8",
        "Serial number HD80000017",
        "230 V ~ 50 Hz",
        "IP X4",
    ]
    assert label.code.texts == ("(01)09520123456788", "(21)HD80000017")


def test_other_labels_show_lot_quantity_and_dates() -> None:
    assert _texts(compose(replace(SWITCHES, markings=("IP X4",)), "carton")) == [
        "SW-440",
        "Door switch",
        "Lot ABC1",
        "Quantity 25",
        "Made on 2018-03-01, use by 2018-04-26",
    ]
    assert "Of lot L7" in _texts(compose(replace(MODULE, of_lot="L7"), "component"))
    assert "SSCC 395123451234567895" in _texts(compose(PALLET, "pallet"))


def _texts(label: Label) -> list[str]:
    return [line.text.replace("\N{NO-BREAK SPACE}", " ") for line in label.lines]


@pytest.mark.parametrize(
    ("labelled", "kind", "symbol", "words"),
    [
        (MODULE, "component", "gs1-128", "give the part a GTIN, or a label pattern"),
        (replace(FAN, kind="lot"), "component", None, "give the part a GTIN, or a label pattern"),
        (MODULE, "pallet", "gs1-qr", "Part DRM-101 has no GTIN"),
        (replace(MODULE, plain=False), "component", None, "No label pattern of part DRM-101 reads 'DM10000042X'"),
        (replace(MODULE, code="DM1\n"), "component", None, "not printable ASCII"),
        (replace(MODULE, code="DMÄ"), "component", "qr", "not printable ASCII"),
        (replace(DRYER, code="X" * 21), "unit", None, r"symbol\. \(21\) SERIAL has length 21 where 1 to 20 is allowed"),
        (replace(DRYER, code="HD 8"), "unit", "digital-link", r"\(21\) SERIAL has ' ' where"),
        (replace(DRYER, gtin="09520123456789"), "unit", None, r"\(01\) GTIN has check digit 9 where 8"),
        (replace(PALLET, code="395123451234567890"), "pallet", None, r"\(00\) SSCC has check digit 0 where 5"),
        (replace(PALLET, plain=False), "pallet", None, "give the part a label pattern that fits"),
        (replace(FAN, code="A42"), "component", None, r"\(8011\) CPID SERIAL has 'A' where a digit is needed"),
        (SWITCHES, "unit", None, "'ABC1' is a lot"),
        (replace(SWITCHES, quantity=0), "carton", None, "there are 0 pieces"),
    ],
)
def test_a_label_that_would_name_nothing_is_refused(
    labelled: Labelled, kind: LabelKind, symbol: Symbol | None, words: str
) -> None:
    with pytest.raises(LabelError, match=words):
        compose(labelled, kind, symbol)


def test_an_address_that_is_none_is_refused() -> None:
    with pytest.raises(LabelError, match="is no GS1 Digital Link"):
        compose(DRYER, "unit", "digital-link", link_stem="id.gs1.org")


@pytest.mark.parametrize("symbol", SYMBOLS)
def test_what_is_printed_under_a_code_is_what_it_holds(symbol: Symbol) -> None:
    code = compose(DRYER, "unit", symbol).code
    plain = symbol in ("code-128", "qr")
    assert "".join(code.texts) == ("HD80000017" if plain else "(01)09520123456788(21)HD80000017")
