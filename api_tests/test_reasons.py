"""Every reason, provoked: what it refuses when a station asks, and what it leaves behind when a station tells.

And every warning: it stands in the answer, and speaks against nothing.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import httpx2
import pytest

from api_tests.cases import decide, frozen, opened, together, turn
from api_tests.plant import (
    GOOD,
    SCREW_HOURS,
    Json,
    Station,
    books,
    differences,
    dryer,
    lot_of,
    motor,
    reasons,
    recorded,
    serial_of,
)
from api_tests.servers import SQLiteStores
from partkin.rules.reasons import REASON_TYPES, WARNING_TYPES


@dataclass(frozen=True)
class Case:
    """What comes before, the post that has the reason, and other reasons that it cannot but have too."""

    before: Callable[[Station], object]
    post: Callable[[Station, str], httpx2.Response]
    also: tuple[str, ...] = ()
    doubtful: Json | None = None
    """What goes on hold when it is told, where the message is about no unit."""


def nothing(_: Station) -> None:
    pass


def started(s: Station) -> None:
    s.start("D1")


def complete(s: Station) -> None:
    s.load_lots()
    s.complete("D1")


def on_hold(s: Station) -> None:
    started(s)
    s.hold(dryer("D1"))


def complete_and_another_started(s: Station) -> None:
    complete(s)
    s.start("D2")


def finished(s: Station) -> None:
    s.load_lots()
    s.finish("D1")


def one_failed(s: Station) -> None:
    complete(s)
    s.test("D1", [{"characteristic": "EARTH", "value": 0.3}, GOOD[1]])


def changed_since_its_test(s: Station) -> None:
    complete(s)
    s.test("D1")
    s.remove("D1", motor("M-D1"))
    s.marry("D1", "RW", motor("M2"))


def at_the_test_but_empty(s: Station) -> None:
    s.load_lots()
    s.start("D1")
    s.marry("D1", "L-20", s.pump())


def a_motor_scrapped(s: Station) -> None:
    complete(s)
    s.remove("D1", motor("M-D1"), destination="scrap")


def a_motor_removed(s: Station) -> None:
    complete(s)
    s.remove("D1", motor("M-D1"))


def drawn_and_loaded_an_hour_ago(s: Station) -> None:
    s.load(lot_of("SCREW", "S0"), "L-20", occurred_at=s.ago(7200))
    complete(s)


def one_carton(s: Station) -> None:
    complete(s)
    s.receive("CARTON", lot="C2", quantity=1)
    s.marry("D1", "RW", lot_of("CARTON", "C2"))
    s.start("D2")


def opened_long_ago(s: Station) -> None:
    started(s)
    s.load(lot_of("SCREW", "S1"), "L-20", occurred_at=s.ago(3600 * SCREW_HOURS + 60))


def few_screws(s: Station) -> None:
    started(s)
    s.load(lot_of("SCREW", "S1"), "L-20", quantity=11)


def ordered(s: Station, part: str = "DRYER", **said: object) -> httpx2.Response:
    return s.post("build-orders", **{"line": "L", "orders": [{"order": "O1", "sequence": 1, "part": part}], **said})


def started_for_an_order(s: Station) -> None:
    ordered(s)
    started(s)


def all_numbers_given(s: Station) -> None:
    for count in [1000] * 9 + [999]:
        recorded(s.post("number-blocks", part="DRYER", count=count, reason="offline"))


def printed(s: Station, label: str = "component", **said: object) -> httpx2.Response:
    return s.post("labels", **{"items": [lot_of("SCREW", "S001")], "label": label, **said})


def last(s: Station, name: str) -> int:
    """The number of the row of a kind that was made last."""
    entries = s.client.get("/v1/entries?limit=1000").json()["items"]
    made = [fact for entry in entries for fact in entry["answer"].get("facts", ()) if fact["fact"] == name]
    return int(made[-1]["number"])


def loaded(s: Station) -> None:
    recorded(s.ship("load", s.second_model()))


def one_of_two_loaded(s: Station) -> None:
    loaded(s)
    recorded(s.start("D2", "DRYER-2", scan_point="L-10"))


def unloaded(s: Station) -> None:
    unit = s.second_model()
    recorded(s.ship("load", unit))
    recorded(s.ship("unload", unit))


def despatched(s: Station) -> None:
    loaded(s)
    recorded(s.ship("despatch"))


def in_a_case(s: Station) -> None:
    """A case stops a motor and the dryer that it is in."""
    started(s)
    recorded(s.marry("D1", "L-10", motor("M1")))
    frozen(s, items=[motor("M1")])


def in_a_case_and_another_started(s: Station) -> None:
    in_a_case(s)
    s.start("D2")


def opened_only(s: Station) -> None:
    started(s)
    recorded(s.marry("D1", "L-10", motor("M1")))
    opened(s, items=[motor("M1")])


def motors_suspected(s: Station) -> None:
    started(s)
    frozen(s, serial_ranges=[{"part": "MOTOR", "from": "M100", "to": "M199"}])


def sorting(s: Station, **said: object) -> httpx2.Response:
    return s.post("sortings", **{"case": "C1", "sorting": "S1", "listed": "certain", "rule": "all", **said})


def sorted_units(s: Station) -> None:
    in_a_case_and_another_started(s)
    recorded(sorting(s))


def inspected(s: Station, serial: str, **said: object) -> httpx2.Response:
    return s.post("inspections", **{"case": "C1", "sorting": "S1", "item": dryer(serial), "good": True, **said})


def as_many_as_one_sorting_cannot_draw(s: Station) -> None:
    """4001 units of the second model."""
    starts = [
        s.says(kind="unit-start", scan_point="L-10", part="DRYER-2", serial=f"E{number}") for number in range(4001)
    ]
    assert {answer["status"] for answer in together(s, *starts)} == {201}
    in_a_case(s)


CLEAN = {"part": "DRYER-2", "from": "2026-03-01T00:00:00Z"}
"""All units of the second model."""

CASES = {
    "unreadable": Case(started, lambda s, mode: s.marry("D1", "L-10", "M1\u0007", mode=mode)),
    "check-character-wrong": Case(started, lambda s, mode: s.marry("D1", "L-10", "M00019", mode=mode)),
    "unknown-part": Case(started, lambda s, mode: s.marry("D1", "L-10", "NO-LABEL-OF-OURS", mode=mode)),
    "unknown-item": Case(nothing, lambda s, mode: s.marry("D1", "L-10", motor("M1"), mode=mode)),
    "unknown-scan-point": Case(nothing, lambda s, mode: s.start("D1", scan_point="L-99", mode=mode)),
    "unknown-supplier": Case(
        nothing, lambda s, mode: s.receive("CARTON", supplier="S9", lot="C9", quantity=1, mode=mode)
    ),
    "unknown-test-plan": Case(started, lambda s, mode: s.test("D1", scan_point="RW", plan="LEAK", mode=mode)),
    "unknown-characteristic": Case(
        started,
        lambda s, mode: s.test("D1", [*GOOD, {"characteristic": "SPEED", "value": 50}], scan_point="RW", mode=mode),
    ),
    "unknown-hold": Case(nothing, lambda s, mode: s.release(4711, mode=mode)),
    "already-started": Case(started, lambda s, mode: s.start("D1", mode=mode)),
    "already-received": Case(
        lambda s: s.receive("ROTOR", serials=["R1"]), lambda s, mode: s.receive("ROTOR", serials=["R1"], mode=mode)
    ),
    "nothing-to-marry": Case(complete, lambda s, mode: s.marry("D1", "L-20", mode=mode)),
    "wrong-part": Case(
        started, lambda s, mode: s.marry("D1", "L-10", serial_of("ROTOR", "R1"), mode=mode), ("lot-not-received",)
    ),
    "no-free-slot": Case(complete, lambda s, mode: s.marry("D1", "RW", motor("M2"), mode=mode)),
    "already-installed": Case(
        complete_and_another_started, lambda s, mode: s.marry("D2", "L-10", motor("M-D1"), mode=mode)
    ),
    "inside-itself": Case(started, lambda s, mode: s.marry("D1", "L-10", dryer("D1"), mode=mode)),
    "not-installed": Case(complete, lambda s, mode: s.remove("D1", motor("M2"), mode=mode)),
    "already-removed": Case(a_motor_removed, lambda s, mode: s.remove("D1", motor("M-D1"), mode=mode)),
    "not-usable": Case(a_motor_scrapped, lambda s, mode: s.marry("D1", "RW", motor("M-D1"), mode=mode)),
    "on-hold": Case(on_hold, lambda s, mode: s.marry("D1", "L-10", motor("M1"), mode=mode)),
    "lot-expired": Case(
        lambda s: s.receive("CARTON", lot="C2", quantity=9, expires_on="2026-03-01"),
        lambda s, mode: s.load(lot_of("CARTON", "C2"), "L-40", mode=mode),
    ),
    "lot-not-received": Case(nothing, lambda s, mode: s.load(lot_of("CARTON", "C2"), "L-40", mode=mode)),
    "lot-exhausted": Case(one_carton, lambda s, mode: s.marry("D2", "RW", lot_of("CARTON", "C2"), mode=mode)),
    "lot-not-loaded": Case(started, lambda s, mode: s.marry("D1", "L-20", mode=mode)),
    "loaded-late": Case(
        drawn_and_loaded_an_hour_ago,
        lambda s, mode: s.load(lot_of("SCREW", "S9"), "L-20", occurred_at=s.ago(15), mode=mode),
    ),
    "out-of-route-order": Case(nothing, lambda s, mode: s.start("D1", scan_point="L-20", mode=mode)),
    "gate-not-met": Case(at_the_test_but_empty, lambda s, mode: s.test("D1", mode=mode)),
    "test-missing": Case(complete, lambda s, mode: s.marry("D1", "L-40", mode=mode), ("out-of-route-order",)),
    "test-failed": Case(one_failed, lambda s, mode: s.marry("D1", "L-40", mode=mode)),
    "test-stale": Case(changed_since_its_test, lambda s, mode: s.marry("D1", "L-40", mode=mode)),
    "unit-closed": Case(finished, lambda s, mode: s.remove("D1", motor("M-D1"), scan_point="L-10", mode=mode)),
    "numbers-exhausted": Case(all_numbers_given, lambda s, mode: s.start(None, mode=mode)),
    "unknown-line": Case(nothing, lambda s, mode: ordered(s, line="Z", mode=mode)),
    "unknown-instrument": Case(started, lambda s, mode: s.spin("D1", instrument="T9", mode=mode)),
    "unknown-attachment": Case(started, lambda s, mode: s.spin("D1", attachments=["0" * 64], mode=mode)),
    "unknown-consignee": Case(
        nothing, lambda s, mode: s.ship("load", serial_of("DRYER-2", "D1"), consignee="SHOP-9", mode=mode)
    ),
    "unknown-shipment": Case(nothing, lambda s, mode: s.ship("despatch", mode=mode)),
    "unknown-record": Case(started, lambda s, mode: s.correct(1, mode=mode)),
    "not-correctable": Case(
        complete, lambda s, mode: s.correct(last(s, "married"), lot=lot_of("SCREW", "S2"), mode=mode)
    ),
    "calibration-overdue": Case(started, lambda s, mode: s.spin("D1", instrument="T2", mode=mode)),
    "wrong-revision": Case(complete, lambda s, mode: s.test("D1", revision="A", mode=mode)),
    "floor-life-over": Case(opened_long_ago, lambda s, mode: s.marry("D1", "L-20", mode=mode)),
    "more-returned-than-left": Case(
        nothing, lambda s, mode: s.load(lot_of("SCREW", "S1"), "L-20", returned=1, mode=mode)
    ),
    "reprint-needs-reason": Case(printed, lambda s, mode: printed(s, mode=mode)),
    "cannot-print": Case(nothing, lambda s, mode: printed(s, "carton", mode=mode)),
    "order-started": Case(started_for_an_order, lambda s, mode: ordered(s, "DRYER-2", mode=mode)),
    "shipment-closed": Case(despatched, lambda s, mode: s.ship("despatch", mode=mode)),
    "wrong-consignee": Case(
        one_of_two_loaded,
        lambda s, mode: s.ship("load", serial_of("DRYER-2", "D2"), consignee="SHOP-2", mode=mode),
    ),
    "nothing-to-ship": Case(unloaded, lambda s, mode: s.ship("despatch", mode=mode)),
    "not-shipped": Case(started, lambda s, mode: s.take_back(dryer("D1"), mode=mode)),
    "unknown-case": Case(nothing, lambda s, mode: s.post("cases", case="C1", action="freeze", mode=mode)),
    "case-known": Case(
        opened_only,
        lambda s, mode: turn(
            s, "open", reason="heard", title="it cracks", suspects={"items": [motor("M1")]}, mode=mode
        ),
    ),
    "case-closed": Case(in_a_case, lambda s, mode: turn(s, "reopen", reason="heard", mode=mode)),
    "case-hold": Case(in_a_case, lambda s, mode: s.release(last(s, "held"), mode=mode)),
    "unknown-suspect": Case(
        nothing,
        lambda s, mode: turn(
            s, "open", reason="heard", title="it cracks", suspects={"items": [lot_of("SCREW", "S404")]}, mode=mode
        ),
    ),
    "suspected": Case(motors_suspected, lambda s, mode: s.marry("D1", "L-10", motor("M150"), mode=mode)),
    "not-listed": Case(in_a_case_and_another_started, lambda s, mode: decide(s, "scrap", dryer("D2"), mode=mode)),
    "suspect-inside": Case(
        in_a_case, lambda s, mode: decide(s, "rework", dryer("D1"), mode=mode), doubtful=dryer("D1")
    ),
    "not-verified": Case(
        sorted_units,
        lambda s, mode: decide(s, "verified good", dryer("D1"), sorting="S1", mode=mode),
        doubtful=dryer("D1"),
    ),
    "not-accounted": Case(in_a_case, lambda s, mode: turn(s, "close", reason="heard", mode=mode)),
    "unknown-sorting": Case(in_a_case, lambda s, mode: inspected(s, "D1", mode=mode)),
    "sorting-known": Case(sorted_units, lambda s, mode: sorting(s, mode=mode)),
    "nothing-to-sort": Case(in_a_case, lambda s, mode: sorting(s, listed="possible", mode=mode)),
    "too-many": Case(
        as_many_as_one_sorting_cannot_draw, lambda s, mode: sorting(s, listed=None, clean=CLEAN, mode=mode)
    ),
    "not-drawn": Case(sorted_units, lambda s, mode: inspected(s, "D2", mode=mode)),
    "not-reached": Case(
        in_a_case,
        lambda s, mode: s.post("notices", case="C1", action="sent", consignee="SHOP-1", how="letter", mode=mode),
    ),
    "clock-ahead": Case(nothing, lambda s, mode: s.start("D1", occurred_at="2999-01-01T00:00:00Z", mode=mode)),
}


def test_every_reason_has_its_case() -> None:
    assert CASES.keys() == REASON_TYPES.keys()


@pytest.mark.parametrize("reason", CASES)
def test_a_reason_refuses_an_ask_and_marks_a_tell(
    station: Station, store_url: str, sqlite_stores: SQLiteStores, reason: str
) -> None:
    case = CASES[reason]
    case.before(station)
    before = trees(station), books(store_url)
    refused = case.post(station, "ask")
    assert set(reasons(refused)) == {reason, *case.also}
    assert (trees(station), books(store_url)) == before
    assert_journalled(station, refused)
    told = case.post(station, "tell")
    assert told.status_code == 201, told.text
    assert set(reasons(told)) == {reason, *case.also}
    doubtful = case.doubtful or item_of(told.json()["unit"])
    assert held_by_discrepancies(station) == ([] if doubtful is None else [doubtful])
    assert differences(store_url, sqlite_stores.migrated()) == []


def trees(station: Station) -> str:
    """The birth records of all dryers."""
    answer = station.client.get(
        "/v1/trees?started_from=2026-01-01T00:00:00Z&started_to=2027-01-01T00:00:00Z&removed=true"
    )
    assert answer.status_code == 200
    return answer.text


def assert_journalled(station: Station, refused: httpx2.Response) -> None:
    entry = station.client.get(refused.json()["instance"]).json()
    assert (entry["outcome"], entry["status"], entry["answer"]) == ("refused", 409, refused.json())
    assert entry["message"]["message_id"] == refused.json()["message_id"]


def held_by_discrepancies(station: Station) -> list[Json]:
    return [hold["item"] for hold in station.client.get("/v1/holds").json()["items"] if hold["discrepancy"]]


def item_of(unit: Json | None) -> Json | None:
    return unit and serial_of(unit["part"], unit["serial"])


WARNINGS: dict[str, tuple[Callable[[Station], object], Callable[[Station], httpx2.Response]]] = {
    "running-out": (few_screws, lambda s: s.marry("D1", "L-20")),
    "verdict-disagrees": (started, lambda s: s.spin("D1", verdict="fail")),
    "out-of-sequence": (lambda s: ordered(s, "DRYER-2"), lambda s: s.start("D1")),
}
"""What comes before, and the post that is warned of."""


def test_every_warning_has_its_case() -> None:
    assert WARNINGS.keys() == WARNING_TYPES.keys()


@pytest.mark.parametrize("warning", WARNINGS)
def test_a_warning_stands_in_the_answer_and_in_the_journal(station: Station, warning: str) -> None:
    before, post = WARNINGS[warning]
    before(station)
    answer = recorded(post(station))
    (warned,) = answer["warnings"]
    assert (warned["type"], warned["title"]) == (f"/problems/{warning}", WARNING_TYPES[warning].title)
    assert warned["detail"].endswith(".")
    assert answer["discrepancies"] == []
    assert station.client.get(f"/v1/entries/{answer['entry']}").json()["answer"] == answer
    assert station.client.get(warned["type"]).status_code == 200
