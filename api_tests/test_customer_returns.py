"""Customer returns: a unit comes back under its serial number, and must be tested again before it leaves."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from api_tests.plant import Json, Station, differences, dryer, facts, heater, motor, reasons, recorded, serial_of


def shipped(station: Station, item: Json, shipment: str = "N1") -> None:
    recorded(station.ship("load", item, shipment=shipment))
    recorded(station.ship("despatch", shipment=shipment))


@pytest.fixture
def returned(station: Station) -> Json:
    """A dryer that left alone, and came back."""
    station.load_lots()
    unit = station.make_ready("D1")
    shipped(station, unit)
    answer = recorded(station.take_back(unit, consignee="SHOP-1"))
    assert answer["unit"]["state"] == "came back"
    return unit


def test_what_comes_back_must_be_tested_again(station: Station, returned: Json) -> None:
    assert reasons(station.pack(returned)) == ["test-stale"]
    assert reasons(station.ship("load", returned, shipment="N2")) == ["test-stale"]
    recorded(station.test("D1", scan_point="RW"))
    assert station.state(returned) == "finished"
    shipped(station, returned, "N2")
    assert station.state(returned) == "shipped"
    recorded(station.take_back(returned))
    assert reasons(station.ship("load", returned, shipment="N3")) == ["test-stale"]


def test_what_comes_back_is_opened_at_a_rework_point_only(station: Station, returned: Json) -> None:
    out = {"component": motor("M-D1"), "reason": "noisy"}
    assert reasons(station.post("removals", scan_point="L-10", unit=returned, **out)) == ["unit-closed"]
    assert reasons(station.test("D1")) == ["unit-closed"]
    recorded(station.remove("D1", motor("M-D1"), replacement={"item": motor("M2")}, destination="failure analysis"))
    recorded(station.test("D1", scan_point="RW"))
    assert station.state(returned) == "finished"


def test_a_test_of_a_subassembly_is_stale_too(station: Station) -> None:
    station.load_lots()
    unit = station.make_ready("D1")
    (pump,) = [serial_of("PUMP", code) for position, _, code in station.inside("D1") if position == "PUMP"]
    recorded(station.test("D1", scan_point="RW", unit=pump))
    shipped(station, unit)
    recorded(station.take_back(unit))
    recorded(station.test("D1", scan_point="RW"))
    refused = station.ship("load", unit, shipment="N2")
    assert reasons(refused) == ["test-stale"]
    assert refused.json()["detail"].startswith(f"PUMP serial {pump['serial']} ")


def test_one_unit_of_a_pallet_comes_back(station: Station) -> None:
    unit, other = station.second_model(), station.second_model()
    box = station.box(unit, other)
    pallet = station.pallet(box)
    shipped(station, pallet)
    recorded(station.take_back(unit))
    assert [station.state(item) for item in (unit, other, box, pallet)] == ["came back", *["shipped"] * 3]
    tree = station.client.get("/v1/tree", params=box).json()
    assert [row["serial"] for row in tree["content"]] == [other["serial"]]
    recorded(station.ship("load", unit, shipment="N2"))


def test_what_comes_back_can_be_scrapped_and_its_components_recovered(station: Station, returned: Json) -> None:
    recorded(station.post("dispositions", item=returned, destination="scrap", reason="burnt"))
    recorded(station.remove("D1", heater("H-D1-1")))
    assert reasons(station.marry("D1", "RW", heater("H9"))) == ["unit-closed"]
    assert station.state(returned) == "scrapped"


def test_only_what_was_shipped_comes_back(station: Station) -> None:
    unit = station.second_model()
    assert reasons(station.take_back(unit)) == ["not-shipped"]
    assert reasons(station.take_back(dryer("D9"))) == ["unknown-item"]
    assert reasons(station.take_back(station.pump())) == ["wrong-part"]
    shipped(station, unit)
    assert reasons(station.take_back(unit, consignee="NOBODY")) == ["unknown-consignee"]
    recorded(station.take_back(unit))
    assert reasons(station.take_back(unit)) == ["not-shipped"]


def test_what_came_back_though_it_never_left_is_told_and_held(station: Station) -> None:
    unit = station.second_model()
    answer = recorded(station.take_back(unit, mode="tell"))
    assert [hold["item"] for hold in facts(answer, "held")] == [unit]
    assert station.state(unit) == "came back"
    assert reasons(station.ship("load", unit)) == ["on-hold"]


def test_books_keep_what_came_back(
    station: Station, returned: Json, store_url: str, new_store: Callable[[], str]
) -> None:
    boxed = station.second_model()
    shipped(station, station.box(boxed), "N2")
    recorded(station.take_back(boxed))
    recorded(station.take_back(returned, mode="tell"))
    assert differences(store_url, new_store()) == []
