"""The history of an item in sentences: every entry that touched it, and no other."""

from __future__ import annotations

import csv
import io
import json
import re
from collections.abc import Iterator
from datetime import timedelta
from typing import Any, get_args

import pytest

from api_tests.cases import CONCESSION, decide, frozen, turn
from api_tests.plant import Json, Station, dryer, facts, heater, lot_of, motor, number_of, recorded, serial_of
from api_tests.questions import asked, rotor_of
from partkin.rules.facts import Fact
from partkin.rules.sentences import sentence
from partkin.web.schemas.history import History, HistoryEntry


def history(station: Station, item: Json, **wanted: Any) -> list[Json]:
    """The whole history of an item."""
    page = asked(station, "history", **item, limit=1000, **wanted)
    History.model_validate(page, strict=False)
    assert page["next"] is None
    rows: list[Json] = page["items"]
    return rows


def sentences(row: Json) -> str:
    """What an entry says, as one text."""
    return " ".join(row["sentences"])


# -- a life, and an independent reading of the journal


def earlier(station: Station, seconds: int) -> str:
    """A moment before the last message."""
    return (station.clock - timedelta(seconds=seconds)).isoformat()


@pytest.fixture
def life(station: Station) -> Station:
    """A dryer is built, repaired, corrected, packed, shipped, and comes back; another one is built beside it."""
    recorded(station.receive("CARTON", lot="C1", quantity=50))
    recorded(station.transfer(lot_of("CARTON", "C2"), (lot_of("CARTON", "C1"), 20)))
    station.load_lots()
    station.complete("D1")
    station.complete("D2")
    recorded(station.load(lot_of("SCREW", "S2"), "L-20", mode="tell", occurred_at=earlier(station, 100)))
    recorded(station.marry("D2", "L-10", motor("M-D1"), mode="tell"))
    repair(station)
    recorded(station.test("D1"))
    recorded(station.marry("D1", "L-40"))
    recorded(station.marry("D1", "RW", lot_of("LEAFLET", "F1")))
    ship(station)
    return station


def repair(station: Station) -> None:
    """The dryer's motor is replaced, a rotor deep inside is taken out and that is corrected, a test was another's."""
    hold = number_of(station.hold(dryer("D1")), "held")
    recorded(station.remove("D1", motor("M-D1"), destination="scrap", replacement={"item": motor("M-NEW")}))
    pump = next(
        row for row in asked(station, "tree", part="DRYER", serial="D1")["content"] if row["position"] == "PUMP"
    )
    said = {"scan_point": "RW", "unit": serial_of("PUMP", pump["serial"]), "component": rotor_of(station, "D1")}
    out = recorded(station.post("removals", **said, reason="worn"))
    recorded(station.correct(facts(out, "removed")[0]["number"], operator="Q1"))
    recorded(station.release(hold, operator="Q1"))
    run = number_of(station.test("D1", [{"characteristic": "EARTH", "value": 0.3}]), "tested")
    recorded(station.correct(run, unit=dryer("D2"), operator="Q1"))
    recorded(station.dispose(motor("M-D1"), "failure analysis"))
    recorded(station.dispose(lot_of("CARTON", "C1"), "scrap", quantity=3))


def pump_of(station: Station, serial: str) -> Json:
    """The pump of a dryer; its rotor was named after it."""
    return serial_of("PUMP", rotor_of(station, serial)["serial"].removeprefix("R-"))


def ship(station: Station) -> None:
    """The dryer's pump is labelled, and the dryer packed, shipped and taken back."""
    recorded(station.post("labels", items=[pump_of(station, "D1")], label="component"))
    box = station.box(dryer("D1"))
    pallet = station.pallet(box)
    recorded(station.ship("load", pallet))
    recorded(station.ship("unload", pallet))
    recorded(station.ship("load", pallet, shipment="N2"))
    recorded(station.ship("despatch", shipment="N2"))
    recorded(station.take_back(dryer("D1"), consignee="SHOP-1"))


NAMES = ("item", "parent", "child", "lot", "source", "target")
NUMBERS = ("marriage", "hold", "line", "loading", "wrong", "instead", "was", "now", "listed")


def entries(station: Station) -> list[Json]:
    """All recorded entries, in order of when they happened; what a case lists, when that did which it lists it for."""
    rows = asked(station, "entries", limit=1000)["items"]
    numbered = {row["entry"]: row for row in rows}
    told = [row for row in rows if row["outcome"] == "recorded" and "facts" in row["answer"]]
    return sorted(told, key=lambda row: (moment(numbered[row["answer"].get("because", row["entry"])]), row["entry"]))


