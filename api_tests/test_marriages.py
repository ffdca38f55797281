"""Marriages: where components go, what stops them, and what is drawn from loaded lots."""

from __future__ import annotations

import pytest

from api_tests.plant import (
    NEW_MOTORS,
    Station,
    books,
    dryer,
    facts,
    heater,
    lot_of,
    married,
    motor,
    reasons,
    recorded,
    serial_of,
)
from partkin.rules.check_characters import SCHEMES


@pytest.fixture(autouse=True)
def two_dryers(station: Station) -> None:
    recorded(station.start("D1"))
    recorded(station.start("D2"))


def test_components_go_to_the_positions_that_take_them(station: Station) -> None:
    put = married(station.marry("D1", "L-10", heater("H1"), motor("M1"), heater("H2")))
    assert put == [("H1", "HEATERS", 1, 1), ("M1", "MOTOR", 1, 1), ("H2", "HEATERS", 2, 1)]


def test_a_label_is_read_by_the_rule_of_its_part(station: Station) -> None:
    label = "M0001" + SCHEMES["iso7064-mod-37-36"].compute("M0001")
    assert married(station.marry("D1", "L-10", label)) == [(label, "MOTOR", 1, 1)]
    answer = recorded(station.marry("D1", "L-10", "H070001"))
    assert [known["of_lot"] for known in facts(answer, "item known")] == [None, "H07"]


def test_a_component_that_was_removed_leaves_its_slot_to_the_next(station: Station) -> None:
    recorded(station.marry("D1", "L-10", heater("H1"), heater("H2")))
    recorded(station.remove("D1", heater("H1")))
    assert married(station.marry("D1", "RW", heater("H3"))) == [("H3", "HEATERS", 1, 1)]


def test_a_slot_can_be_named(station: Station) -> None:
    def in_slot(serial: str, slot: int) -> dict[str, object]:
        component = {"item": heater(serial), "position": "HEATERS", "slot": slot}
        return {"scan_point": "L-10", "unit": dryer("D1"), "components": [component]}

    assert married(station.post("marriages", **in_slot("H1", 2))) == [("H1", "HEATERS", 2, 1)]
    taken = station.post("marriages", **in_slot("H2", 2))
    assert reasons(taken) == ["no-free-slot"]
    assert "holds HEATER serial H1" in taken.json()["detail"]
    beyond = station.post("marriages", **in_slot("H2", 3))
    assert beyond.json()["detail"] == "HEATERS has 2 slots, not 3."


def test_several_components_go_in_together_or_not_at_all(station: Station, store_url: str) -> None:
    before = books(store_url)
    assert reasons(station.marry("D1", "L-10", motor("M1"), motor("M2"))) == ["no-free-slot"]
    assert books(store_url) == before
    assert married(station.marry("D2", "L-10", motor("M1"))) == [("M1", "MOTOR", 1, 1)]


def test_a_refusal_names_every_reason_at_once(station: Station) -> None:
    recorded(station.marry("D1", "L-10", motor("M1")))
    recorded(station.hold(dryer("D2")))
    refused = station.marry("D2", "L-10", motor("M1"), "no label", serial_of("ROTOR", "R1"), heater("H1"))
    named = {(one["type"].removeprefix("/problems/"), one["pointer"]) for one in refused.json()["reasons"]}
    assert named == {
        ("on-hold", "/unit"),
        ("already-installed", "/components/0"),
        ("unknown-part", "/components/1/item"),
        ("wrong-part", "/components/2"),
        ("lot-not-received", "/components/2"),
    }
    assert all(one["detail"] in refused.json()["detail"] for one in refused.json()["reasons"])


def test_a_wrong_part_is_told_from_the_right_one(station: Station) -> None:
    component = {"item": heater("H1"), "position": "MOTOR"}
    refused = station.post("marriages", scan_point="L-10", unit=dryer("D1"), components=[component])
    assert refused.json()["detail"] == "This is HEATER (Heater). Here MOTOR takes MOTOR (Motor)."
    elsewhere = station.marry("D1", "L-10", station.pump())
    assert elsewhere.json()["detail"] == (
        "This is PUMP (Pump). Here HEATERS takes HEATER (Heater); MOTOR takes MOTOR (Motor). It goes to PUMP at L-20."
    )


def test_a_component_in_another_unit_is_refused_with_its_place(station: Station) -> None:
    recorded(station.marry("D1", "L-10", motor("M1")))
    refused = station.marry("D2", "L-10", motor("M1"))
    assert refused.json()["detail"] == "MOTOR serial M1 is in DRYER serial D1 at MOTOR."
    twice = station.marry("D2", "L-10", heater("H1"), heater("H1"))
    assert reasons(twice) == ["already-installed"]


