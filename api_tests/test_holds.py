"""Holds: what they stop, and how they end."""

from __future__ import annotations

import pytest

from api_tests.plant import Station, dryer, heater, lot_of, motor, reasons, recorded, serial_of


@pytest.fixture(autouse=True)
def two_dryers(station: Station) -> None:
    for serial in ("D1", "D2"):
        recorded(station.start(serial))


def placed(station: Station, item: dict[str, str] | str) -> int:
    """The number of a hold placed on an item."""
    number: int = recorded(station.post("holds", action="place", item=item, reason="crack"))["facts"][-1]["number"]
    return number


def test_what_is_held_goes_on_only_at_a_rework_point_until_released(station: Station) -> None:
    hold = placed(station, dryer("D1"))
    refused = station.marry("D1", "L-10", motor("M1"))
    assert refused.json()["detail"] == f"DRYER serial D1 is on hold {hold}, placed by B1: crack."
    recorded(station.marry("D1", "RW", motor("M1")))
    recorded(station.release(hold))
    recorded(station.marry("D1", "L-10", heater("H1")))


def test_a_held_lot_stops_the_serial_numbers_that_belong_to_it(station: Station) -> None:
    recorded(station.marry("D1", "L-10", "H070001"))
    recorded(station.remove("D1", heater("0001")))
    recorded(station.hold({"part": "HEATER", "lot": "H07"}))
    assert reasons(station.marry("D2", "L-10", "H070001")) == ["on-hold"]
    assert reasons(station.marry("D2", "L-10", "H070002")) == ["on-hold"]
    assert reasons(station.marry("D2", "L-10", "H080003")) == []


def test_a_held_lot_feeds_nothing(station: Station) -> None:
    recorded(station.load(lot_of("SCREW", "S1"), "L-20"))
    placed(station, lot_of("SCREW", "S1"))
    assert reasons(station.load(lot_of("SCREW", "S1"), "L-20")) == ["on-hold"]
    assert reasons(station.marry("D1", "L-20")) == ["on-hold"]


def test_what_is_held_inside_a_subassembly_stops_all_of_it(station: Station) -> None:
    station.load_lots()
    pump = station.pump()
    placed(station, serial_of("ROTOR", f"R-{pump['serial']}"))
    refused = station.marry("D1", "L-20", pump)
    assert reasons(refused) == ["on-hold"]
    assert "ROTOR serial R-" in refused.json()["detail"]


def test_a_bought_item_can_be_held_before_it_was_ever_seen(station: Station) -> None:
    placed(station, motor("M1"))
    assert reasons(station.marry("D1", "L-10", motor("M1"))) == ["on-hold"]
    unbuilt = station.hold(dryer("D9"))
    assert reasons(unbuilt) == ["unknown-item"]


def test_two_holds_are_released_each_for_itself(station: Station) -> None:
    first, second = placed(station, dryer("D1")), placed(station, dryer("D1"))
    recorded(station.release(first))
    assert reasons(station.marry("D1", "L-10", motor("M1"))) == ["on-hold"]
    assert reasons(station.release(first)) == ["unknown-hold"]
    recorded(station.release(second))
    recorded(station.marry("D1", "L-10", motor("M1")))


def test_the_hold_of_a_discrepancy_says_why_and_can_be_released(station: Station) -> None:
    recorded(station.marry("D1", "L-10", motor("M1")))
    recorded(station.marry("D2", "L-10", motor("M1"), mode="tell"))
    (hold,) = station.client.get("/v1/holds").json()["items"]
    assert (hold["item"], hold["discrepancy"]) == (dryer("D2"), True)
    assert hold["reason"] == "discrepancy: already-installed"
    recorded(station.release(hold["hold"], operator="Q1"))
    recorded(station.marry("D2", "L-10", motor("M2")))


def test_the_list_of_holds_comes_in_pages_with_or_without_the_released(station: Station) -> None:
    numbers = [placed(station, motor(f"M{n}")) for n in range(3)]
    recorded(station.release(numbers[0], operator="Q1"))
    assert listed(station) == numbers[1:]
    assert listed(station, released="true", limit="2") == numbers[:2]
    assert listed(station, released="true", cursor=str(numbers[1])) == numbers[2:]
    released = station.client.get("/v1/holds?released=true&limit=1").json()["items"][0]
    assert (released["released_by"], released["release_reason"]) == ("Q1", "inspected")
    assert released["released_at"] > released["placed_at"]


def listed(station: Station, **wanted: str) -> list[int]:
    return [row["hold"] for row in station.client.get("/v1/holds", params=wanted).json()["items"]]
