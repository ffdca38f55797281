"""Feeders: several lots up at one point of use, containers that run out, pieces that come back, floor life."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta

import pytest

from api_tests.plant import SCREW_HOURS, Json, Station, differences, facts, lot_of, married, reasons, recorded
from api_tests.servers import SQLiteStores

S1, S2, S3 = (lot_of("SCREW", code) for code in ("S1", "S2", "S3"))


@pytest.fixture(autouse=True)
def dryers(station: Station, store_url: str, sqlite_stores: SQLiteStores) -> Iterator[None]:
    """Dryers are started, each takes four screws; in the end the journal gives the books as they are."""
    for number in range(1, 6):
        recorded(station.start(f"D{number}"))
    yield
    assert differences(store_url, sqlite_stores.migrated()) == []


def up(station: Station, lot: Json | None, feeder: str = "1", **said: object) -> Json:
    """A lot of screws is put up at a feeder, or the feeder is emptied."""
    return recorded(station.load(lot, "L-20", feeder=feeder, position="SCREWS", **said))


def drawn(station: Station, serial: str, **said: object) -> list[str]:
    """The lots from which a dryer takes its screws."""
    return [lot for lot, *_ in married(station.marry(serial, "L-20", **said))]


def warnings(answer: Json) -> list[tuple[str, str]]:
    """The warnings in an answer, with what they say."""
    return [(warning["type"].removeprefix("/problems/"), warning["detail"]) for warning in answer["warnings"]]


# -- several at once


def test_a_unit_may_have_its_pieces_from_any_feeder_that_is_loaded(station: Station) -> None:
    up(station, S1, "A")
    up(station, S2, "B")
    assert drawn(station, "D1") == ["S1"]
    assert [station.affected(lot) for lot in (S1, S2)] == [([], ["D1"]), ([], ["D1"])]
    (row,) = station.tree({"part": "DRYER", "serial": "D1"})["content"]
    assert (row["lot"], row["certain"], row["or_lot"]) == ("S1", False, [S2])


def test_each_feeder_has_its_own_changes(station: Station) -> None:
    up(station, S1, "A")
    assert drawn(station, "D1") == ["S1"]
    up(station, S2, "B")
    up(station, S3, "A")
    assert drawn(station, "D2") == ["S2"]
    up(station, None, "B")
    assert drawn(station, "D3") == ["S3"]
    assert station.affected(S1) == (["D1"], [])
    assert station.affected(S2) == ([], ["D2"])
    assert station.affected(S3) == (["D3"], ["D2"])


def test_every_lot_that_is_up_must_be_fit_for_use(station: Station) -> None:
    up(station, S1, "A")
    up(station, S2, "B")
    recorded(station.hold(S2))
    assert reasons(station.marry("D1", "L-20")) == ["on-hold"]
    up(station, None, "B")
    assert drawn(station, "D1") == ["S1"]


# -- counted containers


def test_pieces_come_from_the_next_container_once_the_first_is_empty(station: Station) -> None:
    up(station, S1, "A", quantity=6)
    up(station, S2, "B", quantity=100)
    assert [drawn(station, serial) for serial in ("D1", "D2", "D3")] == [["S1"], ["S1"], ["S2"]]


def test_no_more_is_drawn_than_is_left_in_all_containers_together(station: Station) -> None:
    up(station, S1, "A", quantity=4)
    up(station, S2, "B", quantity=3)
    drawn(station, "D1")
    refused = station.marry("D2", "L-20")
    assert (reasons(refused), refused.json()["detail"]) == (
        ["lot-exhausted"],
        "3 pieces are left of SCREW lot S2, SCREW lot S1 at L-20, and 4 are needed: put up the next lot.",
    )
    up(station, S3, "A")
    assert drawn(station, "D2") == ["S2"]


def test_the_operator_is_told_before_it_runs_out(station: Station) -> None:
    """The scan point warns below eight pieces."""
    up(station, S1, quantity=16)
    assert [warnings(recorded(station.marry(serial, "L-20"))) for serial in ("D1", "D2", "D3")] == [
        [],
        [],
        [("running-out", "4 pieces are left of SCREW lot S1 at L-20 for SCREWS.")],
    ]


def test_who_does_not_count_is_not_told(station: Station) -> None:
    up(station, S1, "A", quantity=4)
    up(station, S2, "B")
    assert warnings(recorded(station.marry("D1", "L-20"))) == []
    assert drawn(station, "D2") == ["S2"]


def test_what_comes_back_cannot_be_more_than_was_left(station: Station) -> None:
    up(station, S1, quantity=10)
    drawn(station, "D1")
    refused = station.load(S2, "L-20", returned=7)
    assert (reasons(refused), refused.json()["detail"]) == (
        ["more-returned-than-left"],
        "6 pieces were left of SCREW lot S1, not 7.",
    )
    answer = up(station, S2, returned=6)
    assert facts(answer, "left over")[0]["quantity"] == 6
    assert up(station, None, returned=10**9)["discrepancies"] == []


def test_nothing_comes_back_from_an_empty_feeder(station: Station) -> None:
    assert reasons(station.load(S1, "L-20", returned=0)) == ["more-returned-than-left"]
    up(station, S1, "A")
    assert reasons(station.load(S1, "L-20", feeder="B", returned=1)) == ["more-returned-than-left"]


def test_a_container_that_comes_back_is_put_up_again_with_what_it_has(station: Station) -> None:
    up(station, S1, quantity=8)
    drawn(station, "D1")
    up(station, S2, returned=4)
    up(station, S1, quantity=4)
    assert drawn(station, "D2") == ["S1"]
    assert reasons(station.marry("D3", "L-20")) == ["lot-exhausted"]


# -- told late


def test_a_lot_told_late_at_another_feeder_takes_over_if_it_was_loaded_first(station: Station) -> None:
    up(station, S1, "A")
    drawn(station, "D1")
    told = station.load(S2, "L-20", feeder="B", occurred_at=station.ago(11), mode="tell")
    assert reasons(told) == ["loaded-late"]
    assert facts(told.json(), "redrawn")[0]["lot"] == S2
    assert station.inside("D1") == [("SCREWS", 1, "S2")]
    assert station.affected(S1) == ([], ["D1"])


def test_a_lot_told_late_that_was_loaded_after_the_first_changes_nothing(station: Station) -> None:
    up(station, S1, "A")
    drawn(station, "D1")
    told = station.load(S2, "L-20", feeder="B", occurred_at=station.ago(5))
    assert reasons(told) == []
    assert station.inside("D1") == [("SCREWS", 1, "S1")]
    assert station.affected(S2) == ([], ["D1"])


def test_pieces_move_with_the_draws_to_the_container_that_was_up(station: Station) -> None:
    up(station, S1, "A", quantity=8)
    drawn(station, "D1")
    drawn(station, "D2")
    recorded(station.load(S2, "L-20", feeder="A", quantity=8, occurred_at=station.ago(5), mode="tell"))
    assert [station.inside(serial)[0][2] for serial in ("D1", "D2")] == ["S1", "S2"]
    assert drawn(station, "D3") == ["S2"]
    assert reasons(station.marry("D4", "L-20")) == ["lot-exhausted"]


def test_pieces_move_to_the_next_container_of_the_same_lot_too(station: Station) -> None:
    up(station, S1, "A", quantity=8)
    drawn(station, "D1")
    drawn(station, "D2")
    recorded(station.load(S1, "L-20", feeder="A", quantity=8, occurred_at=station.ago(5)))
    assert drawn(station, "D3") == ["S1"]
    assert reasons(station.marry("D4", "L-20")) == ["lot-exhausted"]


# -- floor life


def test_what_was_opened_too_long_ago_is_not_used(station: Station) -> None:
    up(station, S1)
    opened = station.clock
    last = (opened + timedelta(hours=SCREW_HOURS)).isoformat()
    after = (opened + timedelta(hours=SCREW_HOURS, microseconds=1)).isoformat()
    assert drawn(station, "D1", occurred_at=last) == ["S1"]
    refused = station.marry("D2", "L-20", occurred_at=after)
    assert reasons(refused) == ["floor-life-over"]
    assert "SCREW lot S1 was opened at 2026-03-02T" in refused.json()["detail"]
    assert reasons(station.load(S1, "L-20", occurred_at=after)) == ["floor-life-over"]
    assert reasons(station.marry("D2", "RW", S1, occurred_at=after)) == ["floor-life-over"]


def test_a_container_is_opened_once(station: Station) -> None:
    up(station, S1)
    opened = station.clock
    up(station, S2)
    day_before = (opened + timedelta(hours=SCREW_HOURS - 24)).isoformat()
    assert facts(up(station, S1, occurred_at=day_before), "opened") == []
    after = (opened + timedelta(hours=SCREW_HOURS + 1)).isoformat()
    assert reasons(station.marry("D1", "L-20", occurred_at=after)) == ["floor-life-over"]


def test_an_opening_told_late_counts_from_then(station: Station) -> None:
    up(station, S1)
    opened = station.clock - timedelta(hours=SCREW_HOURS)
    recorded(station.load(S1, "L-20", feeder="2", occurred_at=opened.isoformat(), mode="tell"))
    assert reasons(station.marry("D1", "L-20")) == ["floor-life-over"]
