"""Every reason, provoked: what it refuses when a station asks, and what it leaves behind when a station tells."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import httpx2
import pytest

from api_tests.plant import GOOD, Json, Station, books, differences, dryer, lot_of, motor, reasons, serial_of
from api_tests.servers import SQLiteStores
from partkin.rules.reasons import REASON_TYPES


@dataclass(frozen=True)
class Case:
    """What comes before, the post that has the reason, and other reasons that it cannot but have too."""

    before: Callable[[Station], object]
    post: Callable[[Station, str], httpx2.Response]
    also: tuple[str, ...] = ()


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
    assert held_by_discrepancies(station) == [item_of(told.json()["unit"])] * (told.json()["unit"] is not None)
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
