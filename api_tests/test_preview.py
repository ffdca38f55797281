"""The preview: what a freeze would stop, counted; reckoned again here from lists that the service gives one by one."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Iterator
from datetime import timedelta
from typing import Any

import pytest

from api_tests.cases import despatch, load_with_slack
from api_tests.plant import Json, Station, dryer, heater, lot_of, motor, recorded, serial_of
from api_tests.questions import asked, rotor_of

SCREWS: Json = {"items": [lot_of("SCREW", "S1")]}
BY_GOODS_IN: Json = {"received": [{"supplier": "S1", "from": "2026-03-01T00:00:00Z"}]}
AT_START: Json = {"worked": [{"scan_point": "L-10", "from": "2026-03-03T00:00:00Z"}]}
CRITERIA: dict[str, Json] = {
    "a lot": SCREWS,
    "all deliveries": BY_GOODS_IN,
    "whatever started since the second day": AT_START,
    "both": {**SCREWS, "all_of": [AT_START]},
    "one without the other": {**BY_GOODS_IN, "except": AT_START},
}


def previewed(station: Station, as_known_at: int | None = None, as_of: str | None = None, **suspects: Any) -> Json:
    """What a freeze would stop."""
    alarm = {"suspects": suspects, **({} if as_of is None else {"as_of": as_of})}
    params = {} if as_known_at is None else {"as_known_at": as_known_at}
    response = station.client.post("/v1/preview", json=alarm, params=params)
    assert response.status_code == 200, response.text
    answer: Json = response.json()
    return answer


def affected(station: Station, **suspects: Any) -> list[Json]:
    """Every affected unit, as it is listed, with the paths."""
    response = station.client.post("/v1/affected", json={"suspects": suspects}, params={"format": "ndjson"})
    return [json.loads(line) for line in response.raise_for_status().text.splitlines()]


def numbers(groups: Json) -> dict[str, tuple[int, int]]:
    """Certain and possible ones of each group."""
    return {name: (group["certain"], group["possible"]) for name, group in groups.items()}


def tallied(pairs: Iterator[tuple[str, Json]]) -> dict[str, tuple[int, int]]:
    """Rows of `affected` by a name of each."""
    tally = Counter((name, row["certainty"]) for name, row in pairs)
    return {name: (tally[name, "certain"], tally[name, "possible"]) for name, _ in tally}


def serials(group: Json) -> list[str]:
    return [row["serial"] for row in group["examples"]]


@pytest.fixture
def plant(station: Station, store_url: str) -> Station:
    """Screws S1, next to a change to S2 with slack: D1 was sent out twice, D2 in a box on a pallet, D3 is finished, D4
    and D5 are next to the change, D6 is in work; X of the second model is at the first shop. Two days."""
    load_with_slack(store_url, 5)
    station.load_lots()
    first = station.make_ready("D1")
    despatch(station, first)
    recorded(station.take_back(first))
    recorded(station.test("D1", scan_point="RW"))
    despatch(station, first, shipment="N2", consignee="SHOP-2")
    pallet = station.pallet(station.box(station.make_ready("D2")), station.box(station.second_model()))
    despatch(station, pallet, shipment="N3")
    station.finish("D3")
    station.clock += timedelta(days=1)
    for serial in ("D4", "D5"):
        station.complete(serial)
    recorded(station.load(lot_of("SCREW", "S2"), "L-20"))
    for serial in ("D6", "D7"):
        station.complete(serial)
    return station


def destinations(station: Station) -> dict[str, set[str]]:
    """Who got each unit, by the shipments that were despatched and what was on them."""
    found: dict[str, set[str]] = {}

    def walk(shipment: Json, rows: list[Json]) -> None:
        for row in rows:
            if row["unit"]:
                found.setdefault(row["serial"], set()).add(shipment["consignee"])
            walk(shipment, row["content"])

    for line in asked(station, "shipments")["items"]:
        shipment = asked(station, f"shipments/{line['shipment']}")
        if shipment["despatched_at"] is not None:
            walk(shipment, shipment["content"])
    return found


def test_the_counts_are_those_of_the_units_listed_one_by_one(plant: Station) -> None:
    sent_to = destinations(plant)
    assert sent_to["D1"] == {"SHOP-1", "SHOP-2"}
    started = {
        (row["part"], row["serial"]): asked(plant, "tree", part=row["part"], serial=row["serial"])["started_at"][:10]
        for row in affected(plant, **BY_GOODS_IN) + affected(plant, **AT_START) + affected(plant, **SCREWS)
    }
    for name, suspects in CRITERIA.items():
        rows = affected(plant, **suspects)
        counts = previewed(plant, **suspects)["counts"]
        assert rows, name
        assert (counts["certain"], counts["possible"]) == tuple(
            sum(row["certainty"] == certainty for row in rows) for certainty in ("certain", "possible")
        ), name
        assert numbers(counts["by_state"]) == tallied((row["state"], row) for row in rows), name
        assert numbers(counts["by_part"]) == tallied((row["part"], row) for row in rows), name
        assert numbers(counts["by_day"]) == tallied((started[row["part"], row["serial"]], row) for row in rows), name
        assert numbers(counts["by_consignee"]) == tallied(
            (consignee, row) for row in rows for consignee in sent_to.get(row["serial"], {"in the plant"})
        ), name


def test_some_of_each_group_are_told_with_their_paths(plant: Station) -> None:
    sent_to = destinations(plant)
    for suspects in CRITERIA.values():
        rows = {row["serial"]: row for row in affected(plant, **suspects)}
        counts = previewed(plant, **suspects)["counts"]
        for told in (counts, *(group for name in ("state", "part", "day") for group in counts[f"by_{name}"].values())):
            assert 1 <= len(told["examples"]) <= 3
            assert all(row == rows[row["serial"]] for row in told["examples"])
        for name in ("state", "part"):
            for value, group in counts[f"by_{name}"].items():
                assert {row[name] for row in group["examples"]} == {value}
        for consignee, group in counts["by_consignee"].items():
            assert all(consignee in sent_to[row["serial"]] for row in group["examples"])
            assert group["examples"] or consignee == "in the plant"


def test_lots_are_told_by_their_pieces_in_stock_and_where_they_are_up(station: Station) -> None:
    recorded(station.receive("SCREW", lot="S1", quantity=100))
    recorded(station.receive("SCREW", lot="S2", quantity=4))
    recorded(station.load(lot_of("SCREW", "S2"), "L-20"))
    station.complete("D1")
    recorded(station.load(lot_of("SCREW", "S1"), "L-20"))
    station.complete("D2")
    recorded(station.transfer(lot_of("SCREW", "S9"), (lot_of("SCREW", "S1"), 30)))
    told = previewed(station, items=[lot_of("SCREW", "S1"), lot_of("SCREW", "S2"), heater("H-D1-1")])
    assert [(lot["lot"], lot["pieces"], lot["counted_at"]) for lot in told["lots_in_stock"]] == [
        ("S1", 100 - 30 - 4, None),
        ("S9", 30, None),
    ]
    up = {"scan_point": "L-20", "position": "SCREWS", "feeder": "", "part": "SCREW", "lot": "S1"}
    assert [{**row, "feeder": ""} for row in told["points_of_use"]] == [up]
    recorded(station.post("stock-counts", scan_point="GOODS-IN", lot=lot_of("SCREW", "S1"), quantity=60))
    counted = previewed(station, **SCREWS)["lots_in_stock"][0]
    assert (counted["pieces"], counted["counted_at"] is None) == (60, False)
    assert previewed(station, items=[motor("M-D1")])["points_of_use"] == []


def test_components_lie_in_stock_or_were_taken_out_and_subassemblies_wait(station: Station) -> None:
    station.load_lots()
    station.complete("D1")
    built_in = rotor_of(station, "D1")
    waiting = [station.pump(), station.pump()]
    recorded(station.receive("ROTOR", serials=["R1", "R2", "R3"]))
    recorded(station.dispose(serial_of("ROTOR", "R3"), "scrap"))
    taken_out = serial_of("ROTOR", f"R-{waiting[1]['serial']}")
    recorded(
        station.post("removals", scan_point="RW", unit=waiting[1], component=taken_out, reason="noisy"),
    )
    told = previewed(station, received=[{**BY_GOODS_IN["received"][0], "part": "ROTOR"}])
    assert numbers(told["counts"]["by_part"]) == {"DRYER": (1, 0)}
    assert told["counts"]["examples"][0]["path"][0]["serial"] == built_in["serial"]
    assert serials(told["components_in_stock"]) == ["R1", "R2"]
    assert numbers(told["components_in_stock"]["by_part"]) == {"ROTOR": (2, 0)}
    assert serials(told["components_removed"]) == [taken_out["serial"]]
    assert serials(told["subassemblies_waiting"]) == sorted(pump["serial"] for pump in waiting)
    assert numbers(told["subassemblies_waiting"]["by_part"]) == {"PUMP": (2, 0)}
    ends = {row["serial"]: row["exposed_to"] is None for row in told["subassemblies_waiting"]["examples"]}
    assert ends == {waiting[0]["serial"]: True, waiting[1]["serial"]: False}
    for row in (*told["components_in_stock"]["examples"], *told["components_removed"]["examples"]):
        where = asked(station, "where", serial=row["serial"])
        assert (where["state"], where["inside"], row["path"]) == ("usable", [], [])


def test_a_preview_is_of_a_moment_and_as_known_at_a_seal(station: Station) -> None:
    station.load_lots()
    station.complete("D1")
    moment = station.clock.isoformat()
    station.complete("D2")
    seal = station.client.post("/v1/seals").raise_for_status().json()["seal"]
    station.complete("D3")
    assert previewed(station, **SCREWS)["counts"]["certain"] == 3
    assert previewed(station, as_known_at=seal, **SCREWS)["counts"]["certain"] == 2
    then = previewed(station, as_of=moment, **SCREWS)["counts"]
    assert (then["certain"], serials(then)) == (1, ["D1"])


def test_it_says_what_is_suspected_and_what_is_mistaken_as_the_list_does(station: Station) -> None:
    recorded(station.start("D1"))
    spin = {"plan": "SPIN", "characteristic": "NOISE", "at_least": 65, "from": "2026-03-02T00:00:00Z"}
    told = previewed(station, items=[dryer("D1")], measured=[spin])
    assert told["in_words"][1:] == [
        "  DRYER (Dryer): serial number D1.",
        "  Whatever test plan SPIN once found with NOISE at least 65 dB, since 2026-03-02.",
    ]
    assert [note["pointer"] for note in told["notes"]] == ["/suspects/measured/0"]
    wrong: list[Any] = [{"suspects": {"items": [dryer("D9")]}}, {"suspects": {}}, {"as_of": "now", **SCREWS}, []]
    for content in ("{", *map(json.dumps, wrong)):
        answers = [
            station.client.post(f"/v1/{address}", content=content, headers={"Content-Type": "application/json"})
            for address in ("preview", "affected")
        ]
        preview, listed = answers
        assert (preview.status_code, preview.json()) == (listed.status_code, listed.json())
        assert preview.status_code in (400, 422)
