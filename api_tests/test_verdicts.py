"""Verdicts: the tester's and ours, how often a test is repeated, what is stale, which revision, what is attached."""

from __future__ import annotations

from collections.abc import Iterator
from hashlib import sha256

import httpx2
import pytest

from api_tests.plant import GOOD, Station, differences, dryer, facts, lot_of, motor, reasons, recorded, serial_of
from api_tests.servers import SQLiteStores

EARTH, VISUAL = GOOD
TOO_HIGH = {"characteristic": "EARTH", "value": 0.3}


@pytest.fixture(autouse=True)
def complete(station: Station, store_url: str, sqlite_stores: SQLiteStores) -> Iterator[None]:
    """A dryer is ready for its test; in the end the journal gives the books as they are."""
    station.load_lots()
    station.complete("D1")
    yield
    assert differences(store_url, sqlite_stores.migrated()) == []


# -- two verdicts


@pytest.mark.parametrize(("measured", "verdict"), [(GOOD, "pass"), ([TOO_HIGH, VISUAL], "fail"), ([EARTH], "fail")])
def test_where_the_tester_agrees_ours_stands(station: Station, measured: list[dict[str, object]], verdict: str) -> None:
    """What is incomplete by the plan has failed for a tester that only knows the two."""
    answer = recorded(station.test("D1", measured, verdict=verdict))
    (tested,) = facts(answer, "tested")
    assert tested["tester"] == verdict
    assert tested["verdict"] == {1: "incomplete", 2: verdict}[len(measured)]
    assert (answer["warnings"], station.held()) == ([], [])


@pytest.mark.parametrize(("measured", "theirs"), [(GOOD, "fail"), ([TOO_HIGH, VISUAL], "pass"), ([EARTH], "pass")])
def test_where_the_tester_disagrees_neither_counts_and_the_unit_is_stopped(
    station: Station, measured: list[dict[str, object]], theirs: str
) -> None:
    answer = recorded(station.test("D1", measured, verdict=theirs))
    assert facts(answer, "tested")[0]["verdict"] == "disputed"
    assert answer["discrepancies"] == []
    assert [warning["type"] for warning in answer["warnings"]] == ["/problems/verdict-disagrees"]
    assert station.held() == [dryer("D1")]
    assert reasons(station.marry("D1", "L-40")) == ["on-hold", "test-failed"]
    (hold,) = facts(answer, "held")
    recorded(station.release(hold["number"]))
    refused = station.marry("D1", "L-40")
    assert refused.json()["detail"] == "The last run of SAFETY on DRYER serial D1 ended with: disputed."
    recorded(station.test("D1", verdict="pass"))
    assert recorded(station.marry("D1", "L-40"))["unit"]["state"] == "finished"


# -- retests


def stopped(station: Station) -> bool:
    """Whether the dryer is on hold for a test repeated too often; a discrepancy it is not."""
    assert station.held() == []
    return station.held(discrepancy=False) == [dryer("D1")]


def test_one_failed_test_more_than_may_be_repeated_stops_the_unit(station: Station) -> None:
    """SPIN may be repeated once."""
    recorded(station.spin("D1", 90))
    assert not stopped(station)
    answer = recorded(station.spin("D1", 66.5))
    assert stopped(station)
    assert facts(answer, "held")[0]["reason"] == "SPIN was not passed 2 times in a row"
    assert reasons(station.marry("D1", "L-40")) == ["on-hold", "out-of-route-order", "test-missing"]
    assert facts(recorded(station.spin("D1", 90)), "held") == []


def test_a_passed_test_begins_the_count_anew(station: Station) -> None:
    for noise in (90, 66, 90):
        recorded(station.spin("D1", noise))
    assert not stopped(station)
    recorded(station.spin("D1", 90))
    assert stopped(station)


def test_a_test_may_be_repeated_at_will_where_the_plan_says_nothing(station: Station) -> None:
    for _ in range(3):
        recorded(station.test("D1", [TOO_HIGH, VISUAL]))
    assert not stopped(station)


def test_a_disputed_run_counts_as_not_passed(station: Station) -> None:
    recorded(station.spin("D1", 90))
    holds = facts(recorded(station.spin("D1", 60, verdict="fail")), "held")
    assert sorted(hold["discrepancy"] for hold in holds) == [False, True]


