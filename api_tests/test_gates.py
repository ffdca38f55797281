"""What lacks one thing does not leave: neither packed, nor loaded, nor despatched, by any way through the API.

The laws are the project's own; that a unit leaves only whole, tested and free of holds is common practice.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Iterator, Mapping

import httpx2
import pytest

from api_tests.plant import (
    GOOD,
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

Lack = Callable[[Station, str], object]
"""Sees to it that a dryer, which may leave, lacks one thing."""


# -- what a dryer may lack


def hold_on(what: Callable[[str], Json]) -> Lack:
    return lambda station, serial: recorded(station.hold(what(serial)))


def run_of(*measurements: Json) -> Lack:
    return lambda station, serial: recorded(station.test(serial, measurements, scan_point="RW"))


def disposed(destination: str) -> Lack:
    return lambda station, serial: recorded(
        station.post("dispositions", item=dryer(serial), destination=destination, reason="dropped")
    )


def without_heater(station: Station, serial: str) -> None:
    recorded(station.remove(serial, heater(f"H-{serial}-1")))


def without_leaflet(station: Station, serial: str) -> None:
    recorded(station.remove(serial, position="LEAFLET"))


def without_rotor(station: Station, serial: str) -> None:
    """The dryer is tested again, so that it is the rotor alone that is lacking."""
    pump = pump_in(station, serial)
    recorded(station.post("removals", scan_point="RW", unit=pump, component=rotor_of(pump), reason="noisy"))
    recorded(station.test(serial, scan_point="RW"))


def with_another_motor(station: Station, serial: str) -> None:
    replacement = {"item": motor(f"N-{serial}")}
    recorded(station.remove(serial, motor(f"M-{serial}"), replacement=replacement))


def without_test(station: Station, serial: str) -> None:
    """The one run is corrected: it was of no dryer."""
    (run,) = [
        fact["number"]
        for entry in station.client.get("/v1/entries", params={"limit": 1000}).json()["items"]
        if entry["message"]["kind"] == "test-run" and entry["message"]["unit"] == dryer(serial)
        for fact in facts(entry["answer"], "tested")
    ]
    recorded(station.post("corrections", wrong=run, reason="typed wrong"))


def failed_in_the_pump(station: Station, serial: str) -> None:
    measurements = [*GOOD[:1], {"characteristic": "VISUAL", "good": False}]
    recorded(station.test(serial, measurements, scan_point="RW", unit=pump_in(station, serial)))


def disputed_verdict(station: Station, serial: str) -> None:
    head = {"scan_point": "RW", "plan": "SAFETY", "instrument": "T1", "unit": dryer(serial)}
    told(station, "test-runs", **head, measurements=GOOD, verdict="fail")


def discrepancy(station: Station, serial: str) -> None:
    recorded(station.marry(serial, "RW", heater(f"H-{serial}-3"), mode="tell"))


def held_lot_of_a_heater(station: Station, serial: str) -> None:
    replacement = {"item": "H990001"}
    recorded(station.remove(serial, heater(f"H-{serial}-1"), replacement=replacement))
    recorded(station.hold(lot_of("HEATER", "H99")))


def came_back(station: Station, serial: str) -> None:
    recorded(station.ship("load", dryer(serial), shipment=f"first-{serial}"))
    recorded(station.ship("despatch", shipment=f"first-{serial}"))
    recorded(station.take_back(dryer(serial)))


def pump_in(station: Station, serial: str) -> Json:
    (pump,) = [code for position, _, code in station.inside(serial) if position == "PUMP"]
    return serial_of("PUMP", pump)


def rotor_of(pump: Json) -> Json:
    return serial_of("ROTOR", f"R-{pump['serial']}")


LACKS: Mapping[str, tuple[Lack, str]] = {
    "a build position": (without_heater, "gate-not-met"),
    "a packing position": (without_leaflet, "gate-not-met"),
    "a position of a subassembly": (without_rotor, "gate-not-met"),
    "a test": (without_test, "test-missing"),
    "a test passed": (run_of({"characteristic": "EARTH", "value": 0.3}, GOOD[1]), "test-failed"),
    "a test completed": (run_of(GOOD[0]), "test-failed"),
    "a test of a subassembly passed": (failed_in_the_pump, "test-failed"),
    "a test that is not disputed": (disputed_verdict, "test-failed"),
    "a fresh test": (with_another_motor, "test-stale"),
    "no hold": (hold_on(dryer), "on-hold"),
    "no hold on a component": (hold_on(lambda serial: motor(f"M-{serial}")), "on-hold"),
    "no hold deep inside": (
        lambda station, serial: recorded(station.hold(rotor_of(pump_in(station, serial)))),
        "on-hold",
    ),
    "no hold on a lot inside": (hold_on(lambda serial: lot_of("SCREW", f"S-{serial}")), "on-hold"),
    "no hold on a lot of accessories": (hold_on(lambda serial: lot_of("LEAFLET", f"F-{serial}")), "on-hold"),
    "no hold on the source of a lot": (hold_on(lambda serial: lot_of("SCREW", f"whole-{serial}")), "on-hold"),
    "no hold on the lot of a component": (held_lot_of_a_heater, "on-hold"),
    "no discrepancy": (discrepancy, "on-hold"),
    "not to be scrapped": (disposed("scrap"), "unit-closed"),
    "not to be in analysis": (disposed("failure analysis"), "unit-closed"),
    "not to be sent away": (disposed("supplier"), "unit-closed"),
    "a test since it came back": (came_back, "test-stale"),
}


def build(station: Station, serial: str) -> None:
    """A dryer that may leave, with lots of its own: its screws came out of the lot whole-…"""
    sources = [{"lot": lot_of("SCREW", f"whole-{serial}"), "quantity": 4}]
    recorded(station.post("lot-transfers", sources=sources, into=lot_of("SCREW", f"S-{serial}")))
    recorded(station.load(lot_of("SCREW", f"S-{serial}"), "L-20"))
    station.finish(serial)
    recorded(station.marry(serial, "RW", lot_of("LEAFLET", f"F-{serial}")))


def without_a_step(station: Station, serial: str) -> None:
    """Everything was put in, but the last step of the route was left out."""
    station.complete(serial)
    recorded(station.test(serial))
    recorded(station.marry(serial, "RW", lot_of("CARTON", "C1"), lot_of("LEAFLET", f"F-{serial}")))


@pytest.fixture
def lacking(station: Station) -> dict[str, str]:
    """A dryer for each thing that may be lacking: what that is to the type of the reason."""
    station.load_lots()
    station.load(lot_of("SCREW", "S1"), "L-20")
    without_a_step(station, "a step")
    for serial, (lack, _) in LACKS.items():
        build(station, serial)
        lack(station, serial)
    return {"a step": "out-of-route-order", **{serial: reason for serial, (_, reason) in LACKS.items()}}


# -- ways out


def told(station: Station, address: str, **said: object) -> Json:
    """What has been done is told, and the holds that it gives are released: somebody thinks that all is well."""
    answer = recorded(station.post(address, **{"mode": "tell", **said}))
    for hold in facts(answer, "held"):
        recorded(station.release(hold["number"]))
    return answer


def ways_out_alone(unit: Json, box: Json, inside: Json, shipment: str) -> dict[str, Json]:
    """Ways to pack or to load a unit that is in nothing; the box has room for one more, and another one inside."""
    into_box = {"unit": box, "components": [{"item": unit}]}
    instead = {"scan_point": "RW", "unit": box, "component": inside, "reason": "swap", "replacement": {"item": unit}}
    return {
        "a new box": packing(unit, packaging="BOX"),
        "a new box, at rework": packing(unit, packaging="BOX", scan_point="RW"),
        "a box": packing(unit, into=box),
        "a marriage": {"kind": "marriage", "scan_point": "PACK", **into_box},
        "a marriage, at rework": {"kind": "marriage", "scan_point": "RW", **into_box},
        "instead of another": {"kind": "removal", **instead},
        "loaded": loading(unit, shipment),
    }


def ways_out_in(box: Json, pallet: Json, shipment: str) -> dict[str, Json]:
    """Ways to pack or to load what is in a box."""
    onto = {"unit": pallet, "components": [{"item": box}]}
    return {
        "a new pallet": packing(box, packaging="PALLET"),
        "a pallet": packing(box, into=pallet),
        "a marriage": {"kind": "marriage", "scan_point": "PACK", **onto},
        "loaded": loading(box, shipment),
    }


def packing(item: Json, **said: object) -> Json:
    return {"kind": "packing", "scan_point": "PACK", "contents": [item], **said}


def loading(item: Json, shipment: str) -> Json:
    head = {"kind": "shipment", "scan_point": "SHIP", "action": "load", "consignee": "SHOP-1"}
    return {**head, "shipment": shipment, "contents": [item]}


def despatch(shipment: str) -> Json:
    return {"kind": "shipment", "scan_point": "SHIP", "action": "despatch", "shipment": shipment}


ADDRESSES = {"packing": "packings", "marriage": "marriages", "removal": "removals", "shipment": "shipments"}


def refusals(station: Station, ways: Mapping[str, Json]) -> dict[str, list[str]]:
    """Why each way is refused, asked one by one; as many messages at once they get the same answers."""
    responses = {way: station.post(ADDRESSES[said["kind"]], **said) for way, said in ways.items()}
    assert {response.status_code for response in responses.values()} == {409}, responses
    found = {way: reasons(response) for way, response in responses.items()}
    assert found == dict(zip(ways, at_once(station, ways.values()), strict=True))
    return found


def at_once(station: Station, said: Iterable[Json]) -> Iterator[list[str]]:
    lines = "".join(json.dumps(station.says(**one)) + "\n" for one in said)
    answers = station.client.post("/v1/messages", content=lines, headers={"Content-Type": "application/x-ndjson"})
    for line in answers.text.splitlines():
        row = json.loads(line)
        yield reasons(httpx2.Response(row["status"], json=row["answer"]))


def test_what_lacks_one_thing_is_not_packed_nor_loaded(station: Station, lacking: dict[str, str]) -> None:
    inside = station.second_model()
    box = station.box(inside)
    ways = {serial: ways_out_alone(dryer(serial), box, inside, "N1") for serial in lacking}
    found = {serial: refusals(station, ways[serial]) for serial in lacking}
    assert found == {serial: {way: [reason] for way in ways[serial]} for serial, reason in lacking.items()}


def test_clearance_gives_exactly_the_reason(station: Station, lacking: dict[str, str]) -> None:
    assert {serial: cleared(station, dryer(serial)) for serial in lacking} == {
        serial: {"pack": [reason], "ship": [reason]} for serial, reason in lacking.items()
    }
    build(station, "good")
    assert cleared(station, dryer("good")) == {"pack": [], "ship": []}


def cleared(station: Station, unit: Json) -> dict[str, list[str]]:
    """Why a unit may not be packed, and why it may not be shipped."""
    clearance = station.clearance(unit)
    assert all(clearance[way]["clear"] == (not clearance[way]["reasons"]) for way in ("pack", "ship"))
    return {
        way: [reason["type"].removeprefix("/problems/") for reason in clearance[way]["reasons"]]
        for way in ("pack", "ship")
    }


def test_what_was_loaded_although_it_lacks_one_thing_is_not_despatched(
    station: Station, lacking: dict[str, str]
) -> None:
    """Each on a shipment of its own, beside one that might go."""
    for serial in lacking:
        told(station, "shipments", **loading(dryer(serial), serial))
        recorded(station.post("shipments", **loading(station.second_model(), serial)))
    found = {serial: refusals(station, {"despatched": despatch(serial)}) for serial in lacking}
    assert found == {serial: {"despatched": [reason]} for serial, reason in lacking.items()}


def test_what_was_packed_although_it_lacks_one_thing_goes_no_further(
    station: Station, lacking: dict[str, str], store_url: str, new_store: Callable[[], str]
) -> None:
    pallet = station.pallet(station.box(station.second_model()))
    found = {}
    for serial in lacking:
        box = serial_of("BOX", told(station, "packings", **packing(dryer(serial), packaging="BOX"))["unit"]["serial"])
        found[serial] = refusals(station, ways_out_in(box, pallet, "N1"))
        on = told(station, "packings", **packing(box, packaging="PALLET"))["unit"]
        found[serial] |= refusals(station, {"loaded on a pallet": loading(serial_of("PALLET", on["serial"]), "N1")})
        told(station, "shipments", **loading(serial_of("PALLET", on["serial"]), serial))
        found[serial] |= refusals(station, {"despatched": despatch(serial)})
    ways = [*ways_out_in(pallet, pallet, ""), "loaded on a pallet", "despatched"]
    assert found == {serial: {way: [reason] for way in ways} for serial, reason in lacking.items()}
    assert differences(store_url, new_store()) == []


def test_a_hold_on_packaging_stops_all_that_is_in_it(station: Station) -> None:
    units = [station.second_model() for _ in range(2)]
    boxes = [station.box(unit) for unit in units]
    pallet = station.pallet(boxes[0])
    recorded(station.ship("load", pallet))
    for item in (pallet, *boxes):
        hold = facts(recorded(station.hold(item)), "held")[0]["number"]
        on_it = boxes.index(item) if item in boxes else 0
        assert cleared(station, units[on_it]) == {"pack": ["unit-closed"], "ship": ["on-hold"]}
        refused = station.ship("despatch") if on_it == 0 else station.ship("load", item)
        assert reasons(refused) == ["on-hold"]
        if item != pallet:
            assert "on-hold" in reasons(station.pack(item, packaging="PALLET"))
        recorded(station.release(hold))
    recorded(station.ship("load", boxes[1]))
    recorded(station.ship("despatch"))
    assert {station.state(item) for item in (*units, *boxes, pallet)} == {"shipped"}


def test_what_lacks_nothing_leaves_by_each_way(station: Station) -> None:
    station.load_lots()
    for serial in ("in a box", "married", "on a pallet", "alone"):
        station.make_ready(serial)
    boxed = station.box(dryer("in a box"))
    recorded(station.post("marriages", scan_point="PACK", unit=boxed, components=[{"item": dryer("married")}]))
    pallet = station.pallet(station.box(dryer("on a pallet")))
    recorded(station.ship("load", boxed, pallet, dryer("alone")))
    recorded(station.ship("despatch"))
    assert {station.state(dryer(serial)) for serial in ("in a box", "married", "on a pallet", "alone")} == {"shipped"}
