"""Drills: a recall is rehearsed, and nothing is stopped."""

from __future__ import annotations

from hashlib import sha256
from typing import Any

import httpx2

from api_tests.cases import despatch
from api_tests.plant import Json, Station, books, differences, facts, lot_of, reasons, recorded
from api_tests.questions import asked, pallet_of
from api_tests.servers import SQLiteStores


def run(station: Station, **said: Any) -> httpx2.Response:
    """A drill is run."""
    return station.post("drills/run", **said)


def test_a_drill_traces_what_was_drawn_and_stops_nothing(
    station: Station, store_url: str, sqlite_stores: SQLiteStores
) -> None:
    despatch(station, pallet_of(station, "D1", "D2"))
    before = books(store_url)
    fact = facts(recorded(run(station, part="CARTON", seed="fair and square")), "drilled")[0]
    assert fact["suspects"] == {"items": [lot_of("CARTON", "C1")]}
    assert (fact["certain"], fact["possible"], fact["consignees"]) == (2, 0, 1)
    assert (fact["received"], fact["accounted"]) == (100, 100)
    steps = [step["step"] for step in fact["steps"]]
    assert len(steps) == 5
    assert all(step["milliseconds"] >= 0 for step in fact["steps"])
    after = books(store_url)
    assert {name for name, rows in after.items() if rows != before[name]} == {"drill"}
    assert asked(station, "holds")["items"] == asked(station, "cases")["items"] == []
    (told,) = asked(station, "drills")["items"]
    assert (told["seed"], told["suspects"]) == ("fair and square", fact["suspects"])
    # A goal that food certification schemes set for a trace test: four hours.
    assert told["goal_milliseconds"] == 4 * 60 * 60 * 1000 > told["milliseconds"]
    assert [step["step"] for step in told["steps"]] == steps
    assert differences(store_url, sqlite_stores.migrated()) == []


def test_anybody_can_draw_again(station: Station) -> None:
    """The draw is reckoned with hashlib: first the part, then the item, each in order of SHA-256."""
    station.load_lots()
    for serial in ("D1", "D2", "D3"):
        station.make_ready(serial)
    standing = {
        "CARTON": ["CARTON lot C1"],
        "HEATER": [f"HEATER serial H-D{unit}-{place}" for unit in (1, 2, 3) for place in (1, 2)],
        "LEAFLET": ["LEAFLET lot F1"],
        "MOTOR": [f"MOTOR serial M-D{unit}" for unit in (1, 2, 3)],
        "ROTOR": [f"ROTOR serial {_rotor(station, serial)}" for serial in ("D1", "D2", "D3")],
        "SCREW": ["SCREW lot S1"],
    }
    for seed in ("chance-1", "chance-2", "chance-3", "chance-4", "chance-5"):
        part = min(standing, key=lambda name: _hash(seed, name))
        item = min(standing[part], key=lambda name: _hash(seed, name))
        (drawn,) = facts(recorded(run(station, seed=seed)), "drilled")[0]["suspects"]["items"]
        assert _said(drawn) == item


def _said(item: Json) -> str:
    kind = "serial" if "serial" in item else "lot"
    return f"{item['part']} {kind} {item[kind]}"


def _hash(seed: str, name: str) -> bytes:
    return sha256(f"{seed}\n{name}".encode()).digest()


def _rotor(station: Station, serial: str) -> str:
    tree = station.tree({"part": "DRYER", "serial": serial})
    pump = next(one for one in tree["content"] if one["position"] == "PUMP")
    return str(pump["content"][0]["serial"])


def test_a_drill_is_run_once_and_says_what_is_wrong(station: Station) -> None:
    assert run(station).status_code == 404
    recorded(station.start("D1"))
    recorded(station.marry("D1", "L-10", {"part": "MOTOR", "serial": "M1"}))
    said = station.says(part="MOTOR")
    first = station.client.post("/v1/drills/run", json=said)
    again = station.client.post("/v1/drills/run", json=said)
    assert recorded(first) == recorded(again)
    other = station.client.post("/v1/drills/run", json={**said, "operator": "B2"})
    assert (other.status_code, other.json()["type"]) == (422, "/problems/message-id-reused")
    assert len(asked(station, "drills")["items"]) == 1
    assert facts(recorded(first), "drilled")[0]["received"] is None
    nothing = run(station, part="SCREW")
    assert (nothing.status_code, "SCREW" in nothing.json()["detail"]) == (404, True)
    assert run(station, seed="short").status_code == 422
    assert run(station, units=3).status_code == 422
    assert reasons(station.post("drills/run", part="MOTOR", occurred_at="2999-01-01T00:00:00Z")) == ["clock-ahead"]
