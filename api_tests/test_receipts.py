"""Receipts: what came in, how much of it may be used, and until when."""

from __future__ import annotations

import pytest

from api_tests.plant import Station, lot_of, motor, reasons, recorded, serial_of


@pytest.fixture(autouse=True)
def dryers(station: Station) -> None:
    for serial in ("D1", "D2", "D3"):
        recorded(station.start(serial))


CARTON = lot_of("CARTON", "C1")


def test_no_more_is_used_of_a_lot_than_all_receipts_brought(station: Station) -> None:
    recorded(station.receive("CARTON", lot="C1", quantity=1))
    recorded(station.marry("D1", "RW", CARTON))
    refused = station.marry("D2", "RW", CARTON)
    assert refused.json()["detail"] == ("CARTON lot C1: 1 pieces were received, 1 are used, 1 more are asked for.")
    recorded(station.receive("CARTON", lot="C1", quantity=1))
    recorded(station.marry("D2", "RW", CARTON))


def test_what_was_used_before_its_receipt_counts_as_used(station: Station) -> None:
    told = station.marry("D1", "RW", CARTON, mode="tell")
    assert reasons(told) == ["lot-not-received"]
    recorded(station.receive("CARTON", lot="C1", quantity=2))
    recorded(station.marry("D2", "RW", CARTON))
    assert reasons(station.marry("D3", "RW", CARTON)) == ["lot-exhausted"]


def test_more_than_was_received_can_be_told(station: Station) -> None:
    recorded(station.receive("CARTON", lot="C1", quantity=1))
    recorded(station.marry("D1", "RW", CARTON))
    assert reasons(station.marry("D2", "RW", CARTON, mode="tell")) == ["lot-exhausted"]
    assert "1 pieces were received, 2 are used" in station.marry("D3", "RW", CARTON).json()["detail"]


def test_a_lot_is_used_until_the_end_of_its_last_day_by_the_stations_calendar(station: Station) -> None:
    recorded(station.receive("CARTON", lot="C1", quantity=9, expires_on="2026-03-31"))
    recorded(station.marry("D1", "RW", CARTON, occurred_at="2026-03-31T23:59:59-05:00"))
    refused = station.marry("D2", "RW", CARTON, occurred_at="2026-04-01T00:00:00-05:00")
    assert refused.json()["detail"] == "CARTON lot C1 expired at the end of 2026-03-31."


def test_a_receipt_told_later_gives_a_known_lot_its_days(station: Station) -> None:
    recorded(station.marry("D1", "RW", CARTON, mode="tell"))
    recorded(station.receive("CARTON", lot="C1", quantity=9, expires_on="2026-03-01"))
    assert reasons(station.marry("D2", "RW", CARTON)) == ["lot-expired"]


def test_received_serial_numbers_belong_to_their_lot(station: Station) -> None:
    recorded(station.receive("ROTOR", serials=["R1", "R2"], lot="RL1", produced_on="2026-02-01"))
    recorded(station.hold(lot_of("ROTOR", "RL1")))
    pump = serial_of("PUMP", recorded(station.start(None, "PUMP"))["unit"]["serial"])
    rotor = {"item": serial_of("ROTOR", "R2")}
    refused = station.post("marriages", scan_point="PL-10", unit=pump, components=[rotor])
    assert reasons(refused) == ["on-hold"]
    assert "ROTOR lot RL1 is on hold" in refused.json()["detail"]


def test_a_serial_number_known_before_joins_the_lot_that_is_named_for_it_first(station: Station) -> None:
    rotor = serial_of("ROTOR", "R1")
    recorded(station.hold(rotor))
    for lot in ("RL1", "RL2"):
        recorded(station.receive("ROTOR", serials=["R1"], lot=lot, mode="tell"))
    tree = station.client.get("/v1/tree", params=rotor).json()
    assert tree["lot"] == "RL1"


def test_an_item_that_two_receipts_name_is_suspect_by_either(station: Station) -> None:
    pump = serial_of("PUMP", recorded(station.start(None, "PUMP"))["unit"]["serial"])
    for supplier in ("S1", "S2"):
        recorded(station.receive("ROTOR", serials=["R1"], supplier=supplier, mode="tell"))
    rotor = {"item": serial_of("ROTOR", "R1")}
    recorded(station.post("marriages", scan_point="PL-10", unit=pump, components=[rotor], mode="tell"))
    recorded(station.marry("D1", "L-10", pump, mode="tell"))
    for supplier in ("S1", "S2"):
        window = {"supplier": supplier, "from": "2026-01-01T00:00:00Z", "to": "2027-01-01T00:00:00Z"}
        alarm = {"suspects": {"received": [window]}}
        certain = station.client.post("/v1/affected", json=alarm).json()["certain"]
        assert [row["serial"] for row in certain] == ["D1"], supplier


def test_a_part_comes_in_as_it_is_traced(station: Station) -> None:
    refusals = [
        station.receive("DRYER", serials=["D9"]),
        station.receive("GREASE", lot="G1", quantity=1),
        station.receive("CARTON", serials=["C1"]),
        station.receive("ROTOR", lot="RL1", quantity=1),
    ]
    assert [(reasons(refused), refused.json()["detail"]) for refused in refusals] == [
        (["wrong-part"], "DRYER (Dryer) is built here, not bought."),
        (["wrong-part"], "GREASE (Grease) is not traced."),
        (["wrong-part"], "CARTON (Carton) is traced by lot; give that."),
        (["wrong-part"], "ROTOR (Rotor) is traced by serial; give that."),
    ]


def test_a_part_that_needs_no_receipt_is_used_without(station: Station) -> None:
    recorded(station.marry("D1", "L-10", motor("M1")))
    assert reasons(station.receive("MOTOR", serials=["M1"])) == []
    recorded(station.receive("SCREW", lot="S1", quantity=1))
    recorded(station.marry("D1", "RW", lot_of("SCREW", "S1")))


def test_a_receipt_says_what_it_is_of(station: Station) -> None:
    mistakes = [
        station.receive("ROTOR", serials=["R1", "R1"]),
        station.receive("ROTOR", serials=["R1"], quantity=2),
        station.receive("CARTON", lot="C1"),
        station.receive("CARTON"),
    ]
    assert [(mistake.status_code, mistake.json()["errors"][0]["detail"]) for mistake in mistakes] == [
        (422, "a serial number stands twice in serials."),
        (422, "quantity is 2, but there are 1 serials."),
        (422, "give the quantity of the lot, in pieces."),
        (422, "say what was received: a lot, serials, or both."),
    ]
