"""What can be suspected: each criterion, and all together, with answers reckoned by hand."""

from __future__ import annotations

from typing import Any

import pytest

from api_tests.cases import load_with_slack
from api_tests.plant import CATALOGUE, Json, Station, dryer, heater, lot_of, motor, recorded, serial_of
from api_tests.questions import asked, rotor_of
from partkin.actions.load_catalogue import load_catalogue
from partkin.store.database import Database

DAY = "2026-03-02"
FIRST, SECOND = "2026-02-01", "2026-02-02"
ALWAYS = {"from": f"{DAY}T00:00:00Z"}


def found(station: Station, **suspects: Any) -> tuple[list[str], list[str]]:
    """Serial numbers of the units affected: certainly, possibly."""
    response = station.client.post("/v1/affected", json={"suspects": suspects})
    answer = response.raise_for_status().json()
    return [row["serial"] for row in answer["certain"]], [row["serial"] for row in answer["possible"]]


def mistakes(station: Station, **suspects: Any) -> dict[str, str]:
    """What is wrong in criteria, by its place."""
    response = station.client.post("/v1/affected", json={"suspects": suspects})
    assert response.status_code == 422, response.text
    return {error["pointer"]: error["detail"] for error in response.json()["errors"]}


def built(station: Station, *serials: str) -> None:
    """Dryers are started and get motors."""
    for serial in serials:
        recorded(station.start(serial))
        recorded(station.marry(serial, "L-10", motor(f"M-{serial}")))


# -- serial ranges


@pytest.fixture
def pumped(station: Station) -> list[str]:
    """Pumps that are in D1, D2 and D3."""
    station.load_lots()
    for serial in ("D1", "D2", "D3"):
        station.complete(serial)
    return [rotor_of(station, serial)["serial"].removeprefix("R-") for serial in ("D1", "D2", "D3")]


def test_serial_numbers_of_a_range_bear_their_check_characters(station: Station, pumped: list[str]) -> None:
    first, second, third = pumped
    assert found(station, serial_ranges=[{"part": "PUMP", "from": first, "to": second}]) == (["D1", "D2"], [])
    assert found(station, serial_ranges=[{"part": "PUMP", "from": third, "to": third}]) == (["D3"], [])
    wrong = f"{second[:-1]}{'A' if second[-1] != 'A' else 'B'}"
    said = mistakes(station, serial_ranges=[{"part": "PUMP", "from": first, "to": wrong}])
    assert list(said) == ["/suspects/serial_ranges/0"]
    assert second in said["/suspects/serial_ranges/0"], "it says which would be right"


def test_a_range_can_be_given_without_check_characters(station: Station, pumped: list[str]) -> None:
    first, second, _ = (serial[:-1] for serial in pumped)
    bodies = {"part": "PUMP", "from": first, "to": second, "without_check": True}
    assert found(station, serial_ranges=[bodies]) == (["D1", "D2"], [])
    assert "/suspects/serial_ranges/0" in mistakes(station, serial_ranges=[{**bodies, "without_check": False}])


def test_a_range_of_numbers_without_a_check_is_of_their_length(station: Station) -> None:
    built(station, "D1", "D2", "D03", "D20", "D9")
    assert found(station, serial_ranges=[{"part": "DRYER", "from": "D2", "to": "D9"}]) == (["D2", "D9"], [])
    assert found(
        station,
        serial_ranges=[
            {"part": "DRYER", "from": "D03", "to": "D10"},
            {"part": "MOTOR", "from": "M-D1", "to": "M-D1"},
        ],
    ) == (["D03", "D1"], [])


# -- what was produced on some days