def moment(row: Json) -> str:
    """When it happened, as text that sorts: the station of these tests speaks in UTC."""
    said: str = row["message"]["occurred_at"]
    return said.replace("+00:00", "")


def named(fact: Json) -> Iterator[str]:
    """The items that a fact names, as JSON text."""
    yield from (json.dumps(fact[name], sort_keys=True) for name in NAMES if isinstance(fact.get(name), dict))
    yield from (json.dumps(key, sort_keys=True) for key in fact.get("drawn", ()))
    for serial in fact.get("serials", ()):
        yield json.dumps({"part": fact["part"], "serial": serial}, sort_keys=True)


def touched(station: Station) -> dict[str, set[int]]:
    """By item, the entries with a fact that names it, or names a row that a fact about it made."""
    owners: dict[int, set[str]] = {}
    found: dict[str, set[int]] = {}
    for row in sorted(entries(station), key=lambda row: int(row["entry"])):
        for fact in row["answer"]["facts"]:
            names = set(named(fact))
            if "number" in fact:
                owners[fact["number"]] = names
            for number in (fact[name] for name in NUMBERS if isinstance(fact.get(name), int)):
                names |= owners.get(number, set())
            for name in names:
                found.setdefault(name, set()).add(row["entry"])
    return found


def test_every_entry_that_touched_an_item_is_in_its_history(life: Station) -> None:
    """Against a reading of the whole journal. There may be more only of shipments and returns of what the item was in,
    and of lots that became known late."""
    expected = touched(life)
    kinds = {row["entry"]: row["kind"] for row in entries(life)}
    # What was drawn from it by what was known then: it is in the history of the lot that it truly came from.
    first, second = (json.dumps(lot_of("SCREW", lot), sort_keys=True) for lot in ("S1", "S2"))
    assert {kinds[number] for number in expected.pop(first)} == {"lot-loading", "marriage"}
    assert [row["kind"] for row in history(life, json.loads(first))] == ["lot-loading"]
    assert [row["kind"] for row in history(life, json.loads(second))] == ["lot-loading"]
    assert len(expected) > 15
    for name, wanted in expected.items():
        told = {row["entry"] for row in history(life, json.loads(name))}
        assert told >= wanted, (name, {number: kinds[number] for number in wanted - told})
        assert {kinds[number] for number in told - wanted} <= {"shipment", "customer-return", "lot-loading"}, name


def test_a_history_is_in_the_order_in_which_things_happened(life: Station) -> None:
    rows = history(life, dryer("D1"))
    order = [row["entry"] for row in entries(life)]
    assert [row["entry"] for row in rows] == [number for number in order if number in {row["entry"] for row in rows}]
    late = next(row for row in rows if row["kind"] == "lot-loading")
    assert (late["mode"], late["entry"] > rows[rows.index(late) + 1]["entry"]) == ("tell", True)
    assert "came from SCREW lot S2." in sentences(late)


@pytest.fixture
def contained(station: Station) -> Station:
    """A motor and a lot are suspected; the lot is dropped and suspected again; the units are reworked and inspected."""
    station.load_lots()
    station.complete("D1")
    station.complete("D2")
    motors = [motor("M-D1"), motor("M-D2")]
    frozen(station, items=[motor("M-D1"), lot_of("SCREW", "S1")])
    recorded(turn(station, "freeze", suspects={"items": [motor("M-D1")]}, reason="not the lot"))
    recorded(station.marry("D2", "RW", motor("M-D1"), mode="tell"))
    recorded(turn(station, "freeze", suspects={"items": [*motors, lot_of("SCREW", "S1")]}, reason="the lot too"))
    recorded(station.post("stock-counts", lot=lot_of("SCREW", "S1"), quantity=3))
    recorded(station.post("sortings", case="C1", sorting="S1", listed="certain", rule="all"))
    recorded(station.post("inspections", case="C1", sorting="S1", item=dryer("D1"), good=False, found="cracked"))
    recorded(station.remove("D1", motor("M-D1"), destination="scrap", replacement={"item": motor("M-NEW")}))
    recorded(decide(station, "use as is", dryer("D1"), **CONCESSION))
    recorded(station.post("inspections", case="C1", sorting="S1", item=dryer("D2"), good=True))
    recorded(decide(station, "use as is", dryer("D2"), **CONCESSION))
    recorded(decide(station, "scrap", motor("M-D1"), lot_of("SCREW", "S1")))
    recorded(station.dispose(lot_of("SCREW", "S1"), "scrap", quantity=3))
    recorded(turn(station, "close", reason="all is done", unaccounted="swept up"))
    return station


