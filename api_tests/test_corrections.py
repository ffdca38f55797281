"""Corrections: a record was wrong, and all is from then on as if the truth had been recorded."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta

import pytest

from api_tests.plant import (
    SCREW_HOURS,
    Json,
    Station,
    differences,
    dryer,
    facts,
    heater,
    lot_of,
    motor,
    number_of,
    reasons,
    recorded,
    serial_of,
)
from api_tests.servers import SQLiteStores


@pytest.fixture(autouse=True)
def two_dryers(station: Station, store_url: str, sqlite_stores: SQLiteStores) -> Iterator[None]:
    """Two dryers are started; in the end the journal gives the books as they are."""
    for serial in ("D1", "D2"):
        recorded(station.start(serial))
    yield
    assert differences(store_url, sqlite_stores.migrated()) == []


@pytest.fixture
def wrong(station: Station) -> int:
    """The number of a marriage: D1 got M1."""
    return number_of(station.marry("D1", "L-10", motor("M1")), "married")


def rotor_in_pump(station: Station) -> tuple[Json, Json, int]:
    """A pump with its rotor, and the number of their marriage."""
    pump = serial_of("PUMP", recorded(station.start(None, "PUMP"))["unit"]["serial"])
    rotor = serial_of("ROTOR", "R1")
    recorded(station.receive("ROTOR", serials=["R1"]))
    put = station.post("marriages", scan_point="PL-10", unit=pump, components=[{"item": rotor}])
    return pump, rotor, number_of(put, "married")


# -- marriages


def test_what_never_went_in_is_not_there_and_never_was(station: Station, wrong: int) -> None:
    answer = recorded(station.correct(wrong))
    (corrected,) = facts(answer, "corrected")
    assert (corrected["wrong"], corrected["instead"], corrected["by"]) == (wrong, None, "B1")
    assert answer["unit"] == {**dryer("D1"), "state": "in work"}
    assert station.inside("D1") == []
    assert station.tree(dryer("D1"), removed="true")["content"] == []
    assert station.affected(motor("M1")) == ([], [])
    recorded(station.marry("D2", "L-10", motor("M1")))
    assert reasons(station.remove("D1", motor("M1"))) == ["not-installed"]


def test_the_component_that_truly_went_in_is_there_since_then(station: Station, wrong: int) -> None:
    then = station.clock.isoformat()
    recorded(station.marry("D1", "L-10", heater("H1")))
    (corrected,) = facts(answer := recorded(station.correct(wrong, component=motor("M2"))), "corrected")
    (true,) = facts(answer, "married")
    assert corrected["instead"] == true["number"]
    assert station.inside("D1") == [("HEATERS", 1, "H1"), ("MOTOR", 1, "M2")]
    assert [row["serial"] for row in station.tree(dryer("D1"), as_of=then)["content"]] == ["M2"]
    assert (station.affected(motor("M1")), station.affected(motor("M2"))) == (([], []), (["D1"], []))
    assert reasons(station.marry("D2", "L-10", motor("M2"))) == ["already-installed"]
    recorded(station.marry("D2", "L-10", motor("M1")))


def test_the_unit_that_it_truly_went_into_has_it(station: Station, wrong: int) -> None:
    recorded(station.correct(wrong, unit=dryer("D2")))
    assert (station.inside("D1"), station.inside("D2")) == ([], [("MOTOR", 1, "M1")])


def test_what_truly_went_in_came_out_with_what_was_recorded(station: Station, wrong: int) -> None:
    recorded(station.remove("D1", motor("M1")))
    recorded(station.correct(wrong, component=motor("M2")))
    assert station.inside("D1") == []
    (was,) = station.tree(dryer("D1"), removed="true")["content"]
    assert was["serial"] == "M2"
    assert was["ended"] is not None
    recorded(station.marry("D2", "L-10", motor("M2")))


def test_a_removal_of_the_true_component_that_was_told_before_ends_it(station: Station, wrong: int) -> None:
    told = recorded(station.remove("D1", motor("M2"), mode="tell"))
    recorded(station.correct(wrong, component=motor("M2")))
    (was,) = station.tree(dryer("D1"), removed="true")["content"]
    assert was["ended"] == facts(told, "removed")[0]["at"]


def test_a_truth_that_the_books_contradict_is_refused_or_disputed_until_confirmed(station: Station, wrong: int) -> None:
    other = number_of(station.marry("D2", "L-10", motor("M2")), "married")
    assert reasons(station.correct(wrong, component=motor("M2"))) == ["already-installed"]
    assert station.inside("D1") == [("MOTOR", 1, "M1")]
    told = station.correct(wrong, component=motor("M2"), mode="tell")
    assert reasons(told) == ["already-installed"]
    (disputed,) = facts(told.json(), "married")
    assert disputed["disputed"]
    assert station.held() == [dryer("D1")]
    recorded(station.correct(other))
    (confirmed,) = facts(recorded(station.correct(disputed["number"], component=motor("M2"))), "married")
    assert not confirmed["disputed"]
    (row,) = station.tree(dryer("D1"))["content"]
    assert (row["serial"], row["certain"], row["disputed"]) == ("M2", True, False)


def test_the_slot_must_have_been_free_of_all_else(station: Station, wrong: int) -> None:
    recorded(station.marry("D2", "L-10", motor("M2")))
    assert reasons(station.correct(wrong, unit=dryer("D2"))) == ["no-free-slot"]
    recorded(station.remove("D2", motor("M2")))
    assert reasons(station.correct(wrong, unit=dryer("D2"))) == ["no-free-slot"]


def test_the_position_must_take_what_truly_went_in(station: Station, wrong: int) -> None:
    refused = station.correct(wrong, component=heater("H1"))
    assert reasons(refused) == ["wrong-part"]
    assert refused.json()["detail"] == "MOTOR of DRYER serial D1 does not take HEATER (Heater)."
    assert reasons(station.correct(wrong, unit=dryer("D9"))) == ["unknown-item"]
    assert reasons(station.correct(wrong, unit=heater("H1"))) == ["wrong-part"]


def test_a_true_subassembly_must_have_been_started(station: Station) -> None:
    station.load_lots()
    wrong = number_of(station.marry("D1", "RW", station.pump()), "married")
    assert reasons(station.correct(wrong, component=serial_of("PUMP", "P9"))) == ["unknown-item"]


def test_nothing_went_into_what_it_holds(station: Station) -> None:
    pump, rotor, wrong = rotor_in_pump(station)
    recorded(station.marry("D1", "RW", pump))
    assert reasons(station.correct(wrong, component=pump)) == ["inside-itself"]
    told = station.correct(wrong, component=dryer("D1"), mode="tell")
    assert reasons(told) == ["inside-itself"]
    assert facts(told.json(), "married") == []
    assert station.inside("D1") == [("PUMP", 1, pump["serial"])]
    assert station.affected(rotor) == ([], [])


def test_a_record_is_corrected_once(station: Station, wrong: int) -> None:
    true = facts(recorded(station.correct(wrong, component=motor("M2"))), "married")[0]["number"]
    again = station.correct(wrong, component=motor("M3"))
    assert (reasons(again), again.json()["reasons"][0]["pointer"]) == (["unknown-record"], "/wrong")
    told = recorded(station.correct(wrong, component=motor("M3"), mode="tell"))
    assert told["facts"] == []
    assert reasons(station.correct(2**53 - 1)) == ["unknown-record"]
    recorded(station.correct(true, component=motor("M3")))
    assert station.inside("D1") == [("MOTOR", 1, "M3")]


def test_what_was_recorded_stays_in_the_journal(station: Station) -> None:
    answer = recorded(station.marry("D1", "L-10", motor("M1")))
    before = station.client.get(f"/v1/entries/{answer['entry']}").json()
    recorded(station.correct(facts(answer, "married")[0]["number"]))
    assert station.client.get(f"/v1/entries/{answer['entry']}").json() == before
    assert before["answer"] == answer


def test_a_correction_says_only_what_its_record_says(station: Station, wrong: int) -> None:
    removal = number_of(station.remove("D1", motor("M1")), "removed")
    loading = number_of(station.load(lot_of("SCREW", "S1"), "L-20"), "loaded")
    run = number_of(station.test("D1", scan_point="RW"), "tested")
    assert reasons(station.correct(wrong, lot=lot_of("SCREW", "S2"))) == ["not-correctable"]
    assert reasons(station.correct(removal, unit=dryer("D2"))) == ["not-correctable"]
    assert reasons(station.correct(loading, unit=dryer("D2"))) == ["not-correctable"]
    refused = station.correct(run, component=motor("M2"))
    assert (reasons(refused), refused.json()["detail"]) == (
        ["not-correctable"],
        f"{run} has no component to be corrected.",
    )


# -- what follows from it


def finished_around(station: Station, pump: Json) -> None:
    """D1 is finished with a pump in it."""
    station.load_lots()
    recorded(station.marry("D1", "L-10", motor("M1"), heater("H1"), heater("H2")))
    recorded(station.marry("D1", "L-20", pump))
    recorded(station.test("D1"))
    assert recorded(station.marry("D1", "L-40"))["unit"]["state"] == "finished"


def test_a_finished_unit_opens_when_something_deep_inside_never_was_there(station: Station) -> None:
    pump, rotor, wrong = rotor_in_pump(station)
    finished_around(station, pump)
    opened = facts(recorded(station.correct(wrong)), "state changed")
    assert [(fact["item"], fact["state"]) for fact in opened] == [(pump, "in work"), (dryer("D1"), "in work")]
    recorded(station.post("marriages", scan_point="RW", unit=pump, components=[{"item": rotor}]))
    assert reasons(station.marry("D1", "L-40")) == ["nothing-to-marry", "test-stale"]


def test_a_finished_unit_stays_so_when_it_truly_lacked_nothing(station: Station) -> None:
    """Nothing in it was changed since its test, only the record of it."""
    pump, _, wrong = rotor_in_pump(station)
    finished_around(station, pump)
    answer = recorded(station.correct(wrong, component=serial_of("ROTOR", "R2")))
    assert (facts(answer, "state changed"), facts(answer, "made stale")) == ([], [])
    assert station.tree(dryer("D1"))["state"] == "finished"


def test_a_unit_that_never_was_in_its_box_may_go_into_another(station: Station) -> None:
    unit = station.second_model()
    packed = station.pack(unit)
    box = serial_of("BOX", recorded(packed)["unit"]["serial"])
    recorded(station.correct(number_of(packed, "married")))
    assert station.tree(unit)["state"] == "finished"
    assert station.tree(box)["content"] == []
    recorded(station.pack(unit))
    assert station.tree(unit)["state"] == "packed"


def test_pieces_of_a_counted_lot_that_never_went_in_can_be_used(station: Station) -> None:
    for lot in ("C1", "C2"):
        recorded(station.receive("CARTON", lot=lot, quantity=1))
    wrong = number_of(station.marry("D1", "RW", lot_of("CARTON", "C1")), "married")
    assert reasons(station.marry("D2", "RW", lot_of("CARTON", "C1"))) == ["lot-exhausted"]
    recorded(station.correct(wrong, component=lot_of("CARTON", "C2")))
    assert station.inside("D1") == [("CARTON", 1, "C2")]
    assert reasons(station.marry("D2", "RW", lot_of("CARTON", "C2"))) == ["lot-exhausted"]
    recorded(station.marry("D2", "RW", lot_of("CARTON", "C1")))


# -- removals


def test_what_never_came_out_is_still_there(station: Station, wrong: int) -> None:
    del wrong
    removal = number_of(station.remove("D1", motor("M1"), destination="scrap"), "removed")
    recorded(station.correct(removal))
    assert station.inside("D1") == [("MOTOR", 1, "M1")]
    assert station.tree(motor("M1"))["state"] == "usable"
    assert reasons(station.marry("D2", "L-10", motor("M1"))) == ["already-installed"]
    assert reasons(station.correct(removal)) == ["unknown-record"]
    recorded(station.remove("D1", motor("M1")))


@pytest.mark.parametrize(("put", "why"), [("M1", ["already-installed"]), ("M2", ["no-free-slot"])])
def test_what_was_recorded_since_may_contradict_that_it_never_came_out(
    station: Station, wrong: int, put: str, why: list[str]
) -> None:
    del wrong
    removal = number_of(station.remove("D1", motor("M1"), destination="scrap"), "removed")
    into = "D1" if put == "M2" else "D2"
    recorded(station.marry(into, "RW", motor(put), mode="tell"))
    assert reasons(station.correct(removal)) == why
    told = station.correct(removal, mode="tell")
    assert (reasons(told), facts(told.json(), "marriage restored")) == (why, [])
    assert dryer("D1") in station.held()
    assert station.tree(motor("M1"))["state"] == "scrapped"


def test_what_never_came_out_then_lasts_until_the_removal_that_was_told_of_later(station: Station, wrong: int) -> None:
    del wrong
    first = number_of(station.remove("D1", motor("M1"), destination="scrap"), "removed")
    second = recorded(station.remove("D1", motor("M1"), mode="tell"))
    (restored,) = facts(recorded(station.correct(first)), "marriage restored")
    assert restored["ended"] == facts(second, "removed")[0]["at"]
    assert station.inside("D1") == []
    recorded(station.marry("D2", "L-10", motor("M1")))


@pytest.mark.parametrize("destination", ["stock", "scrap"])
def test_pieces_that_never_came_out_are_used_once(station: Station, destination: str) -> None:
    recorded(station.receive("CARTON", lot="C1", quantity=2))
    recorded(station.marry("D1", "RW", lot_of("CARTON", "C1")))
    removal = number_of(station.remove("D1", lot_of("CARTON", "C1"), destination=destination), "removed")
    recorded(station.correct(removal))
    recorded(station.marry("D2", "RW", lot_of("CARTON", "C1")))
    recorded(station.start("D3"))
    assert reasons(station.marry("D3", "RW", lot_of("CARTON", "C1"))) == ["lot-exhausted"]


# -- lot loadings and draws


def test_what_was_drawn_came_from_the_lot_that_was_truly_up(station: Station) -> None:
    loading = number_of(station.load(lot_of("SCREW", "S1"), "L-20"), "loaded")
    recorded(station.marry("D1", "L-20"))
    recorded(station.load(lot_of("SCREW", "S3"), "L-20"))
    recorded(station.marry("D2", "L-20"))
    answer = recorded(station.correct(loading, lot=lot_of("SCREW", "S2")))
    assert answer["discrepancies"] == []
    assert (station.inside("D1"), station.inside("D2")) == ([("SCREWS", 1, "S2")], [("SCREWS", 1, "S3")])
    assert station.affected(lot_of("SCREW", "S1")) == ([], [])
    assert station.affected(lot_of("SCREW", "S2")) == (["D1"], [])


def test_the_lot_that_was_truly_up_is_open_since_then(station: Station) -> None:
    loading = number_of(station.load(lot_of("SCREW", "S1"), "L-20"), "loaded")
    opened = station.clock
    recorded(station.correct(loading, lot=lot_of("SCREW", "S2"), occurred_at="2026-03-04T06:00:00Z"))
    too_late = (opened + timedelta(hours=SCREW_HOURS, seconds=1)).isoformat()
    assert reasons(station.marry("D1", "RW", lot_of("SCREW", "S2"), occurred_at=too_late)) == ["floor-life-over"]


def test_where_truly_nothing_was_up_the_lot_is_unknown(station: Station) -> None:
    loading = number_of(station.load(lot_of("SCREW", "S1"), "L-20"), "loaded")
    drawn = number_of(station.marry("D1", "L-20"), "married")
    recorded(station.correct(loading))
    (row,) = station.tree(dryer("D1"))["content"]
    assert (row["position"], row["quantity"], row["lot"]) == ("SCREWS", 4, None)
    assert reasons(station.marry("D2", "L-20")) == ["lot-not-loaded"]
    assert reasons(station.correct(drawn, unit=dryer("D2"))) == ["not-correctable"]
    recorded(station.correct(drawn, component=lot_of("SCREW", "S5")))
    assert station.inside("D1") == [("SCREWS", 1, "S5")]


def test_only_what_the_point_of_use_takes_was_truly_up(station: Station) -> None:
    loading = number_of(station.load(lot_of("SCREW", "S1"), "L-20"), "loaded")
    refused = station.correct(loading, lot=lot_of("CARTON", "C1"))
    assert (reasons(refused), refused.json()["detail"]) == (
        ["wrong-part"],
        "SCREWS at L-20 takes SCREW, not CARTON.",
    )


def test_a_draw_that_is_corrected_no_longer_goes_by_what_was_loaded(station: Station) -> None:
    loading = number_of(station.load(lot_of("SCREW", "S1"), "L-20"), "loaded")
    drawn = number_of(station.marry("D1", "L-20"), "married")
    recorded(station.correct(drawn, component=lot_of("SCREW", "S5")))
    recorded(station.correct(loading, lot=lot_of("SCREW", "S2")))
    assert station.inside("D1") == [("SCREWS", 1, "S5")]


def test_pieces_of_a_draw_that_never_was_are_still_in_the_container(station: Station) -> None:
    recorded(station.load(lot_of("SCREW", "S1"), "L-20", quantity=4))
    drawn = number_of(station.marry("D1", "L-20"), "married")
    assert reasons(station.marry("D2", "L-20")) == ["lot-exhausted"]
    recorded(station.correct(drawn, component=lot_of("SCREW", "S5")))
    recorded(station.marry("D2", "L-20"))


# -- test runs


def test_a_run_counts_for_the_unit_that_was_truly_tested(station: Station) -> None:
    station.load_lots()
    for serial in ("D3", "D4"):
        station.complete(serial)
    run = number_of(station.test("D3"), "tested")
    answer = recorded(station.correct(run, unit=dryer("D4")))
    (before,), (after,) = facts(answer, "corrected"), facts(answer, "tested")
    assert (before["instead"], after["verdict"], len(after["measured"])) == (after["number"], "pass", 2)
    assert reasons(station.marry("D3", "L-40")) == ["test-missing"]
    assert station.tree(dryer("D3"))["tests"] == []
    (run_of_other,) = station.tree(dryer("D4"))["tests"]
    assert (run_of_other["verdict"], run_of_other["occurred_at"]) == ("pass", after["at"])
    assert reasons(station.test("D4", scan_point="RW", unit=dryer("D9"))) == ["unknown-item"]


def test_a_failed_run_of_another_unit_stops_nothing(station: Station) -> None:
    recorded(station.spin("D1", 60))
    run = number_of(station.spin("D1", 90), "tested")
    recorded(station.correct(run))
    recorded(station.spin("D1", 90))
    assert station.held(discrepancy=False) == []
    recorded(station.spin("D1", 90))
    assert station.held(discrepancy=False) == [dryer("D1")]


def test_what_was_believed_at_a_seal_can_still_be_asked(station: Station, wrong: int) -> None:
    """The truth now, the first record then; both for ever."""
    seal = {"as_known_at": station.client.post("/v1/seals").raise_for_status().json()["seal"]}
    recorded(station.correct(wrong, component=motor("M2")))
    for asked, there, absent in (({}, "M2", "M1"), (seal, "M1", "M2")):
        tree = station.client.get("/v1/tree", params={**dryer("D1"), **asked}).raise_for_status().json()
        assert [row["serial"] for row in tree["content"]] == [there]
        suspects = {"suspects": {"items": [motor(there)]}}
        answer = station.client.post("/v1/affected", params=asked, json=suspects).raise_for_status().json()
        assert [row["serial"] for row in answer["certain"]] == ["D1"]
        other = station.client.post("/v1/affected", params=asked, json={"suspects": {"items": [motor(absent)]}})
        assert other.status_code == 422 or other.json()["counts"]["certain"] == 0