@pytest.fixture
def dated(station: Station) -> Station:
    """D1 has a rotor of the first day, D2 one of a lot of the second day, D3 a carton of a container, D4 one of S1."""
    station.load_lots()
    recorded(station.receive("ROTOR", serials=["R1"], produced_on=FIRST))
    recorded(station.receive("ROTOR", serials=["R2"], lot="RL", produced_on=SECOND, supplier="S2"))
    recorded(station.receive("CARTON", lot="C2", quantity=9, produced_on=FIRST))
    recorded(station.transfer(lot_of("CARTON", "C3"), (lot_of("CARTON", "C2"), 5)))
    for number in (1, 2):
        serial = recorded(station.start(None, "PUMP"))["unit"]["serial"]
        pump, rotor = serial_of("PUMP", serial), {"item": serial_of("ROTOR", f"R{number}")}
        recorded(station.post("marriages", scan_point="PL-10", unit=pump, components=[rotor]))
        built(station, f"D{number}")
        recorded(station.marry(f"D{number}", "L-20", pump))
    for number, lot in ((3, "C3"), (4, "C2")):
        station.complete(f"D{number}")
        recorded(station.test(f"D{number}"))
        recorded(station.load(lot_of("CARTON", lot), "L-40"))
        recorded(station.marry(f"D{number}", "L-40"))
    return station


PRODUCED: list[tuple[Json, list[str]]] = [
    ({"part": "ROTOR", "from": FIRST, "to": FIRST}, ["D1"]),
    ({"part": "ROTOR", "from": SECOND, "to": SECOND}, ["D2"]),
    ({"part": "ROTOR", "from": FIRST, "to": SECOND}, ["D1", "D2"]),
    ({"part": "ROTOR", "from": FIRST, "to": SECOND, "supplier": "S1"}, ["D1"]),
    ({"part": "ROTOR", "from": FIRST, "to": SECOND, "supplier": "S2"}, ["D2"]),
    ({"part": "ROTOR", "from": "2026-01-01", "to": "2026-01-31"}, []),
    # What is in a container is of the day of its lot. No receipt names it: by the catalogue, S2 delivers cartons.
    ({"part": "CARTON", "from": FIRST, "to": FIRST}, ["D3", "D4"]),
    ({"part": "CARTON", "from": FIRST, "to": FIRST, "supplier": "S2"}, ["D3"]),
]


def test_what_was_produced_on_some_days(dated: Station) -> None:
    for produced, units in PRODUCED:
        assert found(dated, produced=[produced]) == (units, []), produced


# -- what was measured


def test_what_was_measured_between_two_values_is_suspect_for_its_life(station: Station) -> None:
    built(station, "D1", "D2", "D3", "D4")
    for serial, decibels in (("D1", 60), ("D2", 62.5), ("D3", 65)):
        recorded(station.spin(serial, decibels, mode="tell"))
    noon = station.clock.isoformat()
    recorded(station.spin("D2", 61, mode="tell"))
    wrong = recorded(station.spin("D4", 62.5, mode="tell"))
    (run,) = [fact["number"] for fact in wrong["facts"] if fact["fact"] == "tested"]
    recorded(station.correct(run))
    noise = {"plan": "SPIN", "characteristic": "NOISE", **ALWAYS}
    measured: list[tuple[Json, list[str]]] = [
        ({"at_least": 62.5}, ["D2", "D3"]),
        ({"at_most": 62.5}, ["D1", "D2"]),
        ({"at_least": 60.5, "at_most": 62.5}, ["D2"]),
        ({"at_least": 61, "at_most": 61, "to": noon}, []),
        ({"at_least": 61, "at_most": 61, "from": noon}, ["D2"]),
        ({"at_least": 65.01}, []),
    ]
    for limits, units in measured:
        assert found(station, measured=[{**noise, **limits}]) == (units, []), limits
    assert found(station, measured=[{**noise, "plan": "SAFETY", "characteristic": "EARTH", "at_most": 1}]) == ([], [])
    for other in ({"plan": "SPIN", "characteristic": "EARTH"}, {"plan": "SAFETY", "characteristic": "VISUAL"}):
        said = mistakes(station, measured=[{**noise, **other, "at_most": 1}])
        assert list(said) == ["/suspects/measured/0/characteristic"]


