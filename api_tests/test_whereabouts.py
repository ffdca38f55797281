"""Where items are: any serial number, lot, SSCC or label in one call; what is on shipments; what is to be built."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from typing import Any

import pytest
from sqlalchemy import Engine, event

from api_tests.plant import CATALOGUE, Json, Station, dryer, facts, lot_of, motor, number_of, recorded, serial_of
from api_tests.questions import asked, pallet_of, rotor_of
from partkin.actions.load_catalogue import load_catalogue
from partkin.store.database import Database
from partkin.web.schemas.whereabouts import OpenOrders, ShipmentContent, Shipments, Whereabouts


@pytest.fixture
def station(station: Station, store_url: str) -> Station:
    """The station of the test plant, where boxes and pallets have labels too."""
    pattern = "(?P<serial>[0-9]{17}(?P<check>[0-9]))"
    parts = tuple(
        replace(part, label_pattern=pattern, label_check="gs1-mod-10") if part.packaging else part
        for part in CATALOGUE.parts
    )
    database = Database(store_url)
    load_catalogue(database, replace(CATALOGUE, parts=parts), operator="B1", now=0)
    database.close()
    return station


def where(station: Station, **named: Any) -> Json:
    """Where an item is, in the form that the documentation gives."""
    answer = asked(station, "where", **named)
    Whereabouts.model_validate(answer, strict=False)
    return answer


def holders(answer: Json) -> list[tuple[str, str]]:
    """What an item stands in: part, position and slot, upwards."""
    return [(row["part"], f"{row['position']}.{row['slot']}") for row in answer["inside"]]


# -- up to the top


def test_a_rotor_is_followed_to_the_consignee(station: Station) -> None:
    pallet = pallet_of(station, "D1")
    loaded = recorded(station.ship("load", pallet))
    rotor = rotor_of(station, "D1")["serial"]
    found = where(station, serial=rotor)
    assert holders(found) == [("PUMP", "ROTOR.1"), ("DRYER", "PUMP.1"), ("BOX", "DRYERS.1"), ("PALLET", "BOXES.1")]
    assert (found["place"], found["shipment"]["despatched_at"]) == ("on a shipment", None)
    assert found["shipment"]["loaded_at"] == facts(loaded, "shipment loaded")[0]["at"]
    gone = facts(recorded(station.ship("despatch", delivery_note="DN 7")), "despatched")[0]
    found = where(station, serial=rotor)
    assert found["place"] == "despatched"
    assert found["shipment"] == {
        "shipment": "N1",
        "consignee": "SHOP-1",
        "name": "First shop",
        "loaded_at": found["shipment"]["loaded_at"],
        "despatched_at": gone["at"],
        "delivery_note": "DN 7",
    }
    assert [row["state"] for row in found["inside"]] == ["finished", "shipped", "shipped", "shipped"]


def test_a_pallet_is_found_by_its_sscc_and_by_its_label(station: Station) -> None:
    """GS1 General Specifications: the SSCC is application identifier 00; ]C1 is the symbology identifier of GS1-128."""
    pallet = pallet_of(station, "D1")
    sscc = pallet["serial"]
    found = where(station, sscc=sscc)
    assert (found["part"], found["serial"], found["place"]) == ("PALLET", sscc, "at a scan point")
    assert found["last_seen"]["scan_point"] == "PACK"
    assert where(station, scan=f"]C100{sscc}") == where(station, serial=sscc, part="PALLET") == found
    assert station.client.get("/v1/where", params={"sscc": "0" * 18}).json()["type"] == "/problems/unknown-item"


def test_a_unit_on_the_line_is_where_it_was_last_worked_on(station: Station) -> None:
    recorded(station.start("D1"))
    recorded(station.marry("D1", "L-10", motor("M1")))
    found = where(station, serial="M1")
    seen = {"part": "DRYER", "serial": "D1", "lot": None, "scan_point": "L-10", "description": "Motor and heaters"}
    assert found["last_seen"] == {**seen, "at": found["inside"][0]["since"]}
    assert found["place"] == "inside"
    assert where(station, serial="D1")["place"] == "at a scan point"


def test_what_was_taken_out_or_disposed_of_says_where_it_went_and_why(station: Station) -> None:
    recorded(station.start("D1"))
    recorded(station.marry("D1", "L-10", motor("M1")))
    out = recorded(station.remove("D1", motor("M1"), destination="stock"))
    found = where(station, serial="M1")
    assert found["left"] == {
        "out_of": dryer("D1"),
        "destination": "stock",
        "reason": "noisy",
        "at": facts(out, "removed")[0]["at"],
        "scan_point": "RW",
        "operator": "B1",
        "entry": out["entry"],
    }
    assert (found["place"], found["state"]) == ("in stock", "usable")
    recorded(station.dispose(motor("M1"), "failure analysis", reason="hums"))
    found = where(station, serial="M1")
    assert (found["place"], found["left"]["out_of"], found["left"]["reason"]) == ("in analysis", None, "hums")
    recorded(station.dispose(motor("M1"), "stock", reason="was the bearing"))
    recorded(station.marry("D1", "RW", motor("M1")))
    assert where(station, serial="M1")["left"] is None


def test_a_unit_that_came_back_is_in_nothing_and_on_no_shipment(station: Station) -> None:
    pallet = pallet_of(station, "D1")
    recorded(station.ship("load", pallet))
    recorded(station.ship("despatch"))
    back = recorded(station.take_back(dryer("D1"), consignee="SHOP-1", reason="no heat"))
    found = where(station, serial="D1")
    assert (found["place"], found["inside"], found["shipment"]) == ("came back", [], None)
    said = found["customer_return"]
    assert (said["name"], said["reason"], said["entry"]) == ("First shop", "no heat", back["entry"])
    assert where(station, sscc=pallet["serial"])["place"] == "despatched"


def test_what_is_unloaded_is_back_where_it_was(station: Station) -> None:
    pallet = pallet_of(station, "D1")
    recorded(station.ship("load", pallet))
    recorded(station.ship("unload", pallet))
    found = where(station, serial="D1", part="DRYER")
    assert (found["place"], found["shipment"]) == ("inside", None)


def test_what_is_said_against_the_books_stands_apart(station: Station) -> None:
    for serial in ("D1", "D2"):
        recorded(station.start(serial))
    recorded(station.marry("D1", "L-10", motor("M1")))
    told = recorded(station.marry("D2", "L-10", motor("M1"), mode="tell"))
    found = where(station, serial="M1")
    assert holders(found) == [("DRYER", "MOTOR.1")]
    (doubted,) = found["said_to_be_in"]
    assert (doubted["serial"], doubted["entry"], doubted["holds"]) == ("D2", told["entry"], motor("M1"))
    assert doubted["marriage"] == facts(told, "married")[0]["number"]


def test_holds_on_a_serial_item_and_on_its_lot_are_named(station: Station) -> None:
    recorded(station.start("D1"))
    recorded(station.marry("D1", "L-10", "H010007"))
    holds = [number_of(station.hold(item), "held") for item in (lot_of("HEATER", "H01"), serial_of("HEATER", "0007"))]
    found = where(station, serial="0007")
    assert (found["lot"], [hold["hold"] for hold in found["holds"]]) == ("H01", holds)
    assert [hold["item"] for hold in found["holds"]] == [lot_of("HEATER", "H01"), serial_of("HEATER", "0007")]


# -- lots


def test_the_pieces_of_a_lot_are_accounted_for(station: Station) -> None:
    """400 received; 100 into a container, of which dryers take 8; 4 taken out as scrap; 30 scrapped, 10 of them not."""
    recorded(station.receive("CARTON", lot="C1", quantity=400))
    recorded(station.transfer(lot_of("CARTON", "C1-A"), (lot_of("CARTON", "C1"), 100)))
    for pieces, destination in ((30, "scrap"), (10, "stock")):
        recorded(station.dispose(lot_of("CARTON", "C1"), destination, quantity=pieces))
    found = where(station, lot="C1")
    counts = ("received", "built_in", "disposed", "back_to_stock", "transferred", "taken_out", "left")
    assert [found["pieces"][name] for name in counts] == [400, 0, 30, 10, 100, 0, 280]
    assert [(row["item"], row["quantity"]) for row in found["pieces"]["split_into"]] == [
        (lot_of("CARTON", "C1-A"), 100)
    ]
    recorded(station.load(lot_of("CARTON", "C1-A"), "L-40", quantity=60, feeder="B"))
    recorded(station.load(lot_of("SCREW", "S1"), "L-20"))
    for serial in ("D1", "D2"):
        station.complete(serial)
        recorded(station.test(serial))
        recorded(station.marry(serial, "L-40"))
    recorded(station.remove("D2", position="CARTON", destination="scrap"))
    pieces = where(station, lot="C1-A", part="CARTON")["pieces"]
    assert [pieces[name] for name in counts] == [100, 1, 0, 0, 0, 1, 98]
    (up,) = pieces["loaded"]
    assert {**up, "since": None} == {
        "scan_point": "L-40",
        "position": "CARTON",
        "feeder": "B",
        "since": None,
        "quantity": 60,
        "left": 58,
    }
    assert [(row["part"], row["state"], row["items"]) for row in pieces["units"]] == [("DRYER", "finished", 1)]
    assert [row["item"] for row in pieces["came_from"]] == [lot_of("CARTON", "C1")]


def test_units_that_hold_a_lot_are_counted_by_state(station: Station) -> None:
    pallet = pallet_of(station, "D1", "D2")
    station.complete("D3")
    held = where(station, lot="S1", part="SCREW")["pieces"]
    assert [(row["state"], row["items"]) for row in held["units"]] == [("in work", 1), ("packed", 2)]
    recorded(station.ship("load", pallet))
    recorded(station.ship("despatch"))
    held = where(station, lot="S1", part="SCREW")["pieces"]
    assert [(row["state"], row["items"]) for row in held["units"]] == [("in work", 1), ("shipped", 2)]
    assert (held["built_in"], held["received"], held["left"]) == (12, None, None)


# -- the question


@contextmanager
def counted() -> Iterator[list[str]]:
    """The statements that are run meanwhile."""
    statements: list[str] = []

    def note(*executed: object) -> None:
        statements.append(str(executed[2]))

    event.listen(Engine, "before_cursor_execute", note)
    yield statements
    event.remove(Engine, "before_cursor_execute", note)


def test_five_statements_are_enough_whatever_the_depth(station: Station) -> None:
    pallet = pallet_of(station, "D1")
    rotor = rotor_of(station, "D1")["serial"]
    names = ({"serial": rotor}, {"sscc": pallet["serial"]}, {"lot": "S1"}, {"scan": f"]C100{pallet['serial']}"})
    for named in names:
        with counted() as statements:
            where(station, **named)
        asked_for = [statement for statement in statements if not statement.startswith(("BEGIN", "COMMIT"))]
        assert 0 < len(asked_for) <= 5, (named, asked_for)


def test_what_cannot_be_found_says_so(station: Station) -> None:
    recorded(station.start("D1"))
    recorded(station.marry("D1", "L-10", motor("X1")))
    recorded(station.receive("ROTOR", serials=["X1"]))
    wrong = {
        "unknown-item": [{"serial": "D2"}, {"lot": "D1"}, {"serial": "D1", "part": "PUMP"}, {"scan": "H010007"}],
        "ambiguous-serial": [{"serial": "X1"}],
        "invalid": [{}, {"serial": "D1", "lot": "S1"}, {"sscc": "12"}],
        "unknown-part": [{"scan": "no label"}],
        "check-character-wrong": [{"scan": "]C100095212340000000000"}],
    }
    for problem, questions in wrong.items():
        for named in questions:
            answer = station.client.get("/v1/where", params=named).json()
            assert answer["type"] == f"/problems/{problem}", (named, answer)
    assert asked(station, "where", serial="X1", part="ROTOR")["place"] == "in stock"


# -- shipments


def test_a_shipment_shows_what_is_on_it_down_to_units(station: Station) -> None:
    pallet = pallet_of(station, "D1", "D2")
    station.make_ready("D3")
    recorded(station.ship("load", pallet))
    recorded(station.ship("load", dryer("D3")))
    found = asked(station, "shipments/N1")
    ShipmentContent.model_validate(found, strict=False)
    assert (found["units"], [row["part"] for row in found["content"]]) == (3, ["DRYER", "PALLET"])
    boxes = found["content"][1]["content"]
    assert [box["content"][0]["serial"] for box in boxes] == ["D1", "D2"]
    assert all(box["content"][0]["content"] == [] for box in boxes)


def test_a_shipment_still_shows_what_left_with_it_when_some_came_back(station: Station) -> None:
    pallet = pallet_of(station, "D1", "D2")
    station.make_ready("D3")
    recorded(station.ship("load", pallet, dryer("D3")))
    recorded(station.ship("unload", dryer("D3")))
    recorded(station.ship("despatch"))
    before = asked(station, "shipments/N1")
    recorded(station.take_back(dryer("D1")))
    after = asked(station, "shipments/N1")
    assert before["units"] == after["units"] == 2
    states = [box["content"][0]["state"] for box in after["content"][0]["content"]]
    assert states == ["came back", "shipped"]


def test_the_list_of_shipments_comes_in_pages_and_by_state(station: Station) -> None:
    station.load_lots()
    for place in range(3):
        station.make_ready(f"D{place}")
        recorded(station.ship("load", dryer(f"D{place}"), shipment=f"SH-{place}"))
    recorded(station.ship("despatch", shipment="SH-1"))

    def listed(**wanted: Any) -> list[str]:
        page = asked(station, "shipments", **wanted)
        Shipments.model_validate(page, strict=False)
        return [row["shipment"] for row in page["items"]]

    assert listed() == ["SH-0", "SH-1", "SH-2"]
    assert (listed(despatched="true"), listed(despatched="false")) == (["SH-1"], ["SH-0", "SH-2"])
    assert (listed(limit=1), listed(cursor="SH-0", limit=1)) == (["SH-0"], ["SH-1"])
    assert listed(consignee="NOBODY") == []
    assert [row["lines"] for row in asked(station, "shipments")["items"]] == [1, 1, 1]
    assert station.client.get("/v1/shipments/SH-9").json()["type"] == "/problems/not-found"


# -- orders


def test_open_orders_come_in_sequence_until_they_are_started(station: Station) -> None:
    orders = [
        {"order": "O-1", "sequence": 20, "part": "DRYER", "quantity": 2, "due": "2026-03-05"},
        {"order": "O-2", "sequence": 10, "part": "DRYER", "serial": "D77"},
        {"order": "O-3", "sequence": 20, "part": "PUMP", "parts": [{"position": "ROTOR", "part": "ROTOR"}]},
    ]
    recorded(station.post("build-orders", line="L", orders=orders))
    page = asked(station, "orders", line="L")
    OpenOrders.model_validate(page, strict=False)
    assert [row["order"] for row in page["items"]] == ["O-2", "O-1", "O-3"]
    assert (page["items"][1]["due"], page["items"][2]["parts"]) == ("2026-03-05", {"ROTOR": "ROTOR"})
    recorded(station.start("D77"))
    recorded(station.start("D1"))
    first = asked(station, "orders", line="L", limit=1)
    assert [(row["order"], row["started"]) for row in first["items"]] == [("O-1", 1)]
    assert [row["order"] for row in asked(station, "orders", line="L", cursor=first["next"])["items"]] == ["O-3"]
    assert asked(station, "orders", line="PL")["items"] == []
    assert where(station, serial="D77")["order"] == "O-2"


def test_a_box_that_is_opened_gives_its_dryer_back(station: Station) -> None:
    station.load_lots()
    box = station.box(station.make_ready("D1"))
    recorded(station.post("removals", scan_point="PACK", unit=box, component=dryer("D1"), reason="wrong box"))
    found = where(station, serial="D1")
    assert (found["state"], found["left"]["out_of"]) == ("finished", box)
