"""Rework: what comes out and goes in again, with all that is inside it."""

from __future__ import annotations

from collections.abc import Iterator

import httpx2
import pytest

from api_tests.plant import (
    Json,
    Station,
    differences,
    dryer,
    facts,
    heater,
    lot_of,
    married,
    motor,
    reasons,
    recorded,
    serial_of,
)
from api_tests.servers import SQLiteStores


@pytest.fixture(autouse=True)
def two_dryers(station: Station, store_url: str, sqlite_stores: SQLiteStores) -> Iterator[None]:
    """One dryer is finished, another begun; in the end the journal gives the books as they are."""
    station.load_lots()
    station.finish("D1")
    recorded(station.start("D2"))
    yield
    assert differences(store_url, sqlite_stores.migrated()) == []


def pump_of(station: Station, serial: str) -> Json:
    """The pump that is in a dryer."""
    (pump,) = (code for position, _, code in station.inside(serial) if position == "PUMP")
    return serial_of("PUMP", pump)


# -- replacement


def test_one_message_takes_out_and_puts_in(station: Station) -> None:
    answer = recorded(station.remove("D1", heater("H-D1-2"), replacement={"item": heater("H2")}, destination="scrap"))
    assert [len(facts(answer, name)) for name in ("removed", "married")] == [1, 1]
    assert station.inside("D1")[1:3] == [("HEATERS", 1, "H-D1-1"), ("HEATERS", 2, "H2")]
    assert station.tree(heater("H-D1-2"))["state"] == "scrapped"
    assert answer["unit"]["state"] == "finished"


def test_what_goes_in_goes_where_the_other_was(station: Station) -> None:
    recorded(station.marry("D2", "L-10", heater("H1"), heater("H2")))
    recorded(station.remove("D2", heater("H1")))
    for said in ({"item": heater("H3")}, {"item": heater("H2"), "position": "HEATERS"}):
        (gone,) = (code for position, slot, code in station.inside("D2") if slot == 2)
        answer = station.remove("D2", heater(gone), replacement=said)
        assert [(position, slot) for _, position, slot, _ in married(answer)] == [("HEATERS", 2)]


def test_what_goes_in_may_go_somewhere_else(station: Station) -> None:
    recorded(station.marry("D2", "L-10", heater("H1")))
    answer = station.remove("D2", heater("H1"), replacement={"item": heater("H2"), "slot": 2})
    assert married(answer) == [("H2", "HEATERS", 2, 1)]
    other = station.remove("D2", heater("H2"), replacement={"item": motor("M2"), "position": "MOTOR"})
    assert married(other) == [("M2", "MOTOR", 1, 1)]


def test_the_same_component_may_go_in_again(station: Station) -> None:
    recorded(station.remove("D1", motor("M-D1"), replacement={"item": motor("M-D1")}))
    assert station.inside("D1").count(("MOTOR", 1, "M-D1")) == 1
    assert station.tree(dryer("D1"))["state"] == "in work"


def test_pieces_of_a_lot_are_replaced_by_as_many(station: Station) -> None:
    answer = station.remove("D1", lot_of("SCREW", "S1"), replacement={"item": lot_of("SCREW", "S2")})
    assert married(answer) == [("S2", "SCREWS", 1, 4)]


@pytest.mark.parametrize(
    ("instead", "why"),
    [
        (motor("M-D2"), ["already-installed"]),
        (heater("H2"), ["wrong-part"]),
        (serial_of("PUMP", "P9"), ["unknown-item", "wrong-part"]),
        (dryer("D1"), ["inside-itself"]),
    ],
)
def test_both_happen_or_neither(station: Station, instead: Json, why: list[str]) -> None:
    recorded(station.marry("D2", "L-10", motor("M-D2")))
    before = station.inside("D1")
    refused = station.remove("D1", motor("M-D1"), replacement={"item": instead})
    assert reasons(refused) == why
    assert {one["pointer"].split("/")[1] for one in refused.json()["reasons"]} == {"replacement"}
    assert station.inside("D1") == before


def test_what_was_not_in_there_is_not_replaced(station: Station) -> None:
    refused = station.remove("D1", motor("M9"), replacement={"item": motor("M2")})
    assert reasons(refused) == ["no-free-slot", "not-installed"]
    told = station.remove("D2", motor("M9"), replacement={"item": motor("M2")}, mode="tell")
    assert (reasons(told), married(told)) == (["not-installed"], [("M2", "MOTOR", 1, 1)])


def test_a_replacement_happens_at_the_same_moment(station: Station) -> None:
    moment = station.clock.isoformat()
    answer = recorded(station.remove("D1", motor("M-D1"), replacement={"item": motor("M2")}))
    at = facts(answer, "removed")[0]["at"]
    assert facts(answer, "married")[0]["started"] == facts(answer, "marriage ended")[0]["ended"] == at
    assert [row["serial"] for row in station.tree(dryer("D1"), as_of=moment)["content"] if row["part"] == "MOTOR"] == [
        "M-D1"
    ]
    assert station.affected(motor("M-D1")) == (["D1"], [])


