"""Shipments: loaded for a consignee, taken off again, despatched; what has left is closed."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from api_tests.plant import Json, Station, differences, dryer, facts, heater, motor, reasons, recorded, serial_of


def test_everything_on_a_shipment_leaves_with_it(station: Station) -> None:
    alone, boxed, stacked, left = (station.second_model() for _ in range(4))
    box, pallet = station.box(boxed), station.pallet(station.box(stacked))
    recorded(station.ship("load", alone, box))
    recorded(station.ship("load", pallet))
    assert [station.state(item) for item in (alone, boxed, box)] == ["finished", "packed", "in work"]
    answer = recorded(station.ship("despatch", delivery_note="LS 17"))
    assert facts(answer, "despatched")[0]["delivery_note"] == "LS 17"
    assert {station.state(item) for item in (alone, boxed, stacked, box, pallet)} == {"shipped"}
    assert station.state(left) == "finished"


def test_only_units_and_packaging_with_units_are_loaded(station: Station) -> None:
    unit = station.second_model()
    box = station.box(unit)
    out = {"scan_point": "PACK", "unit": box, "component": unit, "reason": "wrong box"}
    recorded(station.post("removals", **out))
    assert reasons(station.ship("load", box)) == ["nothing-to-ship"]
    assert reasons(station.ship("load", motor("M1"))) == ["wrong-part"]
    assert reasons(station.ship("load", station.pump())) == ["wrong-part"]
    assert reasons(station.ship("load", dryer("D9"))) == ["unknown-item"]
    recorded(station.ship("load", unit))


def test_one_thing_is_loaded_once(station: Station) -> None:
    unit, other = station.second_model(), station.second_model()
    box = station.box(unit)
    assert reasons(station.ship("load", unit)) == ["already-installed"]
    recorded(station.ship("load", box, other))
    assert reasons(station.ship("load", box)) == ["already-installed"]
    refused = station.ship("load", other, shipment="N2")
    assert reasons(refused) == ["already-installed"]
    assert refused.json()["detail"] == f"DRYER-2 serial {other['serial']} is on shipment N1."


def test_a_shipment_is_for_one_consignee(station: Station) -> None:
    first, second = station.second_model(), station.second_model()
    assert reasons(station.ship("load", first, consignee="NOBODY")) == ["unknown-consignee"]
    recorded(station.ship("load", first))
    assert reasons(station.ship("load", second, consignee="SHOP-2")) == ["wrong-consignee"]
    recorded(station.ship("load", second, consignee="SHOP-2", shipment="N2"))


@pytest.mark.parametrize(("point", "reason"), [("PACK", "out-of-route-order"), ("NONE", "unknown-scan-point")])
def test_shipments_are_loaded_at_a_ship_point(station: Station, point: str, reason: str) -> None:
    unit = station.second_model()
    assert reasons(station.ship("load", unit, scan_point=point)) == [reason]
    recorded(station.ship("load", unit))
    assert reasons(station.ship("despatch", scan_point=point)) == [reason]


def test_what_is_taken_off_stays(station: Station) -> None:
    first, second = station.second_model(), station.second_model()
    recorded(station.ship("load", first, second))
    recorded(station.ship("unload", first))
    assert reasons(station.ship("unload", first)) == ["not-installed"]
    recorded(station.ship("despatch"))
    assert [station.state(unit) for unit in (first, second)] == ["finished", "shipped"]
    recorded(station.ship("load", first, shipment="N2"))


def test_nothing_leaves_on_an_empty_or_unknown_shipment(station: Station) -> None:
    unit = station.second_model()
    assert reasons(station.ship("despatch")) == ["unknown-shipment"]
    assert reasons(station.ship("unload", unit)) == ["unknown-shipment"]
    recorded(station.ship("load", unit))
    recorded(station.ship("unload", unit))
    assert reasons(station.ship("despatch")) == ["nothing-to-ship"]


def test_what_was_taken_out_of_a_loaded_box_stays(station: Station) -> None:
    first, second = station.second_model(), station.second_model()
    box = station.box(first, second)
    recorded(station.ship("load", box))
    recorded(station.post("removals", scan_point="PACK", unit=box, component=first, reason="damaged"))
    recorded(station.ship("despatch"))
    assert [station.state(item) for item in (first, second, box)] == ["finished", "shipped", "shipped"]


def test_a_shipment_that_has_left_is_closed(station: Station) -> None:
    first, second = station.second_model(), station.second_model()
    recorded(station.ship("load", first))
    recorded(station.ship("despatch"))
    assert reasons(station.ship("load", second)) == ["shipment-closed"]
    assert reasons(station.ship("unload", first)) == ["shipment-closed"]
    assert reasons(station.ship("despatch")) == ["shipment-closed"]
    assert station.state(second) == "finished"


def test_what_has_left_is_closed(station: Station) -> None:
    station.load_lots()
    unit = station.make_ready("D1")
    box = station.box(unit)
    recorded(station.ship("load", box))
    recorded(station.ship("despatch"))
    assert reasons(station.marry("D1", "RW", heater("H9"))) == ["no-free-slot", "unit-closed"]
    assert reasons(station.remove("D1", motor("M-D1"))) == ["unit-closed"]
    assert reasons(station.test("D1", scan_point="RW")) == ["unit-closed"]
    out = station.post("removals", scan_point="RW", unit=box, component=unit, reason="wrong box")
    assert reasons(out) == ["unit-closed"]
    assert reasons(station.pack(station.second_model(), into=box)) == ["unit-closed"]
    assert "unit-closed" in reasons(station.ship("load", unit, shipment="N2"))
    dropped = station.post("dispositions", item=unit, destination="scrap", reason="dropped")
    assert reasons(dropped) == ["already-installed"]


def test_nothing_comes_out_of_a_subassembly_of_a_unit_that_has_left(station: Station) -> None:
    station.load_lots()
    recorded(station.ship("load", station.make_ready("D1")))
    recorded(station.ship("despatch"))
    (pump,) = [serial_of("PUMP", code) for position, _, code in station.inside("D1") if position == "PUMP"]
    rotor = serial_of("ROTOR", f"R-{pump['serial']}")
    assert reasons(station.post("removals", scan_point="RW", unit=pump, component=rotor, reason="noisy")) == [
        "unit-closed"
    ]


def test_what_left_all_the_same_is_told_and_held(station: Station) -> None:
    recorded(station.start("D1"))
    good = station.second_model()
    loaded = recorded(station.ship("load", good, dryer("D1"), mode="tell"))
    assert [hold["item"] for hold in facts(loaded, "held")] == [dryer("D1")]
    left = station.ship("despatch", mode="tell")
    assert "on-hold" in reasons(left)
    assert [hold["item"] for hold in facts(recorded(left), "held")] == [dryer("D1")]
    assert [station.state(unit) for unit in (good, dryer("D1"))] == ["shipped", "shipped"]


@pytest.mark.parametrize(
    "said",
    [
        {"action": "load", "contents": []},
        {"action": "load", "contents": ["X"], "consignee": None},
        {"action": "unload", "contents": ["X"], "reason": None},
        {"action": "despatch", "contents": ["X"]},
    ],
)
def test_a_shipment_says_what_its_action_needs(station: Station, said: Json) -> None:
    whole = {"consignee": "SHOP-1"} if said["action"] == "load" else {}
    assert station.post("shipments", **{"scan_point": "SHIP", "shipment": "N1", **whole, **said}).status_code == 422


def test_books_keep_what_was_shipped(station: Station, store_url: str, new_store: Callable[[], str]) -> None:
    first, second, third = (station.second_model() for _ in range(3))
    recorded(station.ship("load", first, station.pallet(station.box(second))))
    recorded(station.ship("unload", first))
    recorded(station.ship("despatch", delivery_note="LS 17"))
    recorded(station.ship("load", third, mode="tell"))
    assert differences(store_url, new_store()) == []


def test_what_is_loaded_is_not_packed(station: Station) -> None:
    unit, other = station.second_model(), station.second_model()
    box = station.box(other)
    recorded(station.ship("load", unit, box))
    into = {"unit": box, "components": [{"item": unit}]}
    for refused in (
        station.pack(unit),
        station.post("marriages", scan_point="PACK", **into),
        station.pack(box, packaging="PALLET"),
    ):
        assert reasons(refused) == ["already-installed"]
    recorded(station.ship("unload", unit))
    recorded(station.pack(unit, into=box))
