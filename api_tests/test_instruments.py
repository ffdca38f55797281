"""Instruments: when they are due, and what was tested on one that is found to measure wrongly."""

from __future__ import annotations

import csv
import io
import json
from typing import Any

import pytest

from api_tests.plant import Json, Station, dryer, facts, number_of, recorded
from api_tests.questions import asked
from partkin.web.schemas.instruments import Instruments, InstrumentUse, RunOnInstrument


def runs_on(station: Station, instrument: str = "T2", **wanted: Any) -> Json:
    """What was tested on an instrument."""
    answer = asked(station, f"instruments/{instrument}/tested", **wanted)
    InstrumentUse.model_validate(answer, strict=False)
    return answer


def serials(answer: Json) -> list[str]:
    return [row["serial"] for row in answer["items"]]


@pytest.fixture
def measured(station: Station) -> Station:
    """A dryer is tested before a calibration, one shipped and one in work after it, one on another instrument."""
    station.load_lots()
    recorded(station.calibrate(certificate="K 1"))
    for serial in ("D1", "D2"):
        station.make_ready(serial)
    recorded(station.spin("D1", instrument="T2"))
    recorded(station.calibrate(certificate="K 2"))
    recorded(station.spin("D2", instrument="T2"))
    recorded(station.start("D3"))
    recorded(station.spin("D3", instrument="T2"))
    recorded(station.spin("D3", instrument="T1"))
    return station


def test_what_was_tested_since_the_last_good_calibration_is_listed(measured: Station) -> None:
    recorded(measured.ship("load", dryer("D2")))
    recorded(measured.ship("despatch"))
    bad = recorded(measured.calibrate(good=False, due_on=None, certificate="K 3"))
    found = runs_on(measured)
    assert serials(found) == ["D2", "D3"]
    assert [(row["state"], row["place"]) for row in found["items"]] == [
        ("shipped", "despatched"),
        ("in work", "at a scan point"),
    ]
    assert [(row["certificate"], row["good"]) for row in found["calibrations"]] == [
        ("K 1", True),
        ("K 2", True),
        ("K 3", False),
    ]
    assert found["since"] == found["calibrations"][1]["at"]
    assert found["calibrations"][2]["entry"] == bad["entry"]
    assert serials(runs_on(measured, since=found["calibrations"][0]["at"])) == ["D1", "D2", "D3"]
    assert (runs_on(measured, "T1")["since"], serials(runs_on(measured, "T1"))) == (None, ["D1", "D2", "D3"])


def test_an_item_that_is_inside_says_in_what(measured: Station) -> None:
    box = measured.box(dryer("D2"))
    row = runs_on(measured)["items"][0]
    assert (row["place"], row["inside"][0]["serial"], row["shipment"]) == ("inside", box["serial"], None)


def test_a_run_that_was_of_another_item_is_listed_under_that(measured: Station) -> None:
    run = number_of(measured.spin("D2", instrument="T2"), "tested")
    assert serials(runs_on(measured)) == ["D2", "D3", "D2"]
    answer = recorded(measured.correct(run, unit=dryer("D1")))
    found = runs_on(measured)
    assert serials(found) == ["D2", "D3", "D1"]
    assert found["items"][2]["test_run"] == facts(answer, "tested")[0]["number"]
    assert (found["items"][2]["plan"], found["items"][2]["verdict"]) == ("SPIN", "pass")


def test_pages_lines_and_cells_hold_the_same(measured: Station) -> None:
    whole = runs_on(measured, since="2026-01-01T00:00:00Z")["items"]
    paged: list[Json] = []
    cursor: str | None = ""
    while cursor is not None:
        page = runs_on(measured, since="2026-01-01T00:00:00Z", limit=1, cursor=cursor)
        paged += page["items"]
        cursor = page["next"]
    assert paged == whole
    asking = {"since": "2026-01-01T00:00:00Z"}
    address = "/v1/instruments/T2/tested"
    lines = measured.client.get(address, params={**asking, "format": "ndjson"}).text.splitlines()
    assert [json.loads(line) for line in lines] == whole
    cells = list(csv.DictReader(io.StringIO(measured.client.get(address, params={**asking, "format": "csv"}).text)))
    assert list(cells[0]) == list(RunOnInstrument.model_fields)
    assert [row["serial"] for row in cells] == [row["serial"] for row in whole]


def test_instruments_are_overdue_after_their_last_day(station: Station) -> None:
    def overdue(on: str) -> Json:
        answer = asked(station, "instruments", on=on)
        Instruments.model_validate(answer, strict=False)
        return {row["instrument"]: row["overdue"] for row in answer["items"]}

    assert overdue("2026-03-02") == {"T1": False, "T2": True}
    recorded(station.calibrate(due_on="2026-06-30"))
    assert (overdue("2026-06-30")["T2"], overdue("2026-07-01")["T2"]) == (False, True)
    recorded(station.calibrate(good=False, due_on=None))
    found = asked(station, "instruments", on="2026-03-03")["items"][1]
    assert (found["due_on"], found["overdue"], found["last_calibration"]["good"]) == (None, True, False)


def test_an_unknown_instrument_is_not_found(station: Station) -> None:
    for form in ("json", "csv"):
        answer = station.client.get("/v1/instruments/T9/tested", params={"format": form})
        assert (answer.status_code, answer.json()["type"]) == (404, "/problems/not-found")
    for address, name in (("instruments/T2/tested", "since"), ("instruments", "on")):
        wrong = station.client.get(f"/v1/{address}", params={name: "yesterday"})
        assert (wrong.status_code, wrong.json()["errors"][0]["pointer"]) == (422, f"/query/{name}")
