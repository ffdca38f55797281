"""What comes next at a scan point: by the orders of the line, by what is on its way, and what the last unit lacks."""

from __future__ import annotations

from api_tests.plant import Json, Station, dryer, heater, lot_of, motor, recorded


def next_at(station: Station, code: str) -> Json:
    answer = station.client.get(f"/v1/scan-points/{code}/next")
    assert answer.status_code == 200, answer.text
    told: Json = answer.json()
    return told


def order(code: str, sequence: int, **said: object) -> Json:
    return {"order": code, "sequence": sequence, "part": "DRYER", **said}


def test_the_first_scan_point_of_a_line_is_told_what_is_ordered(station: Station) -> None:
    assert next_at(station, "L-10")["next"] is None
    orders = [
        order("O2", 20, quantity=2, due="2026-03-09"),
        order("O1", 10, serial="D7", parts=[{"position": "MOTOR", "part": "MOTOR"}]),
    ]
    recorded(station.post("build-orders", line="L", orders=orders))
    first = next_at(station, "L-10")["next"]
    assert (first["order"], first["serial"], first["started"], first["left_of_order"]) == ("O1", "D7", False, 1)
    recorded(station.start(None))
    second = next_at(station, "L-10")["next"]
    assert (second["order"], second["serial"], second["due"]) == ("O2", None, "2026-03-09")
    assert second["left_of_order"] == 2
    recorded(station.start(None))
    assert next_at(station, "L-10")["next"]["left_of_order"] == 1


def test_a_station_is_told_which_parts_to_scan_and_how_many(station: Station) -> None:
    said = order("O1", 10, parts=[{"position": "MOTOR", "part": "MOTOR"}])
    recorded(station.post("build-orders", line="L", orders=[said], occurred_at="2026-06-02T06:00:00Z"))
    positions = {row["position"]: row for row in next_at(station, "L-10")["next"]["positions"]}
    assert [(code, row["lacking"]) for code, row in sorted(positions.items())] == [("HEATERS", 2), ("MOTOR", 1)]
    assert [part["part"] for part in positions["MOTOR"]["parts"]] == ["MOTOR"]
    assert positions["HEATERS"]["parts"] == [{"part": "HEATER", "description": "Heater", "trace": "serial"}]


def test_a_later_scan_point_is_told_what_is_on_its_way(station: Station) -> None:
    """The unit that comes first in the sequence, though another was at the scan point before it."""
    orders = [order("O1", 10, serial="D1"), order("O2", 20, serial="D2")]
    recorded(station.post("build-orders", line="L", orders=orders))
    recorded(station.load(lot_of("SCREW", "S1"), "L-20", quantity=10))
    recorded(station.start("D2"))
    assert next_at(station, "L-20")["next"]["serial"] == "D2"
    recorded(station.start("D1"))
    first = next_at(station, "L-20")["next"]
    assert (first["serial"], first["order"], first["started"]) == ("D1", "O1", True)
    screws = next(row for row in first["positions"] if row["position"] == "SCREWS")
    assert (screws["lacking"], screws["loaded"]) == (4, [{"part": "SCREW", "lot": "S1", "feeder": "1", "left": 10}])
    recorded(station.marry("D1", "L-20", station.pump()))
    assert next_at(station, "L-20")["next"]["serial"] == "D2"
    assert next_at(station, "L-30")["next"]["serial"] == "D1"


def test_a_station_is_told_what_the_last_unit_lacks(station: Station) -> None:
    """Only what is filled at this scan point or before it."""
    assert next_at(station, "L-10")["last"] is None
    recorded(station.start("D1"))
    recorded(station.marry("D1", "L-10", motor("M1"), heater("H1")))
    last = next_at(station, "L-10")["last"]
    assert {name: last[name] for name in ("serial", "state", "tests")} == {
        "serial": "D1",
        "state": "in work",
        "tests": [],
    }
    assert last["positions"] == [{"position": "HEATERS", "description": "Heaters", "lacking": 1}]
    station.load_lots()
    recorded(station.marry("D1", "L-20", station.pump()))
    recorded(station.test("D1", [{"characteristic": "VISUAL", "good": True}], mode="tell"))
    recorded(station.marry("D1", "L-40", mode="tell"))
    last = next_at(station, "L-40")["last"]
    assert last["positions"] == [{"position": "HEATERS", "description": "Heaters", "lacking": 1}]
    assert [dryer("D1")["serial"] in detail and "SAFETY" in detail for detail in last["tests"]] == [True]


def test_a_scan_point_must_exist(station: Station) -> None:
    answer = station.client.get("/v1/scan-points/L-99/next")
    assert (answer.status_code, answer.json()["type"]) == (404, "/problems/unknown-scan-point")