def test_a_failed_run_told_late_counts_where_it_was(station: Station) -> None:
    recorded(station.spin("D1", 90))
    recorded(station.spin("D1", 90, occurred_at=station.ago(60), mode="tell"))
    assert stopped(station)


def test_a_failed_run_told_late_from_before_the_last_passed_one_stops_nothing(station: Station) -> None:
    for noise in (90, 60):
        recorded(station.spin("D1", noise))
    recorded(station.spin("D1", 90, occurred_at=station.ago(15), mode="tell"))
    assert not stopped(station)


# -- staleness


def test_every_gate_sees_that_a_test_is_stale(station: Station) -> None:
    """At the next step, at finishing, at packing, at loading."""
    recorded(station.test("D1"))
    recorded(station.marry("D1", "L-40"))
    recorded(station.marry("D1", "RW", lot_of("LEAFLET", "F1")))
    recorded(station.remove("D1", motor("M-D1")))
    swapped = recorded(station.marry("D1", "RW", motor("M2")))
    assert swapped["unit"]["state"] == "in work"
    refused = [
        station.marry("D1", "L-40"),
        station.pack(dryer("D1")),
        station.ship("load", dryer("D1")),
    ]
    assert [reasons(one) for one in refused] == [["nothing-to-marry", "test-stale"], ["test-stale"], ["test-stale"]]
    assert recorded(station.test("D1", scan_point="RW"))["unit"]["state"] == "finished"
    recorded(station.pack(dryer("D1")))


def test_a_failed_run_before_a_change_is_stale_too(station: Station) -> None:
    recorded(station.test("D1", [TOO_HIGH, VISUAL]))
    recorded(station.remove("D1", motor("M-D1"), replacement={"item": motor("M2")}))
    assert reasons(station.marry("D1", "L-40")) == ["test-failed"]
    recorded(station.test("D1"))
    recorded(station.marry("D1", "L-40"))


def test_a_change_deep_inside_makes_the_test_of_the_unit_stale(station: Station) -> None:
    recorded(station.test("D1"))
    (pump,) = (row for row in station.tree(dryer("D1"))["content"] if row["part"] == "PUMP")
    recorded(station.receive("ROTOR", serials=["R2"]))
    swapped = recorded(
        station.post(
            "removals",
            scan_point="RW",
            unit=serial_of("PUMP", pump["serial"]),
            position="ROTOR",
            reason="noisy",
            replacement={"item": serial_of("ROTOR", "R2")},
        )
    )
    assert swapped["unit"]["state"] == "finished"
    assert reasons(station.marry("D1", "L-40")) == ["test-stale"]


# -- what was run, and what is attached


def test_the_tester_runs_the_revision_of_the_catalogue(station: Station) -> None:
    refused = station.test("D1", revision="A")
    assert (reasons(refused), refused.json()["detail"]) == (
        ["wrong-revision"],
        "The tester ran revision A of SAFETY; the catalogue has B.",
    )
    assert facts(recorded(station.test("D1", revision="B")), "tested")[0]["revision"] == "B"
    assert reasons(station.spin("D1", revision="A")) == ["wrong-revision"]
    recorded(station.test("D1"))


def test_attachments_are_sent_before_the_run_that_names_them(station: Station, service: httpx2.Client) -> None:
    waveform = b"\x00\x01 a waveform"
    digest = sha256(waveform).hexdigest()
    refused = station.test("D1", attachments=[digest])
    assert [(one["type"], one["pointer"]) for one in refused.json()["reasons"]] == [
        ("/problems/unknown-attachment", "/attachments/0")
    ]
    service.put(f"/v1/attachments/{digest}", content=waveform).raise_for_status()
    run = facts(recorded(station.test("D1", attachments=[digest])), "tested")[0]
    assert run["attachments"] == [digest]
    other = facts(recorded(station.correct(run["number"], unit=motor("M-D1"))), "tested")[0]
    assert other["attachments"] == [digest]


def test_an_attachment_is_named_by_its_hash_in_lower_case(station: Station) -> None:
    refused = station.test("D1", attachments=["AB" * 32])
    assert (refused.status_code, refused.json()["errors"][0]["pointer"]) == (422, "/attachments/0")
