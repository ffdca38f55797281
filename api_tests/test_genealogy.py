"""Genealogy: what is in a unit, and which units are affected, certainly or possibly."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Iterator, Mapping
from dataclasses import replace
from datetime import date
from typing import Any

import httpx2
import pytest

from api_tests.plant import CATALOGUE, Json, Station, dryer, facts, heater, lot_of, motor, reasons, recorded, serial_of
from api_tests.statements import statements_sent
from partkin.actions.load_catalogue import load_catalogue
from partkin.rules.catalogue import Alternate, Part, Position
from partkin.rules.catalogue.tables import KINDS, catalogue_of, rows_of
from partkin.store.database import Database
from partkin.web.schemas.genealogy import Affected, Tree

SLACK = 5
"""Pieces; a dryer takes four screws at once."""


@pytest.fixture
def station(station: Station, store_url: str) -> Station:
    """The station of the test plant, with slack where screws are taken."""
    points = tuple(
        replace(point, changeover_slack=SLACK) if point.scan_point == "L-20" else point
        for point in CATALOGUE.scan_points
    )
    database = Database(store_url)
    load_catalogue(database, replace(CATALOGUE, scan_points=points), operator="B1", now=0)
    database.close()
    return station


def affected(station: Station, *, as_of: str | None = None, **suspects: Any) -> Json:
    """The first page of what is affected by suspects."""
    alarm = {"suspects": suspects, **({} if as_of is None else {"as_of": as_of})}
    response = station.client.post("/v1/affected", json=alarm)
    assert response.status_code == 200, response.text
    answer: Json = response.json()
    return answer


def serials(answer: Json) -> tuple[list[str], list[str]]:
    """Serial numbers of the units certainly and possibly affected."""
    return [row["serial"] for row in answer["certain"]], [row["serial"] for row in answer["possible"]]


def tree(station: Station, serial: str, **asked: Any) -> Json:
    """The tree of an item."""
    response = station.client.get("/v1/tree", params={"serial": serial, **asked})
    assert response.status_code == 200, response.text
    answer: Json = response.json()
    return answer


def inside(node: Json) -> dict[str, Json]:
    """What stands directly in an item, by position and slot."""
    return {f"{child['position']}.{child['slot']}": child for child in node["content"]}


def begun(station: Station, *dryers: str) -> None:
    """Dryers are started and get motors."""
    for serial in dryers:
        recorded(station.start(serial))
        recorded(station.marry(serial, "L-10", motor(f"M-{serial}")))


def screws(station: Station, lot: str | None) -> None:
    """A lot of screws is loaded, or none."""
    item = {"lot": None, "position": "SCREWS"} if lot is None else {"lot": lot_of("SCREW", lot)}
    recorded(station.load(point="L-20", **item))


def screwed(station: Station, *dryers: str, mode: str = "ask") -> None:
    """Dryers are begun, and take screws from what is loaded."""
    for serial in dryers:
        begun(station, serial)
        recorded(station.marry(serial, "L-20", mode=mode))


def into_pump(station: Station, pump: Json, item: Json) -> None:
    recorded(station.post("marriages", scan_point="RW", unit=pump, components=[{"item": item}]))


def out_of_pump(station: Station, pump: Json, item: Json) -> None:
    recorded(station.post("removals", scan_point="RW", unit=pump, component=item, reason="noisy"))


def another_rotor(station: Station, serial: str) -> Json:
    recorded(station.receive("ROTOR", serials=[serial]))
    return serial_of("ROTOR", serial)


# -- exposure


def test_a_rotor_taken_out_of_a_pump_before_that_went_into_a_dryer_never_was_in_the_dryer(station: Station) -> None:
    """Law 5: the path interval is empty."""
    pump = station.pump()
    first, second = serial_of("ROTOR", f"R-{pump['serial']}"), another_rotor(station, "R2")
    out_of_pump(station, pump, first)
    into_pump(station, pump, second)
    screws(station, "S001")
    begun(station, "D1")
    recorded(station.marry("D1", "L-20", pump))
    assert serials(affected(station, items=[first])) == ([], [])
    assert serials(affected(station, items=[second])) == (["D1"], [])
    (held,) = inside(tree(station, "D1", removed=True))["PUMP.1"]["content"]
    assert held["serial"] == "R2"


def test_a_rotor_taken_out_of_a_pump_that_is_in_a_dryer_affected_it_and_is_not_inside(station: Station) -> None:
    pump = station.pump()
    rotor = serial_of("ROTOR", f"R-{pump['serial']}")
    screws(station, "S001")
    begun(station, "D1")
    recorded(station.marry("D1", "L-20", pump))
    before = station.clock.isoformat()
    out_of_pump(station, pump, rotor)
    (row,) = affected(station, items=[rotor])["certain"]
    assert (row["inside"], row["state"], row["where"]) == (False, "in work", "L-20")
    assert [step["ended"] is None for step in row["path"]] == [False, True]
    assert row["exposed_to"] == row["path"][0]["ended"]
    assert row["exposed_from"] == row["path"][1]["started"]
    assert row["path"][0]["into"] == pump
    assert row["path"][1] == {
        **pump,
        "position": "PUMP",
        "into": dryer("D1"),
        "started": row["exposed_from"],
        "ended": None,
        "certain": True,
        "booked_as": None,
    }
    (then,) = affected(station, items=[rotor], as_of=before)["certain"]
    assert (then["inside"], then["exposed_to"]) == (True, None)


def test_a_pump_moved_to_another_dryer_takes_its_rotor_along(station: Station) -> None:
    pump = station.pump()
    rotor = serial_of("ROTOR", f"R-{pump['serial']}")
    screws(station, "S001")
    begun(station, "D1", "D2")
    recorded(station.marry("D1", "L-20", pump))
    first_only = station.clock.isoformat()
    recorded(station.remove("D1", pump))
    recorded(station.marry("D2", "L-20", pump))
    rows = {row["serial"]: row["inside"] for row in affected(station, items=[rotor])["certain"]}
    assert rows == {"D1": False, "D2": True}
    assert serials(affected(station, items=[rotor], as_of=first_only)) == (["D1"], [])
    assert "PUMP.1" not in inside(tree(station, "D1"))
    assert inside(tree(station, "D1", as_of=first_only))["PUMP.1"]["content"][0]["serial"] == rotor["serial"]
    gone = inside(tree(station, "D1", removed=True))["PUMP.1"]
    assert (gone["reason"], gone["destination"], gone["ended"] is None) == ("noisy", "stock", False)
    assert gone["content"][0]["serial"] == rotor["serial"]


def test_a_component_put_back_is_inside_again(station: Station) -> None:
    begun(station, "D1")
    recorded(station.remove("D1", motor("M-D1")))
    assert [row["inside"] for row in affected(station, items=[motor("M-D1")])["certain"]] == [False]
    recorded(station.marry("D1", "RW", motor("M-D1")))
    (row,) = affected(station, items=[motor("M-D1")])["certain"]
    assert (row["inside"], row["exposed_to"]) == (True, None)
    assert row["path"][0]["ended"] is not None
    assert row["exposed_from"] == row["path"][0]["started"]


# -- certain or possible


def test_what_was_told_against_the_books_is_possible(station: Station) -> None:
    begun(station, "D1")
    recorded(station.start("D2"))
    recorded(station.marry("D2", "L-10", motor("M-D1"), mode="tell"))
    answer = affected(station, items=[motor("M-D1")])
    assert serials(answer) == (["D1"], ["D2"])
    assert (answer["possible"][0]["path"][0]["certain"], answer["certain"][0]["path"][0]["certain"]) == (False, True)
    doubted = inside(tree(station, "D2"))["MOTOR.1"]
    assert (doubted["disputed"], doubted["certain"]) == (True, False)


def test_dryers_next_to_a_lot_change_are_possible_for_both_lots(station: Station) -> None:
    """Law 6: four screws a dryer and a slack of five pieces make two dryers on each side."""
    screws(station, "S001")
    screwed(station, "D1", "D2", "D3")
    screws(station, "S002")
    screwed(station, "D4", "D5", "D6")
    first = affected(station, items=[lot_of("SCREW", "S001")])
    assert serials(first) == (["D1"], ["D2", "D3", "D4", "D5"])
    assert serials(affected(station, items=[lot_of("SCREW", "S002")])) == (["D6"], ["D2", "D3", "D4", "D5"])
    assert first["counts"] == {
        "certain": 1,
        "possible": 4,
        "by_state": {"in work": {"certain": 1, "possible": 4}},
        "by_part": {"DRYER": {"certain": 1, "possible": 4}},
    }
    (step,) = first["possible"][2]["path"]
    assert (step["lot"], step["into"], step["certain"]) == ("S001", dryer("D4"), False)
    others = {serial: inside(tree(station, serial))["SCREWS.1"]["or_lot"] for serial in ("D1", "D3", "D4", "D6")}
    assert others == {"D1": [], "D3": [lot_of("SCREW", "S002")], "D4": [lot_of("SCREW", "S001")], "D6": []}


def test_pieces_of_an_unknown_lot_count_within_the_slack_and_may_be_of_a_known_one(station: Station) -> None:
    screws(station, "S001")
    screwed(station, "D1")
    screws(station, "S002")
    screws(station, None)
    screwed(station, "D2", mode="tell")
    screws(station, "S003")
    screwed(station, "D3", "D4")
    assert serials(affected(station, items=[lot_of("SCREW", "S001")])) == ([], ["D1", "D2", "D3"])
    assert serials(affected(station, items=[lot_of("SCREW", "S003")])) == (["D4"], ["D3"])
    unknown = inside(tree(station, "D2"))["SCREWS.1"]
    assert (unknown["part"], unknown["lot"], unknown["or_lot"]) == (None, None, [lot_of("SCREW", "S001")])


def test_a_unit_with_one_certain_way_is_certain(station: Station) -> None:
    screws(station, "S001")
    screwed(station, "D1")
    screws(station, "S002")
    both = affected(station, items=[lot_of("SCREW", "S001"), motor("M-D1")])
    assert serials(both) == (["D1"], [])
    assert both["certain"][0]["path"][0]["serial"] == "M-D1"


# -- what can be suspected


def test_with_a_lot_the_serial_items_that_name_it_are_suspect(station: Station) -> None:
    recorded(station.start("D1"))
    recorded(station.marry("D1", "L-10", "H010007"))
    recorded(station.receive("ROTOR", serials=["R1"], lot="RL1"))
    assert serials(affected(station, items=[lot_of("HEATER", "H01")])) == (["D1"], [])
    assert serials(affected(station, items=[lot_of("ROTOR", "RL1")])) == ([], [])


def test_a_suspect_that_is_a_unit_itself_is_affected(station: Station) -> None:
    recorded(station.start("D1"))
    (row,) = affected(station, items=[dryer("D1")])["certain"]
    assert (row["path"], row["inside"], row["exposed_to"]) == ([], True, None)
    assert row["exposed_from"] == tree(station, "D1")["started_at"]


def test_serial_numbers_in_a_range_are_of_one_length(station: Station) -> None:
    for place, serial in enumerate(("M008", "M009", "M010", "M0095", "M011")):
        recorded(station.start(f"D{place}"))
        recorded(station.marry(f"D{place}", "L-10", motor(serial)))
    assert serials(affected(station, serial_ranges=[{"part": "MOTOR", "from": "M009", "to": "M010"}])) == (
        ["D1", "D2"],
        [],
    )


def test_what_a_supplier_delivered_in_a_time_is_suspect(station: Station) -> None:
    recorded(station.receive("SCREW", lot="S001", quantity=100))
    recorded(station.receive("SCREW", lot="S002", quantity=100, supplier="S2"))
    pump = station.pump()
    begin, end = station.ago(100), (station.ago(-60))
    screws(station, "S001")
    screwed(station, "D1")
    screws(station, "S002")
    screwed(station, "D2", "D3")
    begun(station, "D4")
    recorded(station.marry("D4", "L-20", pump))
    first = {"supplier": "S1", "from": begin, "to": end}
    assert serials(affected(station, received=[first])) == (["D4"], ["D1", "D2", "D3"])
    assert serials(affected(station, received=[{**first, "part": "ROTOR"}])) == (["D4"], [])
    late = affected(station, received=[{**first, "from": end, "to": station.ago(-600)}, {**first, "supplier": "S2"}])
    assert serials(late) == (["D4"], ["D1", "D2", "D3"])
    assert [note["pointer"] for note in late["notes"]] == ["/suspects/received/0"]


def test_whatever_was_worked_on_is_suspect_from_then_on(station: Station) -> None:
    pump = station.pump()
    screws(station, "S001")
    begun(station, "D1", "D2")
    recorded(station.marry("D1", "L-20", pump))
    recorded(station.remove("D1", pump))
    begin = station.says()["occurred_at"]
    out_of_pump(station, pump, serial_of("ROTOR", f"R-{pump['serial']}"))
    into_pump(station, pump, another_rotor(station, "R2"))
    recorded(station.marry("D2", "L-20", pump))
    recorded(station.test("D2", instrument="T2", operator="B2", mode="tell"))
    time = {"from": begin, "to": station.ago(-1)}
    on_t2 = affected(station, worked=[{"instrument": "T2", **time}])
    assert serials(on_t2) == (["D2"], [])
    assert on_t2["certain"][0]["path"] == []
    assert serials(affected(station, worked=[{"operator": "B2", "scan_point": "L-30", **time}])) == (["D2"], [])
    by_rework = affected(station, worked=[{"scan_point": "RW", **time}])
    assert serials(by_rework) == (["D2"], [])
    assert [step["position"] for step in by_rework["certain"][0]["path"]] == ["PUMP"]
    assert serials(affected(station, worked=[{"scan_point": "RW", **time}], as_of=begin)) == ([], [])
    nobody = affected(station, worked=[{"operator": "B9", **time}, {"instrument": "T2", "operator": "B1", **time}])
    assert (serials(nobody), len(nobody["notes"])) == (([], []), 2)


WEEK = {"from": "2026-03-02T00:00:00Z", "to": "2026-03-09T00:00:00Z"}


def test_a_mistyped_alarm_is_not_answered_with_nobody_affected(station: Station) -> None:
    recorded(station.start("D1"))
    suspects = {
        "items": [dryer("D1"), dryer("D2"), lot_of("SCREW", "S1"), lot_of("SCREWS", "S1")],
        "serial_ranges": [{"part": "ENGINE", "from": "1", "to": "2"}],
        "received": [{"supplier": "S1", "part": "WHEEL", **WEEK}, {"supplier": "S9", **WEEK}],
        "worked": [{"scan_point": "L-99", **WEEK}],
    }
    for wanted in ("json", "csv"):
        refused = station.client.post("/v1/affected", json={"suspects": suspects}, params={"format": wanted})
        assert refused.status_code == 422
        assert refused.headers["content-type"] == "application/problem+json"
        assert sorted(error["pointer"] for error in refused.json()["errors"]) == [
            "/suspects/items/1/serial",
            "/suspects/items/2/lot",
            "/suspects/items/3/part",
            "/suspects/received/0/part",
            "/suspects/received/1/supplier",
            "/suspects/serial_ranges/0/part",
            "/suspects/worked/0/scan_point",
        ]


@pytest.mark.parametrize(
    ("suspects", "pointer"),
    [
        ({}, "/suspects"),
        ({"items": [{"part": "MOTOR"}]}, "/suspects/items/0"),
        ({"serial_ranges": [{"part": "MOTOR", "from": "M9", "to": "M10"}]}, "/suspects/serial_ranges/0"),
        ({"serial_ranges": [{"part": "MOTOR", "from": "M2", "to": "M1"}]}, "/suspects/serial_ranges/0"),
        ({"received": [{"supplier": "S1", "to": WEEK["to"]}]}, "/suspects/received/0/from"),
        ({"received": [{"supplier": "S1", "from": WEEK["to"], "to": WEEK["to"]}]}, "/suspects/received/0"),
        ({"worked": [{"scan_point": "L-10", **WEEK, "from": "2026-03-02T00:00:00"}]}, "/suspects/worked/0"),
        ({"worked": [WEEK]}, "/suspects/worked/0"),
    ],
)
def test_an_alarm_of_the_wrong_form_is_told_where(station: Station, suspects: Json, pointer: str) -> None:
    refused = station.client.post("/v1/affected", json={"suspects": suspects})
    assert refused.status_code == 422
    assert [error["pointer"] for error in refused.json()["errors"]] == [pointer]


# -- the tree


def test_a_tree_tells_what_is_known_of_each_component(station: Station) -> None:
    recorded(station.receive("SCREW", lot="S001", quantity=100, supplier="S2", expires_on="2027-01-31"))
    screws(station, "S001")
    recorded(station.start("D1"))
    recorded(station.marry("D1", "L-10", motor("M1"), "H010007", heater("H2"), operator="B7"))
    recorded(station.marry("D1", "L-20", station.pump()))
    failed = [{"characteristic": "EARTH", "value": 0.3}, {"characteristic": "VISUAL", "good": True}]
    recorded(station.test("D1", failed))
    recorded(station.test("D1"))
    hold = facts(recorded(station.hold(motor("M1"))), "held")[0]["number"]
    top = tree(station, "D1")
    assert (top["part"], top["description"], top["state"], top["position"]) == ("DRYER", "Dryer", "in work", None)
    assert [visit["scan_point"] for visit in top["visits"]] == ["L-10", "L-20", "L-30"]
    assert [(run["verdict"], run["counts"]) for run in top["tests"]] == [("fail", False), ("pass", True)]
    earth, visual = top["tests"][0]["measurements"]
    assert (earth["value"], earth["unit"], earth["lower"], earth["upper"], earth["within"]) == (
        *(0.3, "Ω", None, 0.2, False),
    )
    assert (visual["good"], visual["value"]) == (True, None)
    within = inside(top)
    assert list(within) == ["HEATERS.1", "HEATERS.2", "MOTOR.1", "PUMP.1", "SCREWS.1"]
    assert (within["MOTOR.1"]["supplier"], within["MOTOR.1"]["operator"]) == ("S1", "B7")
    drawn = within["SCREWS.1"]
    assert (drawn["lot"], drawn["quantity"], drawn["supplier"]) == ("S001", 4, "S2")
    assert (drawn["expires_on"], drawn["scan_point"], drawn["certain"]) == ("2027-01-31", "L-20", True)
    first, second = within["HEATERS.1"], within["HEATERS.2"]
    assert (first["serial"], first["lot"], second["lot"]) == ("0007", "H01", None)
    assert [(held["hold"], held["item"]) for held in within["MOTOR.1"]["holds"]] == [(hold, motor("M1"))]
    entry = station.client.get(f"/v1/entries/{first['entry']}").json()
    assert (entry["recorded_at"], entry["message"]["operator"]) == (first["recorded_at"], "B7")


def test_a_hold_on_a_lot_stands_on_the_serial_items_that_belong_to_it_until_its_release(station: Station) -> None:
    recorded(station.start("D1"))
    recorded(station.marry("D1", "L-10", "H010007", heater("H2")))
    hold = facts(recorded(station.hold(lot_of("HEATER", "H01"))), "held")[0]["number"]
    held = station.clock.isoformat()

    def holds(**asked: Any) -> list[list[Json]]:
        return [[one["item"] for one in child["holds"]] for child in tree(station, "D1", **asked)["content"]]

    assert holds() == [[lot_of("HEATER", "H01")], []]
    recorded(station.release(hold))
    assert holds() == [[], []]
    assert holds(as_of=held) == [[lot_of("HEATER", "H01")], []]


def test_a_test_no_longer_counts_once_something_it_covers_was_changed(station: Station) -> None:
    station.load_lots()
    station.complete("D1")
    recorded(station.test("D1"))
    tested = station.clock.isoformat()
    recorded(station.remove("D1", motor("M-D1")))
    (run,) = tree(station, "D1")["tests"]
    assert run["counts"] is False
    (then,) = tree(station, "D1", as_of=tested)["tests"]
    assert then["counts"] is None
    assert tree(station, "D1", as_of=station.ago(25))["tests"] == []


def test_an_item_is_found_by_its_number_or_the_problem_says_why_not(station: Station) -> None:
    recorded(station.start("D1"))
    recorded(station.marry("D1", "L-10", motor("7"), heater("7")))
    several = station.client.get("/v1/tree", params={"serial": "7"})
    assert (several.status_code, several.json()["type"]) == (409, "/problems/ambiguous-serial")
    assert several.json()["parts"] == ["HEATER", "MOTOR"]
    assert tree(station, "7", part="MOTOR")["part"] == "MOTOR"
    for asked in ({"serial": "8"}, {"serial": "7", "part": "PUMP"}, {"lot": "7"}):
        unknown = station.client.get("/v1/tree", params=asked)
        assert (unknown.status_code, unknown.json()["type"]) == (404, "/problems/unknown-item")
    for wrong in ({}, {"serial": "7", "lot": "7"}, {"serial": "7", "as_of": "2026-03-02T06:00:00"}):
        assert station.client.get("/v1/tree", params=wrong).status_code == 422
    recorded(station.receive("CARTON", lot="C1", quantity=9))
    (lot,) = [station.client.get("/v1/tree", params={"lot": "C1"}).json()]
    assert (lot["part"], lot["lot"], lot["supplier"], lot["content"]) == ("CARTON", "C1", "S1", [])


# -- formats


def lines(response: httpx2.Response) -> list[Json]:
    """The rows of an NDJSON answer."""
    assert response.headers["content-type"] == "application/x-ndjson"
    return [json.loads(line) for line in response.text.splitlines()]


def cells(response: httpx2.Response) -> list[Mapping[str, str]]:
    """The rows of a CSV answer."""
    assert response.headers["content-type"] == "text/csv; header=present; charset=utf-8"
    assert response.text.count("\r\n") == response.text.count("\n")
    return list(csv.DictReader(io.StringIO(response.text, newline="")))


def as_cells(rows: list[Json]) -> list[Mapping[str, str]]:
    """Rows as CSV writes them."""

    def cell(value: Any) -> str:
        if value is None or isinstance(value, str):
            return value or ""
        return json.dumps(value, ensure_ascii=False, separators=(",", ":"))

    return [{name: cell(value) for name, value in row.items()} for row in rows]


def flattened(node: Json) -> Iterator[Json]:
    yield {name: value for name, value in node.items() if name != "content"}
    for child in node["content"]:
        yield from flattened(child)


def test_a_tree_says_the_same_in_every_format(station: Station) -> None:
    screws(station, "S001")
    station.complete("D1")
    recorded(station.test("D1"))
    recorded(station.remove("D1", motor("M-D1"), reason='says "clack", then hums'))
    asked: Json = {"serial": "D1", "removed": True}
    whole = tree(station, **asked)
    Tree.model_validate_json(json.dumps(whole), strict=True)
    nested = list(flattened(whole))
    flat = lines(station.client.get("/v1/tree", params={**asked, "format": "ndjson"}))
    place = ("unit_part", "unit_serial", "level", "path")
    assert [{name: row[name] for name in row if name not in place} for row in flat] == nested
    assert [(row["level"], row["path"]) for row in flat] == [
        *((0, ""), (1, "HEATERS.1"), (1, "HEATERS.2"), (1, "MOTOR.1"), (1, "PUMP.1"), (2, "PUMP.1/ROTOR.1")),
        (1, "SCREWS.1"),
    ]
    table = cells(station.client.get("/v1/tree", params=asked, headers={"Accept": "text/html, text/csv;q=0.9"}))
    assert table == as_cells(flat)


def test_the_trees_of_all_units_started_in_a_time_come_one_item_a_line(station: Station) -> None:
    screws(station, "S001")
    screwed(station, "D1")
    begin = station.says()["occurred_at"]
    screwed(station, "D3", "D2")
    end = station.says()["occurred_at"]
    station.pump()
    screwed(station, "D4")
    time = {"started_from": begin, "started_to": end}
    rows = lines(station.client.get("/v1/trees", params=time))
    single = [
        row
        for serial in ("D3", "D2")
        for row in lines(station.client.get("/v1/tree", params={"serial": serial, "format": "ndjson"}))
    ]
    assert rows == single
    assert {row["unit_serial"] for row in rows} == {"D3", "D2"}
    assert cells(station.client.get("/v1/trees", params={**time, "format": "csv"})) == as_cells(rows)
    (pump, rotor) = lines(
        station.client.get("/v1/trees", params={"part": "PUMP", "started_from": end, "started_to": station.ago(0)})
    )
    assert (pump["part"], pump["level"], rotor["part"], rotor["path"]) == ("PUMP", 0, "ROTOR", "ROTOR.1")
    assert station.client.get("/v1/trees", params={**time, "format": "json"}).status_code == 422


def test_pages_cover_every_affected_unit_once_and_formats_agree(station: Station) -> None:
    screws(station, "S001")
    screwed(station, *(f"D{number}" for number in (5, 1, 10, 3)))
    screws(station, "S002")
    screwed(station, *(f"D{number}" for number in (4, 2, 8)))
    suspects: Json = {"items": [lot_of("SCREW", "S001"), dryer("D8")]}
    alarm = {"suspects": suspects}
    whole = affected(station, **suspects)
    Affected.model_validate_json(json.dumps(whole), strict=True)
    assert serials(whole) == (["D1", "D5", "D8"], ["D10", "D2", "D3", "D4"])
    found: Json = {"certain": [], "possible": []}
    cursor: Json = {}
    sizes = []
    while True:
        page = station.client.post("/v1/affected", json=alarm, params={"limit": 2, **cursor}).json()
        assert page["counts"] == whole["counts"]
        sizes.append(len(page["certain"]) + len(page["possible"]))
        for certainty in found:
            found[certainty] += page[certainty]
        if page["next"] is None:
            break
        cursor = {"cursor": page["next"]}
    assert sizes == [2, 2, 2, 1]
    assert found == {certainty: whole[certainty] for certainty in found}
    rows = lines(station.client.post("/v1/affected", json=alarm, headers={"Accept": "application/x-ndjson"}))
    assert rows == whole["certain"] + whole["possible"]
    assert cells(station.client.post("/v1/affected", json=alarm, params={"format": "csv"})) == as_cells(rows)
    wrong = station.client.post("/v1/affected", json=alarm, params={"cursor": "D10"})
    assert wrong.json()["errors"][0]["pointer"] == "/query/cursor"


# -- cost


def test_more_items_take_no_more_statements(station: Station) -> None:
    screws(station, "S001")
    screwed(station, "D1")
    screws(station, "S002")
    suspects: Json = {"items": [lot_of("SCREW", "S001"), lot_of("SCREW", "S002")]}
    time = {"started_from": WEEK["from"], "started_to": WEEK["to"]}

    def counted() -> list[int]:
        numbers = []
        for ask in (
            lambda: tree(station, "D1", removed=True),
            lambda: affected(station, **suspects),
            lambda: lines(station.client.get("/v1/trees", params=time)),
            lambda: station.client.post("/v1/affected", json={"suspects": suspects}, params={"format": "csv"}),
        ):
            with statements_sent() as sent:
                ask()
            numbers.append(len(sent))
        return numbers

    few = counted()
    screwed(station, *(f"D{number}" for number in range(2, 8)))
    for serial in ("D1", "D2"):
        recorded(station.marry(serial, "L-10", heater(f"H-{serial}")))
        recorded(station.marry(serial, "L-20", station.pump()))
        recorded(station.test(serial, mode="tell"))
    assert counted() == few
    assert max(few) < 15


# -- what lies beside a unit in its carton


def with_hoses(store_url: str) -> None:
    """Two hoses go into each box, beside the dryers."""
    hose = Part("HOSE", "Drain hose", "lot", made=False, sold=False)
    first = date(2026, 1, 1)
    rows = [row for kind in KINDS.values() for row in rows_of(CATALOGUE, kind)]
    rows += [
        hose,
        Position("BOX", "HOSES", "Drain hoses", 2, ("PACK",), (), first),
        Alternate("BOX", "HOSES", "HOSE", first),
    ]
    database = Database(store_url)
    load_catalogue(database, catalogue_of(rows), operator="B1", now=0)
    database.close()


def test_a_unit_is_exposed_to_what_was_packed_beside_it(station: Station, store_url: str) -> None:
    """Only to what was in its own box while it was there."""
    with_hoses(store_url)
    station.load_lots()
    first, second, third = (station.make_ready(serial) for serial in ("D1", "D2", "D3"))
    box = station.box(first, second)
    recorded(station.pack(lot_of("HOSE", "H1"), into=box))
    other = station.box(third)
    recorded(station.pack(lot_of("HOSE", "H2"), into=other))
    station.pallet(box, other)
    assert serials(affected(station, items=[lot_of("HOSE", "H1")])) == (["D1", "D2"], [])
    assert serials(affected(station, items=[lot_of("HOSE", "H2")])) == (["D3"], [])
    row = affected(station, items=[lot_of("HOSE", "H2")])["certain"][0]
    steps = [(step["part"], step["position"], step["into"]["serial"]) for step in row["path"]]
    assert steps == [("HOSE", "HOSES", other["serial"]), ("DRYER", "DRYERS", other["serial"])]


def test_a_unit_taken_out_of_its_box_before_is_not_exposed_to_what_came_in_then(
    station: Station, store_url: str
) -> None:
    with_hoses(store_url)
    station.load_lots()
    first, second = (station.make_ready(serial) for serial in ("D1", "D2"))
    box = station.box(first, second)
    recorded(station.post("removals", scan_point="PACK", unit=box, component=first, reason="wrong box"))
    recorded(station.pack(lot_of("HOSE", "H1"), into=box))
    assert serials(affected(station, items=[lot_of("HOSE", "H1")])) == (["D2"], [])


def test_a_box_leaves_with_all_its_accessories(station: Station, store_url: str) -> None:
    """Dryers need not fill it; hoses must."""
    with_hoses(store_url)
    station.load_lots()
    dryer_inside = station.make_ready("D1")
    box = station.box(dryer_inside)
    recorded(station.pack({"part": "HOSE", "lot": "H1"}, into=box))
    recorded(station.post("removals", scan_point="PACK", unit=box, position="HOSES", slot=1, reason="leaks"))
    for refused in (station.ship("load", box), station.pack(box, packaging="PALLET")):
        assert reasons(refused) == ["gate-not-met"]
    assert [reason["type"] for reason in station.clearance(dryer_inside)["ship"]["reasons"]] == [
        "/problems/gate-not-met"
    ]
    recorded(station.pack({"part": "HOSE", "lot": "H1"}, into=box))
    assert station.clearance(dryer_inside)["ship"] == {"clear": True, "reasons": []}
    recorded(station.ship("load", box))
