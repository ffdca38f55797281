"""The letter to a consignee and its list: read back with a PDF library and with the csv module."""

from __future__ import annotations

import csv
import re
from collections import Counter
from dataclasses import replace
from io import StringIO

import pytest
from hypothesis import given
from hypothesis import strategies as st

from api_tests.papers import readers
from api_tests.papers.invented import HEAD, MADE_AT, PLANT, UNIT, model, units
from partkin.exports.papers.letters import letter, units_csv
from partkin.exports.papers.model import ConsigneeUnits, UnitLine
from partkin.exports.papers.sheet import MARGIN

PLAYED_DOWN = ("voluntar", "precaution", "discretion", "rare ", "rarely", "no reported", "unlikely", "low risk")
"""Source: Regulation (EU) 2023/988, Article 36(2)(c)."""


def test_3000_units_stand_once_each_on_counted_pages() -> None:
    sent = units(3000)
    shown = readers.pages(letter(PLANT, HEAD, sent, MADE_AT))
    listed = Counter(re.findall(r"DR26\d{7}K", "\n".join(page.text for page in shown)))
    assert listed == Counter(one.serial for one in sent.units)
    for number, page in enumerate(shown, 1):
        assert f"Page {number} of {len(shown)}" in page.text
        assert page.text.count("Fennbridge Works") >= 1
        assert "RC-2026-014" in page.text
        assert "DRAFT" not in page.text
        assert page.overlapping() == 0
        assert page.inside(MARGIN, 28)
        assert page.fonts_embedded


def test_it_says_what_the_published_models_ask() -> None:
    text = readers.text_of(letter(PLANT, HEAD, units(5), MADE_AT, [model("FW-HD8", 9, 9, 0, 0)]))
    # Sources: Regulation (EU) 2023/988, Article 36(2); 21 CFR 7.49(a) and (c).
    for said in (
        "Product safety recall",
        HEAD.hazard,
        HEAD.action,
        "Stop using, selling and distributing",
        "pass this letter on",
        "Where the serial number is FW-HD8 On the back of FW-HD8, after SN.",
        "Reply form",
        "Units on hand",
        "Units sold or passed on",
        "Units corrected or returned",
        "Signature",
        "Harrow & Pell <Household>, Westmere",
        "3 October 2026",
        "FB4 2XX Fennbridge",
        PLANT.contact,
        "competent authority, local law and its deadlines",
        "Only qualified persons",
        "mains voltage",
        "flammable refrigerant",
    ):
        assert said in text
    assert not [word for word in PLAYED_DOWN if word in text.lower()]


def test_possible_units_are_told_apart() -> None:
    text = readers.text_of(letter(PLANT, HEAD, units(10), MADE_AT))
    certain, possible = text.split("Units that contain a suspect part")[1].split(
        "Units that may contain a suspect part"
    )
    assert re.findall(r"DR26\d{7}K", possible) == ["DR260000004K", "DR260000009K"]
    assert len(re.findall(r"DR26\d{7}K", certain)) == 8
    assert "8 units that by the records contain a suspect part" in certain
    assert "2 units that may contain a suspect part" in possible
    only_certain = readers.text_of(letter(PLANT, HEAD, units(4), MADE_AT))
    assert "Units that may contain" not in only_certain


@pytest.mark.parametrize(
    ("hazard", "action", "said"),
    [
        ("", "Unplug it.", "not to be sent: hazard not stated"),
        ("Fire.", " \n", "not to be sent: action not stated"),
        ("", "", "not to be sent: hazard and action not stated"),
    ],
)
def test_without_hazard_or_action_every_page_is_marked_a_draft(hazard: str, action: str, said: str) -> None:
    shown = readers.pages(letter(PLANT, replace(HEAD, hazard=hazard, action=action), units(60), MADE_AT))
    assert len(shown) > 3
    assert all("DRAFT" in page.text and page.overlapping() == 0 for page in shown)
    assert said in " ".join(shown[0].text.split())


def test_very_long_names_overlap_nothing_and_lose_nothing() -> None:
    plant = replace(PLANT, name="Fennbridge Works " * 12, address=("Mill " * 60,), contact="x" * 300)
    head = replace(HEAD, case="RC-" * 30, title="Boards " * 80, hazard="fire" * 200, action="Do this. " * 1200)
    sent = [
        replace(
            UNIT, part="FW-" * (8 * length), description="Dryer " * (30 * length), serial=f"{length}" * (25 * length)
        )
        for length in range(1, 6)
    ]
    shown = readers.pages(letter(plant, head, ConsigneeUnits("SHOP-1", "Harrow " * 60, sent), MADE_AT))
    assert all(page.overlapping() == 0 and page.inside(MARGIN, 20) for page in shown)
    # Each serial number has a digit of its own; in its column nothing else is so high.
    text = "".join(page.text for page in shown)
    assert all(text.count(str(length)) >= 25 * length for length in range(1, 6))


def test_the_letter_is_the_same_bytes_again() -> None:
    assert letter(PLANT, HEAD, units(50), MADE_AT) == letter(PLANT, HEAD, units(50), MADE_AT)


def test_a_consignee_without_units_gets_a_letter() -> None:
    assert "we sent you 0 units" in readers.text_of(letter(PLANT, HEAD, units(0), MADE_AT))


# ------------------------------------------------------------------------------------------------------------
# CSV
# ------------------------------------------------------------------------------------------------------------

TEXTS = st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\0"), max_size=8)
CELLS = st.one_of(TEXTS, st.tuples(st.sampled_from("=+-@\t\r'"), TEXTS).map("".join))
LINES = st.builds(
    lambda part, words, serial, note: replace(UNIT, part=part, description=words, serial=serial, delivery_note=note),
    CELLS,
    CELLS,
    CELLS,
    CELLS,
)


def _read(text: str) -> list[dict[str, str]]:
    return list(csv.DictReader(StringIO(text, newline=""), strict=True))


@given(st.lists(LINES, max_size=4))
def test_no_cell_is_a_formula_and_every_cell_comes_back(lines: list[UnitLine]) -> None:
    rows = _read(units_csv(ConsigneeUnits("SHOP-1", "Harrow", lines)))
    for row, line in zip(rows, lines, strict=True):
        # Source: OWASP, CSV Injection (characters that begin a formula).
        assert not any(cell.startswith(("=", "+", "-", "@", "\t", "\r")) for cell in row.values())
        assert row["serial"].removeprefix("'") == line.serial
        assert row["part"].removeprefix("'") == line.part
        assert row["description"].removeprefix("'") == line.description
        assert row["delivery_note"].removeprefix("'") == line.delivery_note


def test_the_csv_has_the_rows_of_the_letter() -> None:
    text = units_csv(ConsigneeUnits("SHOP-1", "Harrow", [UNIT, replace(UNIT, serial="=1+1", despatched_on=None)]))
    # Source: RFC 4180, 2: lines end with CRLF.
    assert text == (
        "part,description,serial,certainty,made_on,shipment,delivery_note,despatched_on\r\n"
        "FW-HD8,Heat-pump tumble dryer 8 kg,DR260000000K,certain,2026-02-27,S-1,DN-4400,2026-03-12\r\n"
        "FW-HD8,Heat-pump tumble dryer 8 kg,'=1+1,certain,2026-02-27,S-1,DN-4400,\r\n"
    )