def test_what_cases_do_is_in_the_history_of_each_thing(contained: Station) -> None:
    """Against the same reading of the whole journal, and in its order."""
    expected = touched(contained)
    order = [row["entry"] for row in entries(contained)]
    kinds = {row["entry"]: row["kind"] for row in entries(contained)}
    assert {"case-list", "case-decision", "sorting", "inspection", "stock-count"} <= set(kinds.values())
    for name, wanted in expected.items():
        told = [row["entry"] for row in history(contained, json.loads(name))]
        assert told == sorted(told, key=order.index), name
        assert set(told) == wanted, (name, {number: kinds[number] for number in wanted ^ set(told)})


def test_what_a_case_did_with_a_thing_reads_well(contained: Station) -> None:
    numbers = re.compile(r"hold \d+", re.IGNORECASE)
    lot, unit = (
        [numbers.sub("hold", one) for row in history(contained, item) for one in row["sentences"] if "case" in one]
        for item in (lot_of("SCREW", "S1"), dryer("D1"))
    )
    why, listed = "by B1: thread lock cracks.", "SCREW lot S1 in containment case C1"
    assert lot == [
        "Containment case C1, revision 1, lists SCREW lot S1 as suspected itself; it is usable.",
        f"SCREW lot S1 was put on hold of containment case C1 {why}",
        f"{listed}: no longer suspected since revision 2.",
        "hold on SCREW lot S1 was released by B1: no longer suspected in case C1 since its revision 2.",
        f"{listed}: listed anew as certainly affected, revision 3; what was decided of it counts no more.",
        f"SCREW lot S1 was put on hold of containment case C1 {why}",
        "SCREW lot S1: B1 decided in containment case C1: scrap, by material review board: looked at.",
        "hold on SCREW lot S1 was released by B1: case C1 is closed: all is done.",
    ]
    assert unit[:2] == [
        "Containment case C1, revision 1, lists DRYER D1 as certainly affected; it is in work.",
        f"DRYER D1 was put on hold of containment case C1 {why}",
    ]
    assert unit[2].startswith("Sorting S1 of containment case C1: B1 drew 2 of 2 units that it lists as certain, by")
    (decision,) = [one for one in unit if "decided" in one]
    said = "use as is, by material review board, concession K-7 signed by B9: looked at; proof: MOTOR M-D1 in DRYER D1,"
    assert decision.startswith(f"DRYER D1: B1 decided in containment case C1: {said}")
    (inspected,) = [row for row in history(contained, dryer("D1")) if row["kind"] == "inspection"]
    assert sentences(inspected) == "DRYER D1 was inspected by B1 for sorting S1 and found bad: cracked."


def test_a_history_reads_well(life: Station) -> None:
    rows = history(life, dryer("D1"))
    said = {row["kind"]: row for row in rows}
    assert all(one[0].isupper() or one[0].isdigit() for row in rows for one in row["sentences"])
    assert all(one.endswith(".") and "\n" not in one for row in rows for one in row["sentences"])
    first = rows[0]
    assert first["sentences"][0].startswith("DRYER D1 was started at 2026-03-02 05:0")
    assert (first["kind"], first["scan_point"], first["operator"]) == ("unit-start", "L-10", "B1")
    out = next(row for row in rows if row["kind"] == "removal" and "MOTOR" in sentences(row))
    assert "MOTOR M-D1 was taken out of DRYER D1, to scrap: noisy." in out["sentences"]
    assert any(
        one.startswith("MOTOR M-NEW was put into DRYER D1, position MOTOR, slot 1, at") for one in out["sentences"]
    )
    released = next(row for row in rows if "was released by Q1" in sentences(row))
    assert released["sentences"][0].startswith("Hold ")
    assert "on DRYER D1 was released by Q1" in released["sentences"][0]
    assert "EARTH 0.3 instead of at most 0.2" in sentences(next(row for row in rows if row["kind"] == "test-run"))
    pump = pump_of(life, "D1")
    (printed,) = [row for row in history(life, pump) if row["kind"] == "label-print"]
    assert sentences(printed).startswith(f"The component label of PUMP {pump['serial']} was printed as ")
    assert said["customer-return"]["sentences"][:2] == [
        "DRYER D1 came back from SHOP-1: noisy.",
        "DRYER D1 is back from a customer.",
    ]
    despatched = next(row for row in rows if "left the plant" in sentences(row))
    assert despatched["sentences"][-1] == "DRYER D1 is shipped."
    assert "BOX" not in sentences(despatched)


