"""Dispositions: where something goes that is in nothing."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from api_tests.plant import (
    Json,
    Station,
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
from api_tests.servers import SQLiteStores

C1 = lot_of("CARTON", "C1")


@pytest.fixture(autouse=True)
def one_dryer(station: Station, store_url: str, sqlite_stores: SQLiteStores) -> Iterator[None]:
    """A dryer is started; in the end the journal gives the books as they are."""
    recorded(station.start("D1"))
    yield
    assert differences(store_url, sqlite_stores.migrated()) == []


@pytest.mark.parametrize(
    ("destination", "state"),
    [("scrap", "scrapped"), ("supplier", "returned"), ("failure analysis", "in analysis"), ("stock", "usable")],
)
def test_a_component_is_afterwards_what_its_destination_says(station: Station, destination: str, state: str) -> None:
    answer = recorded(station.dispose(motor("M1"), destination))
    assert answer["unit"] == {**motor("M1"), "state": state}
    assert reasons(station.marry("D1", "L-10", motor("M1"))) == ([] if state == "usable" else ["not-usable"])


def test_what_was_sent_away_can_come_back_to_stock(station: Station) -> None:
    recorded(station.dispose(motor("M1"), "failure analysis"))
    recorded(station.dispose(motor("M1"), "scrap"))
    recorded(station.dispose(motor("M1"), "stock"))
    recorded(station.marry("D1", "L-10", motor("M1")))


def test_what_is_in_something_goes_nowhere(station: Station) -> None:
    recorded(station.marry("D1", "L-10", motor("M1")))
    refused = station.dispose(motor("M1"), "scrap")
    assert (reasons(refused), refused.json()["detail"]) == (
        ["already-installed"],
        "MOTOR serial M1 is in DRYER serial D1: take it out.",
    )
    recorded(station.remove("D1", motor("M1")))
    recorded(station.dispose(motor("M1"), "scrap"))


def test_what_is_on_a_shipment_is_taken_off_first(station: Station) -> None:
    second = station.second_model()
    recorded(station.ship("load", second))
    assert reasons(station.dispose(second, "scrap")) == ["already-installed"]
    recorded(station.ship("unload", second))
    recorded(station.dispose(second, "scrap"))
    assert reasons(station.ship("load", second)) == ["unit-closed"]


def test_what_is_built_here_must_have_been_started(station: Station) -> None:
    assert reasons(station.dispose(dryer("D9"), "scrap")) == ["unknown-item"]
    told = station.dispose(dryer("D9"), "scrap", mode="tell")
    assert reasons(told) == ["unknown-item"]
    assert told.json()["unit"] == {**dryer("D9"), "state": "scrapped"}
    assert station.held() == [dryer("D9")]


def test_components_are_recovered_from_a_scrapped_unit_at_a_rework_point_only(station: Station) -> None:
    recorded(station.marry("D1", "L-10", motor("M1"), heater("H1")))
    recorded(station.dispose(dryer("D1"), "scrap"))
    assert station.inside("D1") == [("HEATERS", 1, "H1"), ("MOTOR", 1, "M1")]
    assert reasons(station.marry("D1", "RW", heater("H2"))) == ["unit-closed"]
    assert reasons(station.remove("D1", motor("M1"), scan_point="L-10")) == ["unit-closed"]
    swapped = station.remove("D1", motor("M1"), replacement={"item": motor("M2")})
    assert reasons(swapped) == ["unit-closed"]
    recorded(station.remove("D1", motor("M1")))
    assert station.tree(dryer("D1"))["state"] == "scrapped"
    recorded(station.start("D2"))
    recorded(station.marry("D2", "L-10", motor("M1")))


def test_a_unit_that_is_taken_up_again_is_finished_by_its_next_post(station: Station) -> None:
    station.load_lots()
    station.finish("D2")
    recorded(station.dispose(dryer("D2"), "failure analysis"))
    assert reasons(station.test("D2", scan_point="RW")) == ["unit-closed"]
    assert recorded(station.dispose(dryer("D2"), "stock"))["unit"]["state"] == "in work"
    assert recorded(station.test("D2", scan_point="RW"))["unit"]["state"] == "finished"


# -- lots


@pytest.mark.parametrize("destination", ["scrap", "supplier", "failure analysis"])
def test_pieces_of_a_counted_lot_go_once(station: Station, destination: str) -> None:
    recorded(station.receive("CARTON", lot="C1", quantity=10))
    (disposed,) = facts(recorded(station.dispose(C1, destination, quantity=7)), "disposed")
    assert (disposed["item"], disposed["quantity"], disposed["destination"]) == (C1, 7, destination)
    refused = station.dispose(C1, destination, quantity=4)
    assert (reasons(refused), refused.json()["detail"]) == (
        ["lot-exhausted"],
        "CARTON lot C1: 3 pieces are left, not 4.",
    )
    recorded(station.dispose(C1, destination, quantity=3))


def test_no_more_pieces_come_back_to_stock_than_went_out(station: Station) -> None:
    recorded(station.receive("CARTON", lot="C1", quantity=10))
    recorded(station.dispose(C1, "supplier", quantity=7))
    assert reasons(station.dispose(C1, "stock", quantity=8)) == ["lot-exhausted"]
    recorded(station.dispose(C1, "stock", quantity=5))
    assert reasons(station.dispose(C1, "scrap", quantity=9)) == ["lot-exhausted"]
    recorded(station.dispose(C1, "scrap", quantity=8))


def test_a_lot_that_nobody_counts_goes_in_any_number(station: Station) -> None:
    recorded(station.dispose(lot_of("SCREW", "S1"), "scrap", quantity=1_000_000))


@pytest.mark.parametrize(("item", "said"), [(C1, {}), (serial_of("MOTOR", "M1"), {"quantity": 1})])
def test_pieces_are_said_of_lots_and_only_of_lots(station: Station, item: Json, said: Json) -> None:
    refused = station.dispose(item, "scrap", **said)
    assert [(one["type"], one["pointer"]) for one in refused.json()["reasons"]] == [
        ("/problems/wrong-part", "/quantity")
    ]
