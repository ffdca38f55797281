"""Containment cases: what a freeze lists and stops, what the watch adds, revisions, mistakes that change nothing."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Iterable, Iterator
from hashlib import sha256
from typing import Any

import pytest

from api_tests.cases import (
    CONCESSION,
    decide,
    despatch,
    frozen,
    load_with_slack,
    opened,
    things,
    together,
    told,
    turn,
    types,
)
from api_tests.plant import (
    Json,
    Station,
    books,
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
from api_tests.questions import asked, rotor_of
from api_tests.servers import SQLiteStores

S1, S2, S3 = (lot_of("SCREW", code) for code in ("S1", "S2", "S3"))


@pytest.fixture(autouse=True)
def rebuilt(station: Station, store_url: str, sqlite_stores: SQLiteStores) -> Iterator[None]:  # noqa: ARG001
    """In the end the journal gives the books as they are."""
    yield
    assert differences(store_url, sqlite_stores.migrated()) == []


def sha256_of(listed: Iterable[Json]) -> str:
    """The hash of a list as the case says it is made: RFC 8785 sorts members and leaves out blanks."""
    kept = ("part", "serial", "lot", "certainty", "suspect", "state", "left")
    lines = [{name: row[name] for name in kept if name in row} for row in listed]
    lines.sort(key=lambda row: (row["part"], "serial" in row, row.get("serial") or row["lot"]))
    written = (json.dumps(line, sort_keys=True, separators=(",", ":")) for line in lines)
    return sha256("".join(f"{line}\n" for line in written).encode()).hexdigest()


def units_at(station: Station, seal: int, *items: Json) -> dict[str, str]:
    """The units that items are or were in, as it was known at a seal, with their certainty."""
    response = station.client.post("/v1/affected", json={"suspects": {"items": items}}, params={"as_known_at": seal})
    answer = response.raise_for_status().json()
    return {row["serial"]: certainty for certainty in ("certain", "possible") for row in answer[certainty]}


# -- the freeze


def test_a_freeze_stops_a_lot_wherever_it_has_not_left(station: Station) -> None:
    station.load_lots()
    station.complete("D1")
    station.finish("D2")
    packed = station.box(station.make_ready("D3"))
    gone = station.box(station.make_ready("D4"))
    despatch(station, gone)
    recorded(station.start("D5"))
    recorded(station.transfer(lot_of("SCREW", "K1"), (S1, 10)))
    fact = frozen(station, items=[S1])
    listed = things(station)
    # Cartons above units are no things; what was poured of a suspect lot is.
    assert told(station, "held") == {"D1": True, "D2": True, "D3": True, "D4": False, "K1": True, "S1": True}
    assert told(station, "suspect") == {code: code == "S1" for code in listed}
    assert {thing["certainty"] for thing in listed.values()} == {"certain"}
    assert [code for code, thing in listed.items() if thing["gone"] and thing["left"]] == ["D4"]
    place = {"scan_point": "L-20", "position": "SCREWS", "feeder": "1", "part": "SCREW", "lot": "S1"}
    assert (fact["revision"], fact["things"], fact["points"]) == (1, 6, [place])
    assert fact["sha256"] == sha256_of(listed.values())
    assert units_at(station, fact["seal"], S1) == dict.fromkeys(("D1", "D2", "D3", "D4"), "certain")
    seal = asked(station, "seals")["items"][-1]
    assert (seal["seal"], seal["last_entry"]) == (fact["seal"], fact["last_entry"])
    rows = csv.DictReader(io.StringIO(station.client.get("/v1/cases/C1/things", params={"format": "csv"}).text))
    assert [row["serial"] or row["lot"] for row in rows] == list(listed)

    assert set(reasons(station.marry("D5", "L-20", station.pump()))) == {"on-hold"}, "the point of use is stopped"
    assert set(reasons(station.load(S1, "L-20"))) == {"on-hold"}
    assert set(reasons(station.load(lot_of("SCREW", "K1"), "L-20"))) == {"on-hold"}
    assert "on-hold" in reasons(station.marry("D1", "L-40"))
    assert reasons(station.marry("D2", "RW", lot_of("LEAFLET", "F1"))) == []
    assert set(reasons(station.pack(dryer("D2")))) == {"on-hold"}
    assert set(reasons(station.ship("load", packed, shipment="N2"))) == {"on-hold"}
    late = station.ship("load", packed, shipment="N2", mode="tell")
    assert set(reasons(late)) == {"on-hold"}
    assert set(reasons(station.ship("despatch", shipment="N2"))) == {"on-hold"}
    assert things(station).keys() == listed.keys()


def test_serial_items_of_a_lot_and_what_waits_with_one_inside(station: Station) -> None:
    recorded(station.start("D1"))
    recorded(station.marry("D1", "L-10", "H010001"))
    recorded(station.receive("HEATER", lot="H01", serials=["0002", "0003"]))
    station.load_lots()
    recorded(station.start("D2"))
    pump = station.pump()
    rotor = serial_of("ROTOR", f"R-{pump['serial']}")
    frozen(station, items=[lot_of("HEATER", "H01"), rotor])
    expected = {"D1", "0001", "0002", "0003", "H01", pump["serial"], rotor["serial"]}
    assert told(station, "held") == dict.fromkeys(expected, True)
    assert told(station, "suspect") == {code: code not in ("D1", pump["serial"]) for code in expected}
    assert set(reasons(station.marry("D2", "L-20", pump))) == {"on-hold"}
    assert set(reasons(station.marry("D2", "L-10", heater("0002")))) == {"on-hold"}
    # Not in the books yet: its label names the lot, which is suspected and stopped.
    assert set(reasons(station.marry("D2", "L-10", "H010009"))) == {"on-hold", "suspected"}
    mixed = recorded(station.marry("D2", "L-10", "H010009", mode="tell"))
    assert {"0009", "D2"} < told(station, "held").keys()
    assert (things(station)["0009"]["suspect"], things(station)["D2"]["because"]) == (True, mixed["entry"])
    # A receipt told later names more of the lot.
    answer = recorded(station.receive("HEATER", lot="H01", serials=["0011"], mode="tell"))
    late = things(station)["0011"]
    assert (late["held"], late["because"], late["certainty"]) == (True, answer["entry"], "certain")


def test_a_freeze_of_nothing_and_of_what_comes_later(station: Station) -> None:
    day = {"from": "2026-03-01T00:00:00Z", "to": "2026-03-03T00:00:00Z"}
    fact = frozen(station, received=[{"supplier": "S2", **day}])
    assert (fact["things"], fact["sha256"], fact["points"]) == (0, sha256().hexdigest(), [])
    assert things(station) == {}
    recorded(station.start("D1"))
    # Loaded and drawn before anybody books it in.
    recorded(station.load(S2, "L-20"))
    recorded(station.marry("D1", "L-20", station.pump()))
    recorded(station.receive("SCREW", lot="S1", quantity=50, supplier="S1"))
    assert things(station) == {}
    answer = recorded(station.receive("SCREW", lot="S2", quantity=50, supplier="S2"))
    assert told(station, "held") == {"S2": True, "D1": True}
    assert set(told(station, "because").values()) == {answer["entry"]}
    recorded(station.receive("SCREW", lot="S3", quantity=5, supplier="S2", occurred_at="2026-03-03T00:00:00Z"))
    recorded(station.receive("MOTOR", serials=["M1"], supplier="S2"))
    assert told(station, "suspect") == {"S2": True, "D1": False, "M1": True}
    # A lot that nobody knows cannot be suspected by its name: it may be misspelt.
    opened(station, "C2", items=[S3])
    unknown = turn(station, "open", "C3", title="x", reason="x", suspects={"items": [lot_of("SCREW", "S9")]})
    assert [(one["type"], one["pointer"]) for one in unknown.json()["reasons"]] == [
        ("/problems/unknown-suspect", "/suspects/items/0/lot")
    ]


def test_a_repeat_of_a_freeze_gets_its_answer_and_lists_nothing_twice(station: Station) -> None:
    recorded(station.start("D1"))
    recorded(station.marry("D1", "L-10", motor("M1")))
    opened(station, items=[motor("M1")])
    message = station.says(action="freeze", case="C1")
    first = station.client.post("/v1/cases", json=message)
    recorded(station.marry("D1", "L-10", mode="tell"))
    held = station.held(discrepancy=False)
    again = station.client.post("/v1/cases", json=message)
    assert (again.status_code, again.content) == (first.status_code, first.content)
    assert station.held(discrepancy=False) == held
    assert reasons(turn(station, "open", title="x", suspects={"items": [motor("M1")]}, reason="x")) == ["case-known"]
    assert reasons(turn(station, "freeze", "C9")) == ["unknown-case"]
    assert reasons(turn(station, "reopen", reason="x")) == ["case-closed"]


# -- the watch


def test_what_is_told_becomes_listed_and_what_is_asked_is_refused(station: Station) -> None:
    for serial in ("D1", "D2", "D3"):
        recorded(station.start(serial))
    recorded(station.marry("D1", "L-10", motor("M1")))
    frozen(station, serial_ranges=[{"part": "MOTOR", "from": "M1", "to": "M5"}])
    assert told(station, "held") == {"D1": True, "M1": True}
    # No book knows M3 yet; the case names it.
    assert reasons(station.marry("D2", "L-10", motor("M3"))) == ["suspected"]
    assert recorded(station.marry("D3", "L-10", motor("M6")))
    late = recorded(station.marry("D2", "L-10", motor("M3"), mode="tell"))
    assert types(late["discrepancies"]) == ["suspected"]
    assert [told(station, "because")[code] for code in ("D2", "M3")] == [late["entry"]] * 2
    assert [told(station, "held")[code] for code in ("D2", "M3")] == [True] * 2
    follow_on = station.client.get(f"/v1/entries/{late['entry'] + 1}").raise_for_status().json()
    assert (follow_on["kind"], "message_id" in follow_on) == ("case-list", False)
    assert {fact["fact"] for fact in follow_on["answer"]["facts"]} == {"listed", "held"}
    # It never went in: no longer affected; what was listed stays so until somebody decides.
    (fact,) = facts(late, "married")
    recorded(station.correct(fact["number"]))
    assert (told(station, "affected")["D2"], told(station, "held")["D2"]) == (False, True)


def test_a_removal_told_late_ends_an_exposure(station: Station) -> None:
    station.load_lots()
    station.complete("D1")
    pump = serial_of("PUMP", rotor_of(station, "D1")["serial"].removeprefix("R-"))
    before = station.clock.isoformat()
    begin = station.says()["occurred_at"]
    worked = {"scan_point": "RW", "from": begin}
    recorded(station.post("removals", scan_point="RW", unit=pump, component=rotor_of(station, "D1"), reason="noisy"))
    frozen(station, worked=[worked])
    assert told(station, "suspect") == {"D1": False, pump["serial"]: True}
    recorded(station.remove("D1", pump, occurred_at=before, mode="tell"))
    dryer_now = things(station)["D1"]
    assert (dryer_now["affected"], dryer_now["held"], dryer_now["dropped_in"]) == (False, True, None)
    assert (things(station)[pump["serial"]]["affected"], things(station)[pump["serial"]]["still"]) == (True, True)


@pytest.fixture
def slack(station: Station, store_url: str) -> None:  # noqa: ARG001 - which loads its own catalogue first
    """Where screws are taken, five pieces may still be of the lot before: a dryer takes four."""
    load_with_slack(store_url, 5)


def drawn(station: Station, serial: str) -> Json:
    """The answer to a dryer that takes its screws."""
    recorded(station.start(serial))
    return recorded(station.marry(serial, "L-20", station.pump()))


@pytest.mark.usefixtures("slack")
def test_what_is_drawn_soon_after_a_suspect_lot_is_held_as_possible(station: Station) -> None:
    recorded(station.load(S1, "L-20"))
    for serial in ("D1", "D2", "D3"):
        drawn(station, serial)
    frozen(station, items=[S1])
    recorded(station.load(S2, "L-20"))
    answers = {serial: drawn(station, serial) for serial in ("D4", "D5", "D6", "D7")}
    listed = things(station)
    # Five pieces: all four of D4, and one of D5. D2 and D3 were listed before S1 was taken down, as certain.
    assert {code: thing["certainty"] for code, thing in listed.items()} == {
        **dict.fromkeys(("S1", "D1", "D2", "D3"), "certain"),
        **dict.fromkeys(("D4", "D5"), "possible"),
    }
    assert [listed[serial]["because"] for serial in ("D4", "D5")] == [answers[one]["entry"] for one in ("D4", "D5")]
    assert all(thing["held"] for thing in listed.values())
    assert answers["D4"]["outcome"] == "recorded"
    # Told late: S1 was up again before D5, so that only D5 and D6 may have the last pieces of S2.
    late = recorded(station.load(S1, "L-20", occurred_at=station.ago(125), mode="tell"))
    listed = things(station)
    assert {code: listed[code]["certainty"] for code in ("D5", "D6", "D7")} == {
        **dict.fromkeys(("D5", "D6"), "possible"),
        "D7": "certain",
    }
    assert (listed["D7"]["because"], listed["D7"]["held"]) == (late["entry"], True)


@pytest.mark.usefixtures("slack")
def test_in_one_batch_each_message_sees_what_the_one_before_made_suspect(station: Station) -> None:
    recorded(station.load(S1, "L-20"))
    for serial in ("D1", "D2", "D3", "D4"):
        recorded(station.start(serial))
    recorded(station.marry("D1", "L-10", motor("M1")))
    opened(station, "C0", items=[motor("M1")])
    opened(station, "C1", items=[S1, motor("M1")], serial_ranges=[{"part": "MOTOR", "from": "M7", "to": "M8"}])
    pumps = [station.pump() for _ in range(3)]
    head: Json = {"kind": "marriage", "mode": "ask"}

    def marriage(serial: str, point: str, item: Json, **more: Any) -> Json:
        return station.says(
            **head | {"unit": dryer(serial), "scan_point": point, "components": [{"item": item}]} | more
        )

    def loading(lot: Json) -> Json:
        return station.says(kind="lot-loading", mode="ask", scan_point="L-20", lot=lot)

    answers = together(
        station,
        station.says(kind="containment", mode="ask", action="freeze", case="C0"),
        station.says(kind="containment", mode="ask", action="freeze", case="C1"),
        marriage("D2", "L-10", motor("M7")),
        marriage("D3", "L-10", motor("M8"), mode="tell"),
        marriage("D2", "L-20", pumps[0]),
        loading(S2),
        marriage("D3", "L-20", pumps[1]),
        marriage("D4", "L-20", pumps[2]),
        station.says(kind="packing", mode="ask", scan_point="PACK", packaging="BOX", contents=[dryer("D3")]),
    )
    given = [(one["status"], types(one["answer"].get("reasons", ()))) for one in answers]
    assert given[:6] == [
        (201, []),
        (201, []),
        (409, ["suspected"]),
        (201, []),
        (409, ["on-hold"]),
        (201, []),
    ]
    # D3 is stopped by M8 in the batch itself; D4 takes the first pieces after the suspect lot.
    assert [(status, "on-hold" in found) for status, found in given[6:]] == [(409, True), (201, False), (409, True)]
    listed = things(station)
    assert {code: thing["certainty"] for code, thing in listed.items()} == {
        **dict.fromkeys(("D1", "M1", "S1", "M8", "D3"), "certain"),
        "D4": "possible",
    }
    assert all(thing["held"] for thing in listed.values())


def test_work_in_a_time_and_on_an_instrument_is_watched(station: Station) -> None:
    station.load_lots()
    station.complete("D1")
    recorded(station.test("D1"))
    begin = station.says()["occurred_at"]
    station.complete("D2")
    frozen(station, "A", worked=[{"scan_point": "L-30", "from": begin}])
    frozen(station, "B", worked=[{"instrument": "T1", "operator": "B1", "from": "2026-03-01T00:00:00Z"}])
    high = {"plan": "SAFETY", "characteristic": "EARTH", "at_least": 0.15, "from": "2026-03-01T00:00:00Z"}
    frozen(station, "C", measured=[high])
    frozen(station, "D", built_under=[{"from": 1}])
    assert [set(things(station, case)) for case in "ABC"] == [set(), {"D1"}, set()]
    assert {"D1", "D2"} < set(things(station, "D"))
    measured = [{"characteristic": "EARTH", "value": 0.15}, {"characteristic": "VISUAL", "good": True}]
    answer = recorded(station.test("D2", measured, mode="tell"))
    assert [things(station, case)["D2"]["because"] for case in "ABC"] == [answer["entry"]] * 3
    assert station.held(discrepancy=False).count(dryer("D2")) == 4
    # The value was misread: no reason any more, but nobody let the dryer go.
    (run,) = facts(answer, "tested")
    recorded(station.correct(run["number"]))
    assert (told(station, "affected", "C"), told(station, "held", "C")) == ({"D2": False}, {"D2": True})
    recorded(station.start("D3"))
    assert things(station, "D")["D3"]["suspect"]


def test_what_was_produced_on_a_day_is_watched(station: Station) -> None:
    recorded(station.start("D1"))
    day = {"part": "ROTOR", "from": "2026-02-01", "to": "2026-02-02"}
    frozen(station, produced=[day, {**day, "part": "SCREW", "supplier": "S2"}])
    for number, produced in enumerate(("2026-01-31", "2026-02-01", "2026-02-02", "2026-02-03")):
        recorded(station.receive("ROTOR", serials=[f"R{number}"], produced_on=produced))
        recorded(
            station.receive("SCREW", lot=f"S{number}", quantity=9, produced_on=produced, supplier=f"S{1 + number % 2}")
        )
    assert told(station, "held") == {"R1": True, "R2": True, "S1": True}


def test_shipped_units_that_come_back_are_stopped_again_and_so_is_what_is_in_them(station: Station) -> None:
    station.load_lots()
    first, second = station.make_ready("D1"), station.make_ready("D2")
    despatch(station, station.box(first, second))
    rotors = [rotor_of(station, serial) for serial in ("D1", "D2")]
    pumps = [serial_of("PUMP", rotor["serial"].removeprefix("R-")) for rotor in rotors]
    frozen(station, items=[*rotors, motor("M-D1"), motor("M-D2")])
    every = {"D1", "D2", "M-D1", "M-D2", *(one["serial"] for one in (*rotors, *pumps))}
    assert told(station, "held") == dict.fromkeys(every, False)
    recorded(station.start("D3"))
    recorded(station.marry("D3", "L-10", heater("H-D3-1")))
    assert told(station, "held") == dict.fromkeys(every, False)
    recorded(station.take_back(first))
    assert {code for code, held in told(station, "held").items() if held} == {
        "D1",
        "M-D1",
        pumps[0]["serial"],
        rotors[0]["serial"],
    }
    assert told(station, "gone") == dict.fromkeys(every, True)
    # D2 is taken apart by somebody who had it: its pump comes out of what has left.
    recorded(station.remove("D2", pumps[1], mode="tell"))
    held = told(station, "held")
    assert [held[code] for code in ("D2", "M-D2", pumps[1]["serial"], rotors[1]["serial"])] == [
        False,
        False,
        True,
        True,
    ]


# -- revisions


def test_revisions_widen_narrow_and_come_back(station: Station) -> None:
    for serial in ("D1", "D2"):
        recorded(station.start(serial))
        recorded(station.marry(serial, "L-10", motor(f"M-{serial}")))
    frozen(station, items=[motor("M-D1")])
    both = {"items": [motor("M-D1"), motor("M-D2")]}

    def again(**said: Any) -> list[Json]:
        answer = recorded(turn(station, "freeze", **said))
        following = station.client.get(f"/v1/entries/{answer['entry'] + 1}").json()
        return [] if following.get("kind") != "case-list" else list(following["answer"]["facts"])

    def kinds(made: list[Json]) -> list[str]:
        return [fact["fact"] for fact in made]

    assert again() == [], "nothing has changed"
    assert sorted(kinds(again(suspects=both, reason="the supplier said more"))) == ["held", "held", "listed", "listed"]
    assert (told(station, "revision")["D1"], told(station, "revision")["D2"]) == (1, 3)
    refused = turn(station, "freeze", suspects={"items": [motor("M9")]}, reason="misspelt")
    assert reasons(refused) == ["unknown-suspect"]
    assert set(told(station, "held").values()) == {True}, "a mistake frees nothing"
    narrowed = again(suspects={"items": [motor("M-D2")]}, reason="M-D1 was of another melt")
    assert sorted(kinds(narrowed)) == ["dropped", "dropped", "released", "released"]
    assert told(station, "held") == {"D1": False, "M-D1": False, "D2": True, "M-D2": True}
    assert told(station, "dropped_in") == {"D1": 4, "M-D1": 4, "D2": None, "M-D2": None}
    assert reasons(decide(station, "scrap", motor("M-D1"))) == ["not-listed"]
    recorded(station.marry("D1", "L-10", heater("H1")))
    assert sorted(kinds(again(suspects=both, reason="it was not"))) == ["held", "held", "relisted", "relisted"]
    assert told(station, "dropped_in") == dict.fromkeys(("D1", "M-D1", "D2", "M-D2"))
    assert set(reasons(station.marry("D1", "L-10", heater("H2")))) == {"on-hold"}


def test_two_cases_stop_one_unit_apart(station: Station) -> None:
    recorded(station.start("D1"))
    recorded(station.marry("D1", "L-10", motor("M1"), heater("H1")))
    frozen(station, "A", items=[motor("M1")])
    frozen(station, "B", items=[heater("H1")])
    held = station.client.get("/v1/holds").json()["items"]
    of_unit = [hold for hold in held if hold["item"] == dryer("D1")]
    assert len(of_unit) == 2
    for hold in of_unit:
        assert reasons(station.release(hold["hold"])) == ["case-hold"]
    # It is told that somebody took the tag off: recorded, and stopped again at once.
    assert reasons(station.release(of_unit[0]["hold"], mode="tell")) == ["case-hold"]
    assert [told(station, "held", case)["D1"] for case in "AB"] == [True, True]
    recorded(decide(station, "use as is", dryer("D1"), case="A", **CONCESSION))
    assert [told(station, "held", case)["D1"] for case in "AB"] == [False, True]
    # The motor goes with the dryer that it is in; the other case's heater does not.
    assert (told(station, "decision", "A"), told(station, "held", "B")) == (
        {"D1": "use as is", "M1": "use as is"},
        {"D1": True, "H1": True},
    )
    assert set(reasons(station.marry("D1", "L-10", heater("H2")))) == {"on-hold"}
    recorded(decide(station, "use as is", dryer("D1"), case="B", **CONCESSION))
    recorded(station.marry("D1", "L-10", heater("H2")))


def test_conditions_together_are_watched(station: Station) -> None:
    for serial in ("D1", "D2", "D3"):
        recorded(station.start(serial))
    for place, serial in enumerate(("D1", "D2", "D3"), 1):
        recorded(station.marry(serial, "L-10", f"H01000{place}"))
    lots = lot_of("HEATER", "H01")
    recorded(station.receive("MOTOR", lot=None, serials=["M1", "M2", "M3"], supplier="S1"))
    of_s1 = {"received": [{"supplier": "S1", "part": "MOTOR", "from": "2026-03-01T00:00:00Z"}]}
    reworked = {"worked": [{"scan_point": "RW", "from": "2026-03-01T00:00:00Z"}]}
    suspects: Json = {"items": [lots], "all_of": [of_s1], "except": reworked}
    fact = frozen(station, **suspects)
    assert (fact["things"], things(station)) == (0, {})
    assert recorded(station.start("D4"))
    # Neither heaters of H01 nor motors are listed alone, so nothing stops them; a dryer with both is.
    answer = recorded(station.marry("D1", "L-10", motor("M1")))
    assert told(station, "because") == {"D1": answer["entry"]}
    assert things(station)["D1"]["suspect"] is False
    # Reworked ones are excepted: the watch takes nothing off the list, a new revision does.
    recorded(station.marry("D2", "RW", motor("M2")))
    assert told(station, "held") == {"D1": True}
    recorded(station.remove("D1", motor("M1"), mode="tell"))
    assert (told(station, "affected"), told(station, "held")) == ({"D1": False}, {"D1": True})
    recorded(turn(station, "freeze"))
    assert (told(station, "dropped_in"), told(station, "held")) == ({"D1": 2}, {"D1": False})


def test_mistakes_are_refused_where_they_are_and_change_nothing(station: Station, store_url: str) -> None:
    before = books(store_url)
    since = {"from": "2026-03-01T00:00:00Z"}
    wrong: Json = {
        "items": [{"part": "MOTOR", "serial": "M1"}, {"part": "MOTER", "lot": "S1"}],
        # Mod 37,36 of P0001 is not 0, by the tables of the plant's pumps.
        "serial_ranges": [{"part": "PUMP", "from": "P00010", "to": "P00020"}],
        "received": [{"supplier": "S9", **since}],
        "produced": [{"part": "ROTER", "from": "2026-01-01", "to": "2026-01-02"}],
        "worked": [{"scan_point": "L-99", **since}],
        "measured": [{"plan": "SAFETY", "characteristic": "VISUAL", "at_least": 1, **since}],
        "built_under": [{"from": 3}],
        "all_of": [{"worked": [{"scan_point": "L-98", **since}]}],
        "except": {"items": [{"part": "HEATER", "lot": "H01"}]},
    }
    refused = turn(station, "open", title="x", reason="x", suspects=wrong)
    assert set(reasons(refused)) == {"unknown-suspect"}
    assert sorted({reason["pointer"].removeprefix("/suspects/") for reason in refused.json()["reasons"]}) == [
        "all_of/0/worked/0/scan_point",
        "built_under/0/from",
        "except/items/0/lot",
        "items/0/serial",
        "items/1/part",
        "measured/0/characteristic",
        "produced/0/part",
        "received/0/supplier",
        "serial_ranges/0",
        "worked/0/scan_point",
    ]
    assert books(store_url) == before
    wrong_forms: list[Json] = [{}, {"serial_ranges": [{"part": "MOTOR", "from": "M2", "to": "M1"}]}, {"item": []}]
    for suspects in wrong_forms:
        assert turn(station, "open", title="x", reason="x", suspects=suspects).status_code == 422
    assert turn(station, "open", title="x", reason="x").status_code == 422