def test_what_was_corrected_says_by_which_entry_and_why(life: Station) -> None:
    rows = history(life, dryer("D1"))
    corrected = [(row["entry"], row["corrected"]) for row in rows if row["corrected"]]
    corrections = [row["entry"] for row in rows if row["kind"] == "correction"]
    ((_, (one,)),) = [row for row in corrected if row[1][0]["entry"] == corrections[-1]]
    assert (one["reason"], one["entry"]) == ("misread", corrections[-1])
    assert "Run of SAFETY on DRYER D1" in sentences(rows[-1 - [row["entry"] for row in rows][::-1].index(one["entry"])])
    others = [row for row in history(life, dryer("D2")) if row["entry"] == one["entry"]]
    assert "DRYER D2: SAFETY on T1" in sentences(others[0])


def test_what_happened_inside_is_told_only_if_asked_and_only_while_it_was_inside(life: Station) -> None:
    own, all_of_it = history(life, dryer("D1")), history(life, dryer("D1"), inside=True)
    rotor = rotor_of(life, "D1")["serial"]
    taken = f"ROTOR {rotor} was taken out of PUMP "
    assert not any(taken in sentences(row) for row in own)
    assert any(taken in sentences(row) for row in all_of_it)
    # The pump was begun and its rotor received before; the motor went to analysis after it was taken out.
    assert not any("PL-10" in sentences(row) or row["kind"] == "receipt" for row in all_of_it)
    assert not any(row["kind"] == "disposition" for row in all_of_it)
    assert any(row["kind"] == "disposition" for row in history(life, motor("M-D1")))
    assert {row["entry"] for row in own} <= {row["entry"] for row in all_of_it}


def test_a_component_tells_where_it_went_with_what_it_was_in(life: Station) -> None:
    rows = history(life, heater("H-D1-1"))
    assert [row["kind"] for row in rows] == ["marriage", *["shipment"] * 4, "customer-return"]
    assert "Shipment N2 left the plant" in sentences(rows[-2])
    assert "DRYER D1 came back from SHOP-1" in sentences(rows[-1])


def test_a_shipment_leaves_only_with_what_is_on_it(station: Station) -> None:
    station.load_lots()
    for serial in ("D1", "D2"):
        recorded(station.ship("load", station.make_ready(serial)))
    recorded(station.ship("unload", dryer("D1")))
    recorded(station.ship("despatch"))
    first, second = (history(station, dryer(serial)) for serial in ("D1", "D2"))
    assert sentences(first[-1]) == "No longer: DRYER D1 on shipment N1. Why: no room."
    assert sentences(second[-1]) == "Shipment N1 left the plant. DRYER D2 is shipped."


def test_discrepancies_are_told(life: Station) -> None:
    late, row = (row for row in history(life, dryer("D2")) if row["discrepancies"])
    assert [one["type"] for one in late["discrepancies"]] == ["/problems/loaded-late"]
    assert (late["mode"], row["mode"]) == ("tell", "tell")
    types = {one["type"].removeprefix("/problems/") for one in row["discrepancies"]}
    assert types == {"already-installed", "no-free-slot"}
    assert "which is disputed" in sentences(row)


# -- the question


@pytest.mark.parametrize("inside", [False, True])
def test_pages_lines_and_cells_hold_the_same(life: Station, inside: bool) -> None:
    whole = history(life, dryer("D1"), inside=inside)
    paged: list[Json] = []
    cursor: str | None = ""
    while cursor is not None:
        page = asked(life, "history", serial="D1", inside=inside, limit=3, cursor=cursor)
        assert len(page["items"]) == 3 or page["next"] is None
        paged += page["items"]
        cursor = page["next"]
    assert paged == whole
    asking: dict[str, str | bool] = {"serial": "D1", "inside": inside}
    lines = life.client.get("/v1/history", params={**asking, "format": "ndjson"}).text.splitlines()
    assert [json.loads(line) for line in lines] == whole
    cells = list(csv.DictReader(io.StringIO(life.client.get("/v1/history", params={**asking, "format": "csv"}).text)))
    assert list(cells[0]) == list(HistoryEntry.model_fields)
    assert [json.loads(row["sentences"]) for row in cells] == [row["sentences"] for row in whole]


def test_a_history_of_nothing_known_is_a_problem_in_every_format(station: Station) -> None:
    for form in ("json", "ndjson", "csv"):
        answer = station.client.get("/v1/history", params={"serial": "NONE", "format": form})
        assert (answer.status_code, answer.json()["type"]) == (404, "/problems/unknown-item")
    assert station.client.get("/v1/history", params={"serial": "D1", "cursor": "x"}).status_code == 422


@pytest.mark.parametrize("kind", get_args(Fact), ids=lambda kind: str(kind.__name__))
def test_every_kind_of_fact_has_a_sentence(kind: type[Fact]) -> None:
    assert sentence.dispatch(kind) is not sentence.dispatch(object)
