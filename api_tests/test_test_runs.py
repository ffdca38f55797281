"""Test runs: their verdicts, which of them counts, and when it no longer does."""

from __future__ import annotations

import pytest

from api_tests.plant import GOOD, Station, dryer, facts, motor, reasons, recorded, serial_of

EARTH, VISUAL = GOOD


@pytest.fixture(autouse=True)
def complete(station: Station) -> None:
    station.load_lots()
    station.complete("D1")


def test_a_run_passes_when_every_characteristic_is_there_and_good(station: Station) -> None:
    """Limits are included: 0.2 Ω meets a limit of 0.2 Ω (common practice)."""

    def verdict(*measurements: dict[str, object]) -> str:
        (tested,) = facts(recorded(station.test("D1", measurements)), "tested")
        return str(tested["verdict"])

    assert verdict({"characteristic": "EARTH", "value": 0.2}, VISUAL) == "pass"
    assert verdict({"characteristic": "EARTH", "value": 0.2000001}, VISUAL) == "fail"
    assert verdict(EARTH, {"characteristic": "VISUAL", "good": False}) == "fail"
    assert verdict(EARTH) == "incomplete"
    assert verdict({"characteristic": "EARTH", "value": 0.3}) == "fail"


def test_the_last_run_counts(station: Station) -> None:
    recorded(station.test("D1", [{"characteristic": "EARTH", "value": 0.3}, VISUAL]))
    recorded(station.test("D1"))
    recorded(station.test("D1", [EARTH], occurred_at=station.ago(3600), mode="tell"))
    assert reasons(station.marry("D1", "L-40", mode="ask")) == []


def test_an_incomplete_run_is_not_passed(station: Station) -> None:
    recorded(station.test("D1", [EARTH]))
    refused = station.marry("D1", "L-40")
    assert (reasons(refused), refused.json()["detail"]) == (
        ["test-failed"],
        "The last run of SAFETY on DRYER serial D1 ended with: incomplete.",
    )


def test_a_change_before_the_test_that_is_told_after_it_leaves_it_fresh(station: Station) -> None:
    recorded(station.test("D1"))
    recorded(station.remove("D1", motor("M-D1"), occurred_at=station.ago(7), mode="tell"))
    told = station.marry("D1", "RW", motor("M2"), occurred_at=station.ago(16), mode="tell")
    assert reasons(told) == []
    recorded(station.marry("D1", "L-40"))


def test_a_change_that_the_test_does_not_cover_leaves_it_fresh(station: Station) -> None:
    recorded(station.test("D1"))
    recorded(station.remove("D1", {"part": "HEATER", "serial": "H-D1-1"}))
    recorded(station.marry("D1", "RW", {"part": "HEATER", "serial": "H2"}))
    recorded(station.marry("D1", "L-40"))


def test_what_is_on_hold_may_be_tested(station: Station) -> None:
    recorded(station.hold(dryer("D1")))
    assert reasons(station.test("D1")) == []


def test_a_bought_component_may_be_tested(station: Station) -> None:
    answer = recorded(station.test("D1", unit=motor("M7"), scan_point="RW"))
    assert answer["unit"] == {"part": "MOTOR", "serial": "M7", "state": "usable"}
    lot = station.test("D1", unit={"part": "SCREW", "lot": "S1"}, scan_point="RW")
    assert reasons(lot) == ["wrong-part"]
    never_started = station.test("D1", unit=serial_of("PUMP", "P9"), scan_point="RW")
    assert reasons(never_started) == ["unknown-item"]


def test_results_have_the_form_that_their_plan_asks_for(station: Station) -> None:
    refused = station.test("D1", [{"characteristic": "EARTH", "good": True}, VISUAL, VISUAL])
    assert [(one["detail"], one["pointer"]) for one in refused.json()["reasons"]] == [
        ("EARTH of SAFETY is given as a value.", "/measurements/0"),
        ("VISUAL stands twice.", "/measurements/2"),
    ]
    both = station.test("D1", [{"characteristic": "EARTH", "value": 0.1, "good": True}])
    assert (both.status_code, both.json()["errors"]) == (
        422,
        [{"pointer": "/measurements/0", "detail": "give either a value or good."}],
    )
