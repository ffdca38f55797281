"""Notices: whom a case must tell, whether they were told, and whom it checks."""

from __future__ import annotations

from collections.abc import Iterator
from hashlib import sha256
from typing import Any

import httpx2
import pytest

from api_tests.cases import CONCESSION, decide, despatch, frozen, turn
from api_tests.plant import Json, Station, differences, facts, reasons, recorded, serial_of
from api_tests.servers import SQLiteStores


@pytest.fixture(autouse=True)
def sent(station: Station, store_url: str, sqlite_stores: SQLiteStores) -> Iterator[None]:
    """Dryers of the second model went to two shops; the first shop's and another one are suspected, then all three."""
    units = [station.second_model() for _ in range(4)]
    despatch(station, units[0])
    despatch(station, station.box(units[1], units[2]), shipment="N2", consignee="SHOP-2")
    frozen(station, items=[units[0], units[3]])
    yield
    assert differences(store_url, sqlite_stores.migrated()) == []


def note(station: Station, action: str, **said: Any) -> httpx2.Response:
    """A step of a notice."""
    return station.post("notices", **{"case": "C1", "action": action, **said})


def plan(station: Station, level: str, **said: Any) -> Json:
    """Who is checked is chosen."""
    (fact,) = facts(recorded(note(station, "plan", level=level, **said)), "checks planned")
    return fact


def widen(station: Station) -> None:
    """A unit of the second shop is suspected as well."""
    items = [serial_of("DRYER-2", "D0001"), serial_of("DRYER-2", "D0002"), serial_of("DRYER-2", "D0004")]
    recorded(turn(station, "freeze", suspects={"items": items}, reason="more of them"))


def test_the_levels_choose_by_chance_that_anybody_can_reckon_again(station: Station) -> None:
    widen(station)
    shares: list[tuple[str, Json, int]] = [("B", {"share": 0.4}, 1), ("B", {"share": 0.6}, 2)]
    # 21 CFR 7.42(b)(3): all, a share, 10 %, 2 %, none; of two consignees, rounded up.
    for level, share, count in (*shares, ("A", {}, 2), ("C", {}, 1), ("D", {}, 1), ("E", {}, 0)):
        fact = plan(station, level, **share)
        shops = sorted(("SHOP-1", "SHOP-2"), key=lambda shop: sha256(f"{fact['seed']}\n{shop}".encode()).hexdigest())
        assert fact["consignees"] == sorted(shops[:count])
    assert plan(station, "C", seed="seed of a test")["seed"] == "seed of a test"
    wrong: list[Json] = [{}, {"level": "B"}, {"level": "A", "share": 0.5}, {"level": "F"}]
    for said in (*wrong, {"level": "A", "consignee": "SHOP-1"}):
        assert note(station, "plan", **said).status_code == 422


def test_notices_go_to_those_who_were_sent_affected_units(station: Station) -> None:
    letter = {"how": "letter"}
    assert reasons(note(station, "sent", consignee="SHOP-2", **letter)) == ["not-reached"]
    assert reasons(note(station, "sent", consignee="SHOP-9", **letter)) == ["unknown-consignee"]
    assert reasons(note(station, "sent", consignee="SHOP-1", case="C9", **letter)) == ["unknown-case"]
    forms: list[tuple[str, Json]] = [
        *(("sent", {}), ("checked", {})),
        *(("answered", {"how": "letter"}), ("answered", {"effective": True})),
    ]
    for action, said in forms:
        assert note(station, action, consignee="SHOP-1", **said).status_code == 422
    widen(station)
    recorded(note(station, "sent", consignee="SHOP-2", **letter))
    answer = recorded(note(station, "answered", consignee="SHOP-2", on_hand=1, corrected=0, found="one in the window"))
    (fact,) = facts(answer, "noticed")
    assert (fact["consignee"], fact["step"], fact["on_hand"], fact["corrected"]) == ("SHOP-2", "answered", 1, 0)


def test_a_case_closes_when_those_chosen_were_checked(station: Station) -> None:
    widen(station)
    recorded(decide(station, "not recovered", serial_of("DRYER-2", "D0001"), serial_of("DRYER-2", "D0002")))
    recorded(decide(station, "use as is", serial_of("DRYER-2", "D0004"), **CONCESSION))

    def missing() -> list[str]:
        response = turn(station, "close", reason="all done")
        return [] if response.status_code == 201 else [one["detail"] for one in response.json()["reasons"]]

    no_plan = "It was not planned which consignees are checked."
    untold = {shop: f"{shop} was sent affected units, but no notice." for shop in ("SHOP-1", "SHOP-2")}
    assert missing() == [*untold.values(), no_plan]
    recorded(note(station, "sent", consignee="SHOP-1", how="letter"))
    recorded(note(station, "sent", consignee="SHOP-2", how="telephone"))
    assert missing() == [no_plan]
    plan(station, "A")
    recorded(note(station, "checked", consignee="SHOP-1", effective=False, found="nobody had read it"))
    assert missing() == ["Whether the notice reached SHOP-2 was not checked."]
    # The last plan counts, whatever was chosen before.
    plan(station, "E")
    assert missing() == []


def test_nobody_is_told_of_units_that_are_used_as_they_are_or_no_longer_suspected(station: Station) -> None:
    widen(station)
    plan(station, "A")
    recorded(decide(station, "use as is", serial_of("DRYER-2", "D0001"), serial_of("DRYER-2", "D0004"), **CONCESSION))
    items = [serial_of("DRYER-2", "D0001"), serial_of("DRYER-2", "D0004")]
    recorded(turn(station, "freeze", suspects={"items": items}, reason="the second shop's was another motor"))
    assert reasons(note(station, "checked", consignee="SHOP-2", effective=True)) == ["not-reached"]
    recorded(turn(station, "close", reason="all done"))
