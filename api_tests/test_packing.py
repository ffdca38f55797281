"""Packing: units into boxes, boxes onto pallets, accessories beside the unit; and out again."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from api_tests.plant import (
    Json,
    Station,
    differences,
    dryer,
    facts,
    heater,
    lot_of,
    motor,
    reasons,
    recorded,
    serial_of,
)


def into(station: Station, packaging: Json) -> list[str]:
    """What is in a box or on a pallet, by its number, one level down."""
    tree = station.client.get("/v1/tree", params=packaging).raise_for_status().json()
    return sorted(row["serial"] for row in tree["content"])


def taken_out(station: Station, box: Json, item: Json, **said: object) -> Json:
    head = {"scan_point": "PACK", "unit": box, "component": item, "reason": "wrong box"}
    return recorded(station.post("removals", **{**head, **said}))


def test_a_box_is_finished_when_it_is_full(station: Station) -> None:
    first, second, third = (station.second_model() for _ in range(3))
    box = station.box(first)
    assert (station.state(box), station.state(first)) == ("in work", "packed")
    recorded(station.pack(second, into=box))
    assert (station.state(box), station.state(second)) == ("finished", "packed")
    assert into(station, box) == sorted([first["serial"], second["serial"]])
    assert reasons(station.pack(third, into=box)) == ["no-free-slot"]
    assert station.state(third) == "finished"


def test_pallets_hold_boxes_and_boxes_hold_dryers(station: Station) -> None:
    unit, other = station.second_model(), station.second_model()
    box = station.box(unit)
    pallet = station.pallet(box)
    assert into(station, pallet) == [box["serial"]]
    assert reasons(station.pack(other, into=pallet)) == ["wrong-part"]
    assert reasons(station.pack(pallet, into=box)) == ["inside-itself"]
    assert reasons(station.pack(box, into=box)) == ["inside-itself"]
    assert reasons(station.pack(box, packaging="PALLET")) == ["already-installed"]
    assert reasons(station.pack(unit)) == ["already-installed"]


def test_all_of_it_is_packed_or_nothing(station: Station) -> None:
    recorded(station.start("D1"))
    good = station.second_model()
    assert "gate-not-met" in reasons(station.pack(good, dryer("D1")))
    assert station.state(good) == "finished"
    assert station.box(good)["serial"] == "095212340000000013", "the number of the refused box is free"
    assert reasons(station.pack(good, good)) == ["already-installed", "already-installed"]


@pytest.mark.parametrize(
    ("said", "expected"),
    [
        ({"packaging": "NO-PART"}, ["unknown-part"]),
        ({"packaging": "DRYER"}, ["wrong-part"]),
        ({"into": dryer("D1")}, ["wrong-part"]),
        ({"into": serial_of("BOX", "1")}, ["unknown-item"]),
        ({"packaging": "BOX", "scan_point": "L-40"}, ["out-of-route-order", "wrong-part"]),
        ({"packaging": "BOX", "scan_point": "NONE"}, ["unknown-scan-point", "wrong-part"]),
        ({"packaging": "BOX", "contents": [dryer("D9")]}, ["unknown-item"]),
        ({"packaging": "BOX", "contents": [motor("M1")]}, ["wrong-part"]),
    ],
)
def test_packaging_takes_what_it_is_for_where_it_is_packed(station: Station, said: Json, expected: list[str]) -> None:
    recorded(station.start("D1"))
    packed = {"scan_point": "PACK", "contents": [station.second_model()]}
    assert reasons(station.post("packings", **{**packed, **said})) == expected


def test_what_is_packed_is_not_worked_on(station: Station) -> None:
    station.load_lots()
    box = station.box(station.make_ready("D1"))
    assert reasons(station.marry("D1", "RW", heater("H9"))) == ["no-free-slot", "unit-closed"]
    assert reasons(station.remove("D1", motor("M-D1"))) == ["unit-closed"]
    assert reasons(station.test("D1", scan_point="RW")) == ["unit-closed"]
    dropped = station.post("dispositions", item=dryer("D1"), destination="scrap", reason="dropped")
    assert reasons(dropped) == ["already-installed"]
    taken_out(station, box, dryer("D1"))
    recorded(station.remove("D1", motor("M-D1")))


@pytest.mark.parametrize("point", ["PACK", "RW"])
def test_what_comes_out_of_its_box_is_as_it_was_before(station: Station, point: str) -> None:
    station.load_lots()
    box = station.box(station.make_ready("D1"), station.second_model())
    answer = taken_out(station, box, dryer("D1"), scan_point=point)
    assert answer["unit"]["state"] == station.state(box) == "in work"
    assert station.state(dryer("D1")) == "finished"
    recorded(station.pack(dryer("D1"), into=box))
    assert station.state(box) == "finished"


def test_a_box_is_not_opened_on_the_line(station: Station) -> None:
    unit, other = station.second_model(), station.second_model()
    box = station.box(unit, other)
    refused = station.post("removals", scan_point="L-40", unit=box, component=unit, reason="wrong box")
    assert reasons(refused) == ["unit-closed"]


def test_what_comes_out_and_lacks_something_is_in_work_again(station: Station) -> None:
    station.load_lots()
    station.make_ready("D1")
    recorded(station.remove("D1", heater("H-D1-1")))
    told = recorded(station.pack(dryer("D1"), mode="tell"))
    box = serial_of("BOX", told["unit"]["serial"])
    (hold,) = facts(told, "held")
    assert hold["item"] == box
    taken_out(station, box, dryer("D1"), scan_point="RW")
    assert station.state(dryer("D1")) == "in work"


def test_what_comes_out_damaged_goes_where_it_is_said(station: Station) -> None:
    unit = station.second_model()
    taken_out(station, station.box(unit), unit, destination="failure analysis")
    assert station.state(unit) == "in analysis"
    assert reasons(station.pack(unit)) == ["unit-closed"]


def test_a_box_that_comes_off_its_pallet_stays_as_it_is(station: Station) -> None:
    box = station.box(station.second_model(), station.second_model())
    pallet = station.pallet(box)
    taken_out(station, pallet, box)
    assert (station.state(box), into(station, pallet)) == ("finished", [])
    station.pallet(box)


def test_a_packing_that_never_was_leaves_the_unit_as_it_was(station: Station) -> None:
    unit, other = station.second_model(), station.second_model()
    packed = recorded(station.pack(unit))
    wrong = facts(packed, "married")[0]["number"]
    recorded(station.post("corrections", wrong=wrong, component=other, reason="wrong label scanned"))
    assert into(station, serial_of("BOX", packed["unit"]["serial"])) == [other["serial"]]
    assert station.state(unit) == "finished"
    station.box(unit)


def test_accessories_go_in_at_a_pack_point_though_the_unit_is_finished(station: Station) -> None:
    """PACK is on no route; what is drawn there belongs to the packing bill."""
    station.load_lots()
    station.finish("D1")
    assert reasons(station.pack(dryer("D1"))) == ["gate-not-met"]
    recorded(station.load(lot_of("LEAFLET", "F1"), "PACK"))
    recorded(station.marry("D1", "PACK"))
    assert station.state(dryer("D1")) == "finished"
    assert reasons(station.marry("D1", "PACK")) == ["nothing-to-marry"]
    assert reasons(station.marry("D1", "PACK", heater("H9"))) == ["no-free-slot", "wrong-part"]
    assert reasons(station.remove("D1", position="LEAFLET", scan_point="PACK")) == ["unit-closed"]
    station.box(dryer("D1"))


def test_a_unit_that_is_put_into_a_box_by_another_message_is_packed_too(station: Station) -> None:
    first, second, third = (station.second_model() for _ in range(3))
    box = station.box(first)
    recorded(station.post("marriages", scan_point="PACK", unit=box, components=[{"item": second}]))
    taken_out(station, box, first, replacement={"item": third})
    assert [station.state(unit) for unit in (first, second, third)] == ["finished", "packed", "packed"]
    assert station.state(box) == "finished"


def test_books_keep_what_was_packed(station: Station, store_url: str, new_store: Callable[[], str]) -> None:
    units = [station.second_model() for _ in range(4)]
    boxes = [station.box(*units[:2]), station.box(units[2])]
    station.pallet(*boxes)
    taken_out(station, boxes[0], units[0])
    recorded(station.pack(units[3], units[0], into=boxes[0], mode="tell"))
    assert differences(store_url, new_store()) == []


def test_packaging_is_opened_where_that_is_foreseen(station: Station) -> None:
    unit = station.second_model()
    box = station.box(unit)
    elsewhere = {"scan_point": "L-10", "unit": box, "component": unit, "reason": "wrong box"}
    assert reasons(station.post("removals", **elsewhere)) == ["out-of-route-order"]
    recorded(station.pack(station.second_model(), into=box))
    assert reasons(station.post("removals", **elsewhere)) == ["unit-closed"]


def test_what_is_said_to_come_out_of_another_box_stays_packed(station: Station) -> None:
    unit, other = station.second_model(), station.second_model()
    station.box(unit)
    empty = station.box(other)
    told = station.post("removals", scan_point="PACK", unit=empty, component=unit, reason="miscounted", mode="tell")
    assert reasons(told) == ["not-installed"]
    assert station.state(unit) == "packed"
