"""Removals: which marriage ends, and what becomes of the component."""

from __future__ import annotations

import pytest

from api_tests.plant import Station, facts, heater, lot_of, married, motor, reasons, recorded, serial_of


@pytest.fixture(autouse=True)
def two_dryers(station: Station) -> None:
    for serial in ("D1", "D2"):
        recorded(station.start(serial))
    recorded(station.marry("D1", "L-10", motor("M1"), heater("H1"), heater("H2")))


def test_what_returns_to_stock_can_go_into_another_unit(station: Station) -> None:
    (ended,) = facts(recorded(station.remove("D1", motor("M1"))), "marriage ended")
    assert ended["to_stock"]
    assert married(station.marry("D2", "L-10", motor("M1"))) == [("M1", "MOTOR", 1, 1)]


@pytest.mark.parametrize(("destination", "state"), [("scrap", "scrapped"), ("supplier", "returned")])
def test_what_is_scrapped_or_sent_back_is_used_no_more(station: Station, destination: str, state: str) -> None:
    recorded(station.remove("D1", motor("M1"), destination=destination))
    refused = station.marry("D2", "L-10", motor("M1"))
    assert (reasons(refused), refused.json()["detail"]) == (["not-usable"], f"MOTOR serial M1 was {state}.")


def test_a_position_is_emptied_of_the_one_thing_in_it(station: Station) -> None:
    (removed,) = facts(recorded(station.remove("D1", position="MOTOR")), "removed")
    assert removed["child"] == motor("M1")
    empty = station.remove("D1", position="MOTOR")
    assert reasons(empty) == ["not-installed"]
    assert "nothing known is at MOTOR" in empty.json()["detail"]


def test_of_several_in_a_position_the_slot_says_which(station: Station) -> None:
    either = station.remove("D1", position="HEATERS")
    assert reasons(either) == ["not-installed"]
    assert either.json()["detail"].endswith("name the slot or the component.")
    (removed,) = facts(recorded(station.remove("D1", position="HEATERS", slot=2)), "removed")
    assert removed["child"] == heater("H2")


def test_a_removal_told_late_ends_the_marriage_when_it_was(station: Station) -> None:
    recorded(station.remove("D1", motor("M1")))
    told = station.remove("D1", motor("M1"), occurred_at=station.ago(5), mode="tell")
    assert reasons(told) == ["already-removed"]
    (ended,) = facts(told.json(), "marriage ended")
    assert ended["ended"] == facts(told.json(), "removed")[0]["at"]


def test_a_removal_ends_a_disputed_marriage_too(station: Station) -> None:
    recorded(station.marry("D2", "L-10", motor("M1"), mode="tell"))
    recorded(station.remove("D2", motor("M1")))
    assert reasons(station.marry("D2", "RW", motor("M1"))) == ["already-installed"]
    recorded(station.remove("D1", motor("M1")))
    assert married(station.marry("D2", "RW", motor("M1"))) == [("M1", "MOTOR", 1, 1)]


@pytest.mark.parametrize(("destination", "left"), [("stock", []), ("scrap", ["lot-exhausted"])])
def test_pieces_of_a_counted_lot_are_used_again_only_from_stock(
    station: Station, destination: str, left: list[str]
) -> None:
    recorded(station.receive("CARTON", lot="C1", quantity=1))
    recorded(station.marry("D1", "RW", lot_of("CARTON", "C1")))
    recorded(station.remove("D1", lot_of("CARTON", "C1"), destination=destination))
    assert reasons(station.marry("D2", "RW", lot_of("CARTON", "C1"))) == left


def test_a_change_inside_a_subassembly_makes_the_test_of_its_unit_stale(station: Station) -> None:
    pump = station.pump()
    recorded(station.marry("D1", "RW", pump))
    recorded(station.test("D1", scan_point="RW"))
    rotor = serial_of("ROTOR", f"R-{pump['serial']}")
    answer = recorded(station.post("removals", scan_point="RW", unit=pump, component=rotor, reason="noisy"))
    assert [(fact["item"]["part"], fact["plan"]) for fact in facts(answer, "made stale")] == [
        ("PUMP", "SAFETY"),
        ("DRYER", "SAFETY"),
    ]


def test_something_must_come_out(station: Station) -> None:
    refused = station.remove("D1")
    assert refused.status_code == 422
    assert refused.json()["errors"] == [
        {"pointer": "", "detail": "say what comes out: a component, a position, or both."}
    ]
