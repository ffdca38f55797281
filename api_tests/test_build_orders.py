"""Orders: what a line builds next, and what its units take from them."""

from __future__ import annotations

import json
from collections.abc import Callable
from datetime import UTC, datetime
from typing import Any

import httpx2
import pytest

from api_tests.plant import Json, Station, differences, facts, motor, reasons, recorded, serial_of


def order(station: Station, *orders: Json, **said: object) -> httpx2.Response:
    """Orders of line L, for dryers unless they say otherwise, come in."""
    whole = [{"part": "DRYER", "sequence": place, **one} for place, one in enumerate(orders)]
    return station.post("build-orders", **{"line": "L", "orders": whole, **said})


def started(station: Station, part: str = "DRYER", **said: object) -> tuple[str, str | None, list[str]]:
    """The serial number under which a unit starts, the order that it is of, and the warnings."""
    answer = recorded(station.post("units", **{"scan_point": "L-10", "part": part, **said}))
    taken: list[str | None] = [fact["order"] for fact in facts(answer, "order taken")]
    warnings = [warning["type"].removeprefix("/problems/") for warning in answer["warnings"]]
    return answer["unit"]["serial"], (taken or [None])[0], warnings


def still_open(station: Station) -> list[tuple[Any, ...]]:
    """What the line builds next: order, and how many of how many are started."""
    items = station.client.get("/v1/orders", params={"line": "L"}).raise_for_status().json()["items"]
    return [(row["order"], row["started"], row["quantity"]) for row in items]


def test_units_take_orders_in_their_sequence(station: Station) -> None:
    recorded(order(station, {"order": "B", "sequence": 7, "quantity": 2}, {"order": "A", "sequence": 9}))
    assert [started(station)[:2] for _ in range(2)] == [("D0001", "B"), ("D0002", "B")]
    assert still_open(station) == [("A", 0, 1)]
    assert [started(station)[:2] for _ in range(2)] == [("D0003", "A"), ("D0004", None)]
    assert still_open(station) == []


def test_orders_of_one_sequence_go_by_their_codes(station: Station) -> None:
    recorded(order(station, {"order": "B", "sequence": 1}, {"order": "A", "sequence": 1}))
    assert [started(station)[1] for _ in range(2)] == ["A", "B"]


def test_orders_of_another_line_stay_where_they_are(station: Station) -> None:
    recorded(order(station, {"order": "A"}, line="SHIPPING"))
    assert started(station) == ("D0001", None, [])


def test_the_first_order_gives_its_serial_number(station: Station) -> None:
    recorded(order(station, {"order": "A", "serial": "D-77"}, {"order": "B"}))
    assert [started(station)[:2] for _ in range(3)] == [("D-77", "A"), ("D0001", "B"), ("D0002", None)]


def test_a_serial_number_that_is_ordered_takes_its_order_at_any_time(station: Station) -> None:
    orders = {"order": "A", "part": "DRYER-2"}, {"order": "B"}, {"order": "C", "serial": "D-77"}
    recorded(order(station, *orders))
    assert started(station, serial="D-77") == ("D-77", "C", [])
    assert started(station, serial="D-78") == ("D-78", "B", ["out-of-sequence"])


def test_a_serial_number_that_waits_for_its_turn_is_not_given(station: Station) -> None:
    orders = {"order": "A", "part": "DRYER-2"}, {"order": "B", "serial": "D-77"}, {"order": "C"}
    recorded(order(station, *orders))
    assert started(station) == ("D0001", "C", ["out-of-sequence"])
    assert started(station, "DRYER-2")[1] == "A"
    assert started(station) == ("D-77", "B", [])


def test_a_serial_number_is_started_as_the_part_that_was_ordered(station: Station) -> None:
    recorded(order(station, {"order": "A", "serial": "D-77", "part": "DRYER-2"}))
    refused = station.post("units", scan_point="L-10", part="DRYER", serial="D-77")
    assert reasons(refused) == ["wrong-part"]
    assert "DRYER-2" in refused.json()["detail"]
    assert started(station, "DRYER-2", serial="D-77")[:2] == ("D-77", "A")


def test_another_model_than_the_next_one_is_started_with_a_warning(station: Station) -> None:
    recorded(order(station, {"order": "A", "part": "DRYER-2"}, {"order": "B"}))
    assert started(station) == ("D0001", "B", ["out-of-sequence"])
    assert started(station, "DRYER-2") == ("D0002", "A", [])