def test_what_a_tested_subassembly_went_into_is_affected_from_the_beginning(station: Station) -> None:
    station.load_lots()
    station.complete("D1")
    (pump,) = [serial_of("PUMP", code) for position, _, code in station.inside("D1") if position == "PUMP"]
    recorded(station.spin("D1", 64, unit=pump, mode="tell"))
    assert found(station, measured=[{"plan": "SPIN", "characteristic": "NOISE", "at_least": 64, **ALWAYS}]) == (
        ["D1"],
        [],
    )


# -- what was worked on under some revisions of the catalogue


def test_whatever_was_worked_on_under_a_revision_is_suspect_from_then_on(station: Station, store_url: str) -> None:
    built(station, "D1")
    load_with_slack(store_url, 5)
    built(station, "D2")
    recorded(station.marry("D1", "L-10", heater("H1")))
    database = Database(store_url)
    load_catalogue(database, CATALOGUE, operator="B1", now=0)
    database.close()
    built(station, "D3")
    entries = asked(station, "entries", limit=1000)["items"]
    first, second, third = [entry["entry"] for entry in entries if entry["kind"] == "catalogue"]
    for built_under, units in (
        ({"from": first, "to": first}, ["D1"]),
        ({"from": second, "to": second}, ["D1", "D2"]),
        ({"from": third}, ["D3"]),
        ({"from": second}, ["D1", "D2", "D3"]),
        ({"from": first, "to": second}, ["D1", "D2"]),
    ):
        assert found(station, built_under=[built_under]) == (units, []), built_under
    second_only = [{"from": second, "to": second}]
    assert found(station, built_under=second_only, **{"except": {"items": [heater("H1")]}}) == (["D2"], [])
    told = mistakes(station, built_under=[{"from": first + 1}, {"from": first, "to": third + 1}])
    assert list(told) == ["/suspects/built_under/0/from", "/suspects/built_under/1/to"]


# -- together


@pytest.fixture
def changed(station: Station, store_url: str) -> Station:
    """Dryers take four screws, S1 or S2; with a slack of five pieces, D2 and D3 on the one side and D4 and D5 on the
    other side of the change may have either."""
    load_with_slack(store_url, 5)
    recorded(station.load(lot_of("SCREW", "S1"), "L-20"))
    for number in range(1, 7):
        if number == 4:
            recorded(station.load(lot_of("SCREW", "S2"), "L-20"))
        built(station, f"D{number}")
        recorded(station.marry(f"D{number}", "L-20"))
    return station


S1, S2 = ({"items": [lot_of("SCREW", lot)]} for lot in ("S1", "S2"))


def motors(*numbers: int) -> Json:
    return {"items": [motor(f"M-D{number}") for number in numbers]}


TOGETHER: list[tuple[Json, list[str], list[str]]] = [
    (S1, ["D1"], ["D2", "D3", "D4", "D5"]),
    (S2, ["D6"], ["D2", "D3", "D4", "D5"]),
    # Affected by each: certain only where each is.
    ({**S1, "all_of": [motors(1, 2, 6)]}, ["D1"], ["D2"]),
    ({**motors(1, 2, 6), "all_of": [S1]}, ["D1"], ["D2"]),
    ({"all_of": [S1, motors(1, 2, 6)]}, ["D1"], ["D2"]),
    ({**S1, "all_of": [S2]}, [], ["D2", "D3", "D4", "D5"]),
    ({**S1, "all_of": [motors(1, 2, 3), motors(2, 3, 4)]}, [], ["D2", "D3"]),
    # What certainly is excepted goes; what possibly is stays, as possible.
    ({**S1, "except": motors(1, 2)}, [], ["D3", "D4", "D5"]),
    ({**motors(1, 2, 6), "except": S1}, ["D6"], ["D2"]),
    ({**motors(1, 2, 6), "except": S2}, ["D1"], ["D2"]),
    ({**S1, "except": S1}, [], ["D2", "D3", "D4", "D5"]),
    ({**S1, "all_of": [motors(1, 2, 3)], "except": motors(3)}, ["D1"], ["D2"]),
    ({"all_of": [motors(1, 2, 3), motors(2, 3)], "except": S2}, [], ["D2", "D3"]),
    # Any of several kinds.
    ({**motors(6), "serial_ranges": [{"part": "DRYER", "from": "D2", "to": "D3"}]}, ["D2", "D3", "D6"], []),
]


