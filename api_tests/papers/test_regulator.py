"""Facts for a regulator's form: the same in PDF and JSON, and what nobody recorded is left to fill in."""

from __future__ import annotations

import json
from dataclasses import replace

from api_tests.papers import readers
from api_tests.papers.invented import HEAD, MADE_AT, PLANT, model, units
from partkin.exports.papers.model import ConsigneeUnits, SerialRange
from partkin.exports.papers.regulator import regulator_facts, regulator_json
from partkin.exports.papers.sheet import MARGIN

MODELS = [model("FW-HD8", 3120, 2480, 590, 50), model("FW-HD9", 217, 200, 9, 3)]
CONSIGNEES = [units(12), ConsigneeUnits("SHOP-2", "Oakfold Appliances", units(3).units)]


def test_the_facts_are_json_and_add_up() -> None:
    told = regulator_json(PLANT, HEAD, MODELS, CONSIGNEES, MADE_AT)
    assert json.loads(json.dumps(told, allow_nan=False)) == told
    assert told["totals"] == {"made": 3337, "sold": 2680, "in_plant": 599, "scrapped": 53, "elsewhere": 5}
    assert [one["elsewhere"] for one in told["models"]] == [0, 5]
    first = told["models"][0]
    assert (first["first_made"], first["last_despatched"]) == ("2026-02-27", None)
    assert first["ranges"][0] == {"part": "FW-HD8", "first": "FW-HD8-0017K", "last": "FW-HD8-0120K", "units": 104}
    assert told["consignees"]["number"] == 2
    assert told["consignees"]["list"][0] == {
        "consignee": "SHOP-1",
        "name": "Harrow & Pell <Household>, Westmere",
        "units": 12,
        "certain": 10,
        "possible": 2,
        "first_despatched": "2026-03-12",
        "last_despatched": "2026-03-12",
    }
    assert told["case"]["frozen_at"] == "2026-09-30T16:00:00+00:00"
    assert told["made_at"] == "2026-10-03T23:30:00+00:00"


def test_the_paper_says_the_same() -> None:
    pdf = regulator_facts(PLANT, HEAD, MODELS, CONSIGNEES, MADE_AT)
    text = readers.text_of(pdf)
    for said in (
        # Source: 16 CFR 1115.13(d): description, marks, date codes and how to decipher them, dates of manufacture.
        "FW-HD8 3120 2480 590 50 0",
        "FW-HD9 217 200 9 3 5",
        "All models 3337 2680 599 53 5",
        "FW-HD8 2026-02-27 2026-03-09 2026-03-12 \N{EN DASH}",
        "09520123456788 On the back of FW-HD8, after SN.",
        "FW-HD9 FW-HD9-0017K FW-HD9-0120K 104",
        # Source: 21 CFR 7.46(a): number and identity of direct accounts, reason.
        "that were sent affected units: 2.",
        "SHOP-1 Harrow & Pell <Household>, Westmere 12 10 2",
        "SHOP-2 Oakfold Appliances 3 3 0",
        HEAD.hazard,
        HEAD.action,
        "9a" * 32,
        # Sources: CPSA 15(b); Regulation (EU) 2023/988, Article 20.
        "within 24 hours of obtaining reportable information",
        "without undue delay",
        "Ask counsel",
        "It is not the form",
        "Injuries and deaths",
        "retail price",
    ):
        assert said in text
    told = regulator_json(PLANT, HEAD, MODELS, CONSIGNEES, MADE_AT)
    assert all(one["asked"] in text for one in told["to_be_filled_in"])
    assert regulator_facts(PLANT, HEAD, MODELS, CONSIGNEES, MADE_AT) == pdf


def test_what_nobody_has_said_is_not_made_up() -> None:
    unsaid = replace(HEAD, hazard="", action=" ", frozen_at=None, seal=None, list_sha256=None, suspected=())
    told = regulator_json(PLANT, unsaid, [], [], MADE_AT)
    assert (told["case"]["hazard"], told["case"]["action"], told["case"]["frozen_at"]) == (None, None, None)
    text = readers.text_of(regulator_facts(PLANT, unsaid, [], [], MADE_AT))
    assert "Hazard not stated yet Action not stated yet Suspected \N{EN DASH}" in text
    assert "All models 0 0 0 0 0" in text


def test_thousands_of_ranges_and_consignees_keep_to_their_pages() -> None:
    ranges = [SerialRange("FW-HD8", f"DR{index:06d}0K", f"DR{index:06d}7K", 8) for index in range(1500)]
    models = [replace(MODELS[0], ranges=ranges, description="Dryer " * 90, how_to_read="After SN. " * 90)]
    shops = [ConsigneeUnits(f"SHOP-{index}", "Oakfold Appliances " * 8, units(2).units) for index in range(300)]
    shown = readers.pages(regulator_facts(PLANT, HEAD, models, shops, MADE_AT))
    text = "\n".join(page.text for page in shown)
    assert all(text.count(one.first) == text.count(one.last) == 1 for one in ranges)
    for number, page in enumerate(shown, 1):
        assert f"Page {number} of {len(shown)}" in page.text
        assert "Fennbridge Works" in page.text
        assert page.overlapping() == 0
        assert page.inside(MARGIN, 28)