def test_the_bill_of_the_day_on_which_a_unit_started_decides(station: Station) -> None:
    for serial, day in (("OLD", "2026-05-31T23:59:59Z"), ("NEW", f"{NEW_MOTORS}T00:00:00Z")):
        recorded(station.start(serial, occurred_at=day))
    late = {"occurred_at": f"{NEW_MOTORS}T12:00:00Z"}
    assert reasons(station.marry("OLD", "L-10", serial_of("MOTOR-2", "N1"), **late)) == ["wrong-part"]
    assert married(station.marry("NEW", "L-10", serial_of("MOTOR-2", "N1"), **late)) == [("N1", "MOTOR", 1, 1)]


def test_a_whole_lot_of_serial_numbers_is_no_component(station: Station) -> None:
    refused = station.marry("D1", "L-10", lot_of("HEATER", "H07"))
    assert reasons(refused) == ["unreadable"]
    assert refused.json()["detail"] == "This is HEATER (Heater), but no serial number is named."


def test_a_subassembly_must_be_whole(station: Station) -> None:
    bare = serial_of("PUMP", recorded(station.start(None, "PUMP"))["unit"]["serial"])
    station.load_lots()
    refused = station.marry("D1", "RW", bare)
    assert reasons(refused) == ["gate-not-met"]
    assert "lacks 1 at ROTOR" in refused.json()["detail"]


def test_a_loaded_lot_fills_what_is_free(station: Station) -> None:
    station.load_lots()
    screws = {"item": lot_of("SCREW", "S9"), "position": "SCREWS", "quantity": 1}
    recorded(station.marry("D1", "L-10", motor("M1")))
    scanned = station.post("marriages", scan_point="L-20", unit=dryer("D1"), components=[screws])
    assert married(scanned) == [("S9", "SCREWS", 1, 1)]
    assert married(station.marry("D1", "L-20")) == [("S1", "SCREWS", 2, 3)]


def test_a_scanned_lot_fills_what_is_free_unless_its_pieces_are_counted(station: Station) -> None:
    assert married(station.marry("D1", "RW", lot_of("SCREW", "S1"))) == [("S1", "SCREWS", 1, 4)]
    five = {"item": lot_of("SCREW", "S1"), "quantity": 5}
    assert reasons(station.post("marriages", scan_point="RW", unit=dryer("D2"), components=[five])) == ["no-free-slot"]


def test_what_is_told_against_the_books_is_disputed_and_changes_no_claim(station: Station) -> None:
    recorded(station.marry("D1", "L-10", motor("M1")))
    told = station.marry("D2", "L-10", motor("M1"), mode="tell")
    assert reasons(told) == ["already-installed"]
    (claim,) = facts(told.json(), "married")
    assert (claim["disputed"], claim["slot"]) == (True, 1)
    assert married(station.marry("D2", "RW", motor("M2"))) == [("M2", "MOTOR", 1, 1)]
    assert reasons(station.marry("D2", "RW", motor("M1"))) == ["already-installed", "no-free-slot"]


def test_a_second_component_told_into_a_full_slot_is_disputed(station: Station) -> None:
    recorded(station.marry("D1", "L-10", motor("M1")))
    told = station.marry("D1", "L-10", motor("M2"), mode="tell")
    assert reasons(told) == ["no-free-slot"]
    (claim,) = facts(told.json(), "married")
    assert (claim["disputed"], claim["slot"], claim["quantity"]) == (True, 0, 1)
    recorded(station.remove("D1", motor("M2")))
    assert married(station.marry("D2", "L-10", motor("M2"))) == [("M2", "MOTOR", 1, 1)]


def test_what_is_told_ends_where_an_earlier_message_had_it_removed(station: Station) -> None:
    recorded(station.remove("D1", motor("M1"), mode="tell"))
    removed_at = station.clock
    told = station.marry("D1", "L-10", motor("M1"), occurred_at=station.ago(5), mode="tell")
    assert reasons(told) == ["on-hold"]  # because of the removal of what was not there yet
    (claim,) = facts(told.json(), "married")
    assert claim["ended"] == removed_at.isoformat(timespec="microseconds").replace("+00:00", "Z")
    assert married(station.marry("D2", "L-10", motor("M1"))) == [("M1", "MOTOR", 1, 1)]


def test_a_wrong_part_that_was_told_is_kept_where_it_is_said_to_be(station: Station) -> None:
    there = {"item": heater("H1"), "position": "MOTOR"}
    told = station.post("marriages", scan_point="L-10", unit=dryer("D1"), components=[there], mode="tell")
    assert (reasons(told), married(told)) == (["wrong-part"], [("H1", "MOTOR", 1, 1)])
    nowhere = station.marry("D1", "L-10", serial_of("MOTOR-2", "N1"), mode="tell")
    assert married(nowhere) == [("N1", "", 0, 1)]
    early = station.marry("D2", "L-10", lot_of("SCREW", "S1"), mode="tell")
    assert married(early) == [("S1", "SCREWS", 1, 4)]
