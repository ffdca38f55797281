"""Units and subassemblies: how they start, what they are called, when they are finished."""

from __future__ import annotations

from typing import Any

from stdnum.iso7064 import mod_37_36

from api_tests.plant import Json, Station, dryer, motor, reasons, recorded, serial_of


def test_a_unit_starts_under_its_own_serial_number(station: Station) -> None:
    answer = recorded(station.start("D-4711"))
    assert answer["unit"] == {"part": "DRYER", "serial": "D-4711", "state": "in work"}
    (unit,) = units(station)
    assert unit["started_at"] == station.clock.isoformat(timespec="microseconds").replace("+00:00", "Z")


def test_issued_serial_numbers_run_on_and_leave_out_those_taken(station: Station) -> None:
    recorded(station.start("D0002"))
    assert [issued(station, "DRYER") for _ in range(3)] == ["D0001", "D0003", "D0004"]


def test_issued_serial_numbers_end_in_their_check_character(station: Station) -> None:
    """ISO/IEC 7064 mod 37,36, checked with python-stdnum."""
    serials = [issued(station, "PUMP") for _ in range(3)]
    assert [serial[:-1] for serial in serials] == ["P0001", "P0002", "P0003"]
    assert all(mod_37_36.is_valid(serial) for serial in serials)


def test_what_starts_carries_a_label_of_its_own_part(station: Station) -> None:
    label = "P0042" + mod_37_36.calc_check_digit("P0042")
    assert recorded(station.start(label, "PUMP"))["unit"]["serial"] == label
    assert reasons(station.start("P0042?", "PUMP")) == ["unknown-part"]
    assert reasons(station.start("S001", "PUMP")) == ["wrong-part"]


def test_only_what_is_built_here_starts_here(station: Station) -> None:
    bought = station.start("M1", "MOTOR", scan_point="L-10")
    assert reasons(bought) == ["wrong-part"]
    assert bought.json()["detail"] == "MOTOR (Motor) is not built here under serial numbers."
    assert reasons(station.start("X1", "NO-PART", scan_point="L-10")) == ["unknown-part"]


def test_a_unit_is_finished_at_the_end_of_its_route(station: Station) -> None:
    station.load_lots()
    station.complete("D1")
    recorded(station.test("D1"))
    assert state(station, "D1") == "in work"
    recorded(station.marry("D1", "L-40"))
    assert state(station, "D1") == "finished"


def test_a_removal_opens_a_finished_unit_until_it_is_whole_and_tested_again(station: Station) -> None:
    station.load_lots()
    station.finish("D1")
    recorded(station.remove("D1", motor("M-D1")))
    assert state(station, "D1") == "in work"
    recorded(station.marry("D1", "RW", motor("M2")))
    assert state(station, "D1") == "in work"
    recorded(station.test("D1", scan_point="RW"))
    assert state(station, "D1") == "finished"


def test_a_removal_from_a_subassembly_opens_the_finished_unit_around_it(station: Station) -> None:
    station.load_lots()
    station.finish("D1")
    rotor = serial_of("ROTOR", "R-P0001" + mod_37_36.calc_check_digit("P0001"))
    pump = serial_of("PUMP", "P0001" + mod_37_36.calc_check_digit("P0001"))
    recorded(station.post("removals", scan_point="RW", unit=pump, component=rotor, reason="noisy"))
    assert state(station, "D1") == "in work"


def test_what_is_inside_and_on_hold_keeps_a_unit_from_being_finished(station: Station) -> None:
    station.load_lots()
    station.complete("D1")
    recorded(station.test("D1"))
    hold = recorded(station.hold(serial_of("ROTOR", "R-P0001" + mod_37_36.calc_check_digit("P0001"))))
    recorded(station.marry("D1", "L-40"))
    assert state(station, "D1") == "in work"
    recorded(station.release(hold["facts"][0]["number"]))
    recorded(station.test("D1", scan_point="RW"))
    assert state(station, "D1") == "finished"


def test_the_list_of_units_comes_in_pages_and_by_state(station: Station) -> None:
    station.load_lots()
    for serial in ("D3", "D1", "D5", "D2", "D4"):
        recorded(station.start(serial))
    first = station.client.get("/v1/units?limit=2").json()
    second = station.client.get("/v1/units", params={"limit": 2, "cursor": first["next"]}).json()
    last = station.client.get("/v1/units", params={"limit": 2, "cursor": second["next"]}).json()
    pages = [[unit["serial"] for unit in page["items"]] for page in (first, second, last)]
    assert pages == [["D1", "D2"], ["D3", "D4"], ["D5"]]
    assert last["next"] is None
    assert units(station, state="finished") == []
    assert [unit["serial"] for unit in units(station, part="PUMP")] == []


def test_one_serial_number_may_be_that_of_two_parts(station: Station) -> None:
    recorded(station.start("D1"))
    recorded(station.marry("D1", "L-10", motor("D1")))
    assert [unit["part"] for unit in units(station)] == ["DRYER"]
    assert reasons(station.marry("D1", "L-10", dryer("D1"))) == ["inside-itself"]


def issued(station: Station, part: str) -> str:
    serial: str = recorded(station.start(None, part))["unit"]["serial"]
    return serial


def units(station: Station, **wanted: str) -> list[Json]:
    items: list[dict[str, Any]] = station.client.get("/v1/units", params=wanted).json()["items"]
    return items


def state(station: Station, serial: str) -> str:
    return next(str(unit["state"]) for unit in units(station) if unit["serial"] == serial)