# -- subassemblies


def test_a_subassembly_takes_its_tree_along(station: Station) -> None:
    before = station.clock.isoformat()
    pump = pump_of(station, "D1")
    rotor = serial_of("ROTOR", f"R-{pump['serial']}")
    recorded(station.remove("D1", pump))
    assert [row["serial"] for row in station.tree(pump)["content"]] == [rotor["serial"]]
    recorded(station.marry("D2", "RW", pump))
    (inside,) = (row for row in station.tree(dryer("D2"))["content"] if row["part"] == "PUMP")
    assert [row["serial"] for row in inside["content"]] == [rotor["serial"]]
    then = [row["serial"] for row in station.tree(dryer("D1"), as_of=before)["content"]]
    assert pump["serial"] in then
    assert pump["serial"] not in [code for *_, code in station.inside("D1")]
    assert station.affected(rotor) == (["D1", "D2"], [])


def test_a_subassembly_is_opened_where_it_is_and_its_unit_with_it(station: Station) -> None:
    pump = pump_of(station, "D1")
    rotor = serial_of("ROTOR", f"R-{pump['serial']}")
    answer = recorded(station.post("removals", scan_point="RW", unit=pump, component=rotor, reason="noisy"))
    assert [(fact["item"], fact["state"]) for fact in facts(answer, "state changed")] == [
        (pump, "in work"),
        (dryer("D1"), "in work"),
    ]
    recorded(station.remove("D1", pump))
    assert reasons(station.marry("D2", "RW", pump)) == ["gate-not-met"]


# -- failure analysis and scrap


def test_what_is_in_analysis_is_used_no_more_until_it_comes_back(station: Station) -> None:
    pump = pump_of(station, "D1")
    recorded(station.remove("D1", pump, destination="failure analysis"))
    assert station.tree(pump)["state"] == "in analysis"
    refused = station.marry("D2", "RW", pump)
    assert (reasons(refused), refused.json()["detail"]) == (["not-usable"], f"{_words(pump)} was in analysis.")
    rotor = serial_of("ROTOR", f"R-{pump['serial']}")
    assert reasons(station.post("removals", scan_point="PL-10", unit=pump, component=rotor, reason="worn")) == [
        "unit-closed"
    ]
    recorded(
        station.post(
            "removals", scan_point="RW", unit=pump, component=rotor, reason="worn", destination="failure analysis"
        )
    )
    recorded(station.dispose(pump, "stock"))
    recorded(station.receive("ROTOR", serials=["R2"]))
    recorded(station.post("marriages", scan_point="RW", unit=pump, components=[{"item": serial_of("ROTOR", "R2")}]))
    recorded(station.marry("D2", "RW", pump))


def _words(item: Json) -> str:
    return f"{item['part']} serial {item['serial']}"


def test_components_of_a_scrapped_unit_go_into_another(station: Station) -> None:
    recorded(station.dispose(dryer("D1"), "scrap"))
    for part in (motor("M-D1"), heater("H-D1-1"), pump_of(station, "D1")):
        recorded(station.remove("D1", part))
        recorded(station.marry("D2", "RW", part))
    assert station.tree(dryer("D1"))["state"] == "scrapped"
    assert reasons(station.pack(dryer("D1"))) != []
    assert station.affected(motor("M-D1")) == (["D1", "D2"], [])


def test_a_lot_in_analysis_counts_as_used(station: Station) -> None:
    recorded(station.receive("CARTON", lot="C2", quantity=1))
    recorded(station.marry("D2", "RW", lot_of("CARTON", "C2")))
    recorded(station.remove("D2", lot_of("CARTON", "C2"), destination="failure analysis"))
    assert reasons(station.marry("D2", "RW", lot_of("CARTON", "C2"))) == ["lot-exhausted"]


def test_what_is_packed_comes_out_of_its_box_first(station: Station, service: httpx2.Client) -> None:
    recorded(station.marry("D1", "RW", lot_of("LEAFLET", "F1")))
    box = station.box(dryer("D1"))
    assert station.tree(dryer("D1"))["state"] == "packed"
    refused = station.remove("D1", motor("M-D1"))
    assert (reasons(refused), refused.json()["detail"]) == (["unit-closed"], "DRYER serial D1 is packed.")
    out = {"scan_point": "PACK", "unit": box, "component": dryer("D1"), "reason": "dented"}
    recorded(service.post("/v1/removals", json=station.says(**out)))
    assert station.tree(dryer("D1"))["state"] == "finished"
    recorded(station.remove("D1", motor("M-D1")))