def test_an_order_that_comes_again_replaces_what_was_said(station: Station) -> None:
    recorded(order(station, {"order": "A", "quantity": 3}, {"order": "B"}))
    assert started(station)[1] == "A"
    recorded(order(station, {"order": "A", "quantity": 2, "sequence": 9}))
    assert still_open(station) == [("B", 0, 1), ("A", 1, 2)]
    assert [started(station)[1] for _ in range(3)] == ["B", "A", None]


def test_quantity_0_cancels_what_was_not_started(station: Station) -> None:
    recorded(order(station, {"order": "A", "quantity": 3}))
    assert started(station)[1] == "A"
    recorded(order(station, {"order": "A", "quantity": 0}))
    assert still_open(station) == []
    assert started(station)[1] is None


@pytest.mark.parametrize("other", [{"part": "DRYER-2"}, {"serial": "D-78", "quantity": 1}])
def test_part_and_serial_number_of_a_started_order_stay(station: Station, other: Json) -> None:
    recorded(order(station, {"order": "A", **other}))
    recorded(order(station, {"order": "A", "quantity": 2}))
    started(station)
    assert reasons(order(station, {"order": "A", "quantity": 2, **other})) == ["order-started"]


@pytest.mark.parametrize(
    ("wrong", "reason"),
    [
        ({"part": "NO-PART"}, "unknown-part"),
        ({"part": "MOTOR"}, "wrong-part"),
        ({"parts": [{"position": "NONE", "part": "MOTOR"}]}, "wrong-part"),
        ({"parts": [{"position": "MOTOR", "part": "HEATER"}]}, "wrong-part"),
    ],
)
def test_what_cannot_be_built_is_not_ordered(station: Station, wrong: Json, reason: str) -> None:
    assert reasons(order(station, {"order": "A"}, {"order": "B", **wrong})) == [reason]
    assert still_open(station) == []


def test_an_order_is_for_a_line_that_there_is(station: Station) -> None:
    assert reasons(order(station, {"order": "A"}, line="NONE")) == ["unknown-line"]


def test_a_serial_number_is_of_one_unit(station: Station) -> None:
    refused = order(station, {"order": "A", "serial": "D-77", "quantity": 2})
    assert (refused.status_code, refused.json()["errors"][0]["pointer"]) == (422, "/orders/0")
    refused = order(station, {"order": "A"}, {"order": "A"})
    assert refused.status_code == 422


def test_a_position_takes_only_the_part_that_was_ordered(station: Station) -> None:
    """Since June it takes either of two."""
    station.clock = datetime(2026, 7, 1, 6, 0, tzinfo=UTC)
    recorded(order(station, {"order": "A", "parts": [{"position": "MOTOR", "part": "MOTOR-2"}]}))
    first, second = started(station)[0], started(station)[0]
    refused = station.marry(first, "L-10", motor("M1"))
    assert reasons(refused) == ["wrong-part"]
    assert "MOTOR takes MOTOR-2" in refused.json()["detail"]
    assert reasons(station.marry(first, "RW", motor("M1"))) == ["wrong-part"]
    recorded(station.marry(first, "L-10", serial_of("MOTOR-2", "M2")))
    recorded(station.marry(second, "L-10", motor("M1")))


def test_units_that_start_together_take_an_order_each(
    station: Station, store_url: str, new_store: Callable[[], str]
) -> None:
    recorded(order(station, {"order": "A"}, {"order": "B", "serial": "D-77"}, {"order": "C", "quantity": 2}))
    start = {"kind": "unit-start", "scan_point": "L-10", "part": "DRYER"}
    lines = "".join(json.dumps(station.says(**start)) + "\n" for _ in range(5))
    response = station.client.post("/v1/messages", content=lines, headers={"Content-Type": "application/x-ndjson"})
    answers = [json.loads(line)["answer"] for line in response.text.splitlines()]
    taken = [fact["order"] for answer in answers for fact in facts(answer, "order taken")]
    assert taken == ["A", "B", "C", "C"]
    assert [answer["unit"]["serial"] for answer in answers] == ["D0001", "D-77", "D0002", "D0003", "D0004"]
    recorded(order(station, {"order": "C", "quantity": 5}))
    assert differences(store_url, new_store()) == []
