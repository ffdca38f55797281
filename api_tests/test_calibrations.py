"""Calibrations: an instrument that needs one measures only while its last one was good and is not overdue."""

from __future__ import annotations

from collections.abc import Iterator

import httpx2
import pytest

from api_tests.plant import Station, differences, dryer, facts, reasons, recorded
from api_tests.servers import SQLiteStores

METER = "T2"


@pytest.fixture(autouse=True)
def one_dryer(station: Station, store_url: str, sqlite_stores: SQLiteStores) -> Iterator[None]:
    """A dryer is started; in the end the journal gives the books as they are."""
    recorded(station.start("D1"))
    yield
    assert differences(store_url, sqlite_stores.migrated()) == []


def on(station: Station, moment: str) -> list[str]:
    """The reasons against measuring at a moment."""
    return reasons(station.spin("D1", occurred_at=moment, instrument=METER))


def test_an_instrument_that_was_never_calibrated_does_not_measure(station: Station) -> None:
    refused = station.spin("D1", instrument=METER)
    assert (reasons(refused), refused.json()["detail"]) == (
        ["calibration-overdue"],
        "T2 has no calibration on record.",
    )
    assert refused.json()["reasons"][0]["pointer"] == "/instrument"
    recorded(station.spin("D1", instrument="T1"))


def test_it_measures_through_the_day_on_which_it_is_due(station: Station) -> None:
    """The last day is included (common practice: the due date printed on the instrument's label)."""
    recorded(station.calibrate(due_on="2026-03-05"))
    assert on(station, "2026-03-05T23:59:59.999999Z") == []
    assert on(station, "2026-03-06T00:00:00Z") == ["calibration-overdue"]


def test_the_day_is_that_of_the_station(station: Station) -> None:
    recorded(station.calibrate(due_on="2026-03-05"))
    assert on(station, "2026-03-05T23:30:00-05:00") == []
    assert on(station, "2026-03-06T00:30:00+09:00") == ["calibration-overdue"]


def test_an_instrument_that_was_found_bad_measures_no_more_until_the_next_good_one(station: Station) -> None:
    recorded(station.calibrate())
    recorded(station.calibrate(good=False, due_on=None))
    refused = station.spin("D1", instrument=METER)
    assert (reasons(refused), refused.json()["detail"]) == (
        ["calibration-overdue"],
        "T2 was found out of its limits at its last calibration.",
    )
    recorded(station.calibrate())
    recorded(station.spin("D1", instrument=METER))


def test_the_calibration_before_the_run_counts_whenever_it_was_told(station: Station) -> None:
    recorded(station.calibrate(occurred_at="2026-03-10T06:00:00Z"))
    assert on(station, "2026-03-09T06:00:00Z") == ["calibration-overdue"]
    recorded(station.calibrate(occurred_at="2026-03-08T06:00:00Z", due_on="2026-03-09"))
    assert on(station, "2026-03-09T06:00:00Z") == []
    assert on(station, "2026-03-10T05:59:59Z") == ["calibration-overdue"]
    assert on(station, "2026-03-10T06:00:00Z") == []


def test_of_two_at_one_moment_the_one_recorded_last_counts(station: Station) -> None:
    at = station.clock.isoformat()
    recorded(station.calibrate(occurred_at=at))
    recorded(station.calibrate(occurred_at=at, good=False, due_on=None))
    assert reasons(station.spin("D1", instrument=METER)) == ["calibration-overdue"]


def test_what_was_measured_all_the_same_is_kept_and_the_unit_stopped(station: Station) -> None:
    told = station.spin("D1", mode="tell", instrument=METER)
    assert reasons(told) == ["calibration-overdue"]
    assert facts(told.json(), "tested")[0]["verdict"] == "pass"
    assert station.held() == [dryer("D1")]


def test_an_instrument_that_the_catalogue_does_not_have_neither_measures_nor_is_calibrated(station: Station) -> None:
    assert reasons(station.spin("D1", instrument="T9")) == ["unknown-instrument"]
    assert reasons(station.calibrate(instrument="T9")) == ["unknown-instrument"]


def test_a_good_calibration_says_how_long_it_lasts(station: Station, service: httpx2.Client) -> None:
    answer = recorded(station.calibrate(certificate="K-4711", due_on="2027-03-01"))
    (calibrated,) = facts(answer, "calibrated")
    assert (calibrated["certificate"], calibrated["due_on"]) == ("K-4711", "2027-03-01")
    said = station.says(instrument="T2", good=True)
    refused = service.post("/v1/calibrations", json=said)
    assert (refused.status_code, refused.json()["errors"]) == (
        422,
        [{"pointer": "", "detail": "say on which last day the instrument may be used: due_on."}],
    )
