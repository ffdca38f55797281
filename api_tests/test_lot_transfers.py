"""Lot transfers: lots are split into containers with their own labels, or merged in one."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from api_tests.plant import SCREW_HOURS, Station, differences, dryer, facts, lot_of, motor, reasons, recorded
from api_tests.servers import SQLiteStores

S1, S2, S3 = (lot_of("SCREW", code) for code in ("S1", "S2", "S3"))
K1, K2 = (lot_of("SCREW", code) for code in ("K1", "K2"))
"""Containers, by the lots on their labels."""


@pytest.fixture(autouse=True)
def dryers(station: Station, store_url: str, sqlite_stores: SQLiteStores) -> Iterator[None]:
    """Dryers are started; in the end the journal gives the books as they are."""
    for serial in ("D1", "D2", "D3"):
        recorded(station.start(serial))
    yield
    assert differences(store_url, sqlite_stores.migrated()) == []


# -- exposure


def test_units_are_exposed_to_the_lot_that_their_container_was_filled_from(station: Station) -> None:
    for container, serial in ((K1, "D1"), (K2, "D2")):
        recorded(station.transfer(container, (S1, 100)))
        recorded(station.load(container, "L-20"))
        recorded(station.marry(serial, "L-20"))
    assert station.inside("D1") == [("SCREWS", 1, "K1")]
    assert station.affected(S1) == (["D1", "D2"], [])
    assert station.affected(K1) == (["D1"], [])


def test_from_a_container_of_several_lots_a_unit_has_any_of_them(station: Station) -> None:
    recorded(station.transfer(K1, (S1, 50), (S2, 50)))
    recorded(station.marry("D1", "RW", K1))
    for suspect in (S1, S2):
        assert station.affected(suspect) == ([], ["D1"])
    assert station.affected(K1) == (["D1"], [])


def test_what_went_in_later_is_in_no_unit_that_took_before(station: Station) -> None:
    recorded(station.transfer(K1, (S1, 50)))
    recorded(station.load(K1, "L-20"))
    recorded(station.marry("D1", "L-20"))
    recorded(station.transfer(K1, (S2, 50)))
    recorded(station.marry("D2", "L-20"))
    assert station.affected(S1) == (["D1"], ["D2"])
    assert station.affected(S2) == ([], ["D2"])


def test_lots_go_through_containers_into_containers(station: Station) -> None:
    recorded(station.transfer(K1, (S1, 50)))
    recorded(station.transfer(K2, (K1, 20)))
    recorded(station.marry("D1", "RW", K2))
    recorded(station.transfer(K1, (S2, 50)))
    recorded(station.marry("D2", "RW", K2))
    assert station.affected(S1) == (["D1", "D2"], [])
    assert station.affected(S2) == ([], [])
    recorded(station.transfer(K2, (K1, 20)))
    recorded(station.marry("D3", "RW", K2))
    assert station.affected(S2) == ([], ["D3"])


# -- what speaks against one


def test_a_container_holds_lots_of_one_part(station: Station) -> None:
    refused = station.transfer(K1, (lot_of("CARTON", "C1"), 5))
    assert "wrong-part" in reasons(refused)
    told = station.transfer(K1, (S1, 5), (lot_of("LEAFLET", "F1"), 5), mode="tell")
    assert reasons(told) == ["wrong-part"]
    assert [fact["source"] for fact in facts(told.json(), "transferred")] == [S1]


def test_serial_items_do_not_go_into_containers(station: Station) -> None:
    assert reasons(station.transfer(motor("M1"), (S1, 5))) == ["wrong-part"]
    assert reasons(station.transfer(K1, (motor("M1"), 1))) == ["wrong-part"]


def test_nothing_goes_back_into_what_it_came_out_of(station: Station) -> None:
    """Else it would be exposed to itself."""
    recorded(station.transfer(K1, (S1, 50)))
    recorded(station.transfer(K2, (K1, 50)))
    for container in (S1, K1, K2):
        assert reasons(station.transfer(container, (K2, 5))) == ["inside-itself"]
    told = station.transfer(S1, (K2, 5), (S2, 5), mode="tell")
    assert reasons(told) == ["inside-itself"]
    assert [fact["source"] for fact in facts(told.json(), "transferred")] == [S2]
    recorded(station.marry("D1", "RW", K2))
    assert station.affected(S1) == (["D1"], [])


def test_a_hold_on_what_went_in_stops_the_container(station: Station) -> None:
    recorded(station.transfer(K1, (S1, 50)))
    recorded(station.transfer(K2, (K1, 50)))
    recorded(station.load(K2, "L-20"))
    hold = facts(recorded(station.hold(S1)), "held")[0]["number"]
    assert reasons(station.marry("D1", "L-20")) == ["on-hold"]
    assert reasons(station.load(K1, "L-20")) == ["on-hold"]
    assert reasons(station.transfer(K2, (S2, 5), (S1, 5))) == ["on-hold"]
    recorded(station.release(hold))
    recorded(station.marry("D1", "L-20"))


def test_a_hold_on_the_container_leaves_the_rest_of_the_lot_alone(station: Station) -> None:
    recorded(station.transfer(K1, (S1, 50)))
    recorded(station.hold(K1))
    recorded(station.marry("D1", "RW", S1))


# -- what goes along


def test_a_container_expires_with_the_first_of_what_is_in_it(station: Station) -> None:
    for lot, last_day in (("C1", "2026-12-31"), ("C2", "2026-03-02")):
        recorded(station.receive("CARTON", lot=lot, quantity=9, expires_on=last_day))
    container = lot_of("CARTON", "B1")
    recorded(station.transfer(container, (lot_of("CARTON", "C1"), 5)))
    next_day = "2026-03-03T06:00:00Z"
    assert reasons(station.load(container, "L-40", occurred_at=next_day)) == []
    recorded(station.transfer(container, (lot_of("CARTON", "C2"), 1)))
    assert reasons(station.load(container, "L-40")) == []
    assert reasons(station.load(container, "L-40", occurred_at=next_day)) == ["lot-expired"]
    assert reasons(station.transfer(lot_of("CARTON", "B2"), (container, 1), occurred_at=next_day)) == ["lot-expired"]


def test_pieces_that_go_into_a_container_are_counted_there(station: Station) -> None:
    lot, container = lot_of("CARTON", "C1"), lot_of("CARTON", "B1")
    assert reasons(station.transfer(container, (lot, 5))) == ["lot-not-received"]
    recorded(station.receive("CARTON", lot="C1", quantity=10))
    refused = station.transfer(container, (lot, 6), (lot, 5))
    assert [(one["type"], one["pointer"]) for one in refused.json()["reasons"]] == [
        ("/problems/lot-exhausted", "/sources/1/lot")
    ]
    recorded(station.transfer(container, (lot, 1), (lot, 8)))
    assert reasons(station.transfer(container, (lot, 2))) == ["lot-exhausted"]
    recorded(station.dispose(container, "scrap", quantity=8))
    recorded(station.marry("D1", "RW", container))
    assert reasons(station.marry("D2", "RW", container)) == ["lot-exhausted"]
    recorded(station.marry("D2", "RW", lot))


def test_what_was_opened_is_open_in_its_container_too(station: Station) -> None:
    recorded(station.load(S1, "L-20"))
    recorded(station.transfer(K1, (S2, 5)))
    recorded(station.transfer(K1, (S1, 5)))
    recorded(station.transfer(K2, (S2, 5)))
    late = {"occurred_at": f"2026-03-{2 + SCREW_HOURS // 24 + 1:02}T06:00:00Z"}
    assert reasons(station.marry("D1", "RW", K1, **late)) == ["floor-life-over"]
    assert reasons(station.marry("D1", "RW", K2, **late)) == []
    assert station.tree(dryer("D1"))["state"] == "in work"