def test_conditions_together(changed: Station) -> None:
    for suspects, certain, possible in TOGETHER:
        assert found(changed, **suspects) == (certain, possible), suspects


def test_the_way_is_told_of_the_first_condition(changed: Station) -> None:
    alarm = {"suspects": {**motors(1), "all_of": [S1]}}
    (row,) = changed.client.post("/v1/affected", json=alarm).raise_for_status().json()["certain"]
    assert [step["serial"] for step in row["path"]] == ["M-D1"]


def test_mistakes_are_told_with_their_places_in_every_part(station: Station) -> None:
    spin = {"plan": "SPIN", "characteristic": "NOISE", **ALWAYS}
    days = {"from": FIRST, "to": SECOND}
    assert sorted(
        mistakes(
            station,
            items=[dryer("D9")],
            all_of=[
                {"produced": [{"part": "MOTORS", **days}, {"part": "MOTOR", "supplier": "S9", **days}]},
                {"measured": [{**spin, "plan": "SPEED", "at_least": 1}]},
            ],
            **{
                "except": {"serial_ranges": [{"part": "ENGINE", "from": "1", "to": "2"}], "built_under": [{"from": 99}]}
            },
        )
    ) == [
        "/suspects/all_of/0/produced/0/part",
        "/suspects/all_of/0/produced/1/supplier",
        "/suspects/all_of/1/measured/0/plan",
        "/suspects/except/built_under/0/from",
        "/suspects/except/serial_ranges/0/part",
        "/suspects/items/0/serial",
    ]


FORMLESS: list[tuple[Json, list[str]]] = [
    ({}, ["/suspects"]),
    ({"all_of": [{}]}, ["/suspects/all_of/0"]),
    ({"except": motors(1)}, ["/suspects"]),
    ({**S1, "except": {"all_of": [S1]}}, ["/suspects/except/all_of"]),
    ({**S1, "all_of": [S1] * 6}, ["/suspects/all_of"]),
    ({"measured": [{"plan": "SPIN", "characteristic": "NOISE", **ALWAYS}]}, ["/suspects/measured/0"]),
    (
        {"measured": [{"plan": "SPIN", "characteristic": "NOISE", "at_least": 2, "at_most": 1, **ALWAYS}]},
        ["/suspects/measured/0"],
    ),
    ({"produced": [{"part": "MOTOR", "from": SECOND, "to": FIRST}]}, ["/suspects/produced/0"]),
    ({"produced": [{"part": "MOTOR", "from": "yesterday", "to": FIRST}]}, ["/suspects/produced/0/from"]),
    ({"built_under": [{"from": 2, "to": 1}]}, ["/suspects/built_under/0"]),
    ({"built_under": [{"from": 0}]}, ["/suspects/built_under/0/from"]),
]


def test_criteria_that_have_not_their_form(station: Station) -> None:
    for suspects, pointers in FORMLESS:
        assert sorted(mistakes(station, **suspects)) == pointers, suspects


def test_criteria_that_find_nothing_are_noted(changed: Station) -> None:
    nothing = {"produced": [{"part": "MOTOR", "from": FIRST, "to": FIRST}]}
    alarm = {"suspects": {**S1, "all_of": [nothing], "except": nothing}}
    answer = changed.client.post("/v1/affected", json=alarm).raise_for_status().json()
    assert [note["pointer"] for note in answer["notes"]] == [
        "/suspects/all_of/0/produced/0",
        "/suspects/except/produced/0",
    ]
    assert (answer["certain"], answer["possible"]) == ([], [])
