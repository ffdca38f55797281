"""The reckoning itself, on cases small enough to be reckoned by hand: common practice of the trade."""

from __future__ import annotations

from typing import Any

from api_tests.histories.containment import how_many
from api_tests.histories.factory import PLANT
from api_tests.histories.lists import Item
from api_tests.histories.reckoning import Reckoning

ROTOR = {"part": "ROTOR", "serial": "R1"}


def told(*messages: dict[str, Any]) -> Reckoning:
    """A reckoning that heard these messages, all of them accepted; `at` is the second of a minute."""
    reckoning = Reckoning(PLANT)
    for number, message in enumerate(messages):
        tell(reckoning, f"m{number}", **message)
    return reckoning


def tell(reckoning: Reckoning, message_id: str, at: int, **said: Any) -> set[str]:
    """The reasons against a message that was accepted all the same."""
    when = f"2026-03-02T06:00:{at:02}Z"
    head = {"message_id": message_id, "operator": "B1", "mode": "tell", "occurred_at": when}
    return reckoning.hear({**head, **said}, accepted=True)


def marriage(at: int, unit: dict[str, str], point: str, *items: dict[str, str]) -> dict[str, Any]:
    components = [{"item": item} for item in items]
    return {"kind": "marriage", "at": at, "unit": unit, "scan_point": point, "components": components}


def removal(at: int, unit: dict[str, str], item: dict[str, str]) -> dict[str, Any]:
    return {"kind": "removal", "at": at, "unit": unit, "scan_point": "RW", "component": item, "reason": "noisy"}


def serial(part: str, code: str) -> dict[str, str]:
    return {"part": part, "serial": code}


def test_what_was_taken_out_before_its_holder_went_in_never_was_in_the_unit() -> None:
    pump, dryer = serial("PUMP", "P1"), serial("DRYER-B", "B1")
    early = told(marriage(1, pump, "P-10", ROTOR), removal(3, pump, ROTOR), marriage(5, dryer, "B-10", pump))
    late = told(marriage(1, pump, "P-10", ROTOR), removal(7, pump, ROTOR), marriage(5, dryer, "B-10", pump))
    assert early.affected({"items": [ROTOR]}, None) == {}
    assert late.affected({"items": [ROTOR]}, None) == {
        Item("DRYER-B", "serial", "B1"): {"certain": True, "inside": False}
    }


def test_a_removal_told_first_ends_the_marriage_that_is_told_later() -> None:
    pump = serial("PUMP", "P1")
    reckoning = told(removal(3, pump, ROTOR), marriage(1, pump, "P-10", ROTOR))
    rotors = [row for row in reckoning.tree(Item("PUMP", "serial", "P1"), None, removed=True) if row["child"]]
    assert [(row["started"].second, row["ended"].second) for row in rotors] == [(1, 3)]


def test_pieces_around_a_lot_change_may_be_of_either_lot() -> None:
    """A-20 has a slack of one piece on each side; a DRYER-A takes one carton."""
    loads = [load(at, "A-20", "CARTON", lot("CARTON", code)) for at, code in ((0, "C1"), (20, "C2"))]
    units = [marriage(at, serial("DRYER-A", f"A{at}"), "A-20") for at in (5, 10, 25, 30)]
    reckoning = told(*loads, *units)

    assert certain(reckoning, lot("CARTON", "C1")) == {"A5": True, "A10": False, "A25": False}
    assert certain(reckoning, lot("CARTON", "C2")) == {"A10": False, "A25": False, "A30": True}


# -- where a lot went


def load(at: int, point: str, position: str, lot: dict[str, str], **said: Any) -> dict[str, Any]:
    return {"kind": "lot-loading", "at": at, "scan_point": point, "position": position, "lot": lot, **said}


def lot(part: str, code: str) -> dict[str, str]:
    return {"part": part, "lot": code}


def certain(reckoning: Reckoning, suspect: dict[str, str]) -> dict[str, bool]:
    found = reckoning.affected({"items": [suspect]}, None)
    return {unit.code: how["certain"] for unit, how in found.items()}


def transfer(at: int, into: str, *sources: str) -> dict[str, Any]:
    portions = [{"lot": lot("CARTON", code), "quantity": 5} for code in sources]
    return {"kind": "lot-transfer", "at": at, "sources": portions, "into": lot("CARTON", into)}


def test_a_container_is_of_what_had_gone_into_it_by_then() -> None:
    """One source: certainly of that. A second source from second 20 on: possibly of either."""
    reckoning = told(
        transfer(1, "X", "C1"),
        load(2, "B-20", "CARTON", lot("CARTON", "X")),
        marriage(10, serial("DRYER-A", "A10"), "B-20"),
        transfer(20, "X", "C2"),
        marriage(30, serial("DRYER-A", "A30"), "B-20"),
    )
    assert certain(reckoning, lot("CARTON", "C1")) == {"A10": True, "A30": False}
    assert certain(reckoning, lot("CARTON", "C2")) == {"A30": False}
    assert certain(reckoning, lot("CARTON", "X")) == {"A10": True, "A30": True}


def test_a_container_that_was_received_may_hold_other_pieces_than_those_that_went_into_it() -> None:
    reckoning = told(
        {"kind": "receipt", "at": 0, "part": "CARTON", "supplier": "S2", "lot": "X", "quantity": 50},
        transfer(1, "X", "C1"),
        load(2, "B-20", "CARTON", lot("CARTON", "X")),
        marriage(10, serial("DRYER-A", "A10"), "B-20"),
    )
    assert certain(reckoning, lot("CARTON", "C1")) == {"A10": False}
    assert certain(reckoning, lot("CARTON", "X")) == {"A10": True}


def test_pieces_may_be_of_any_lot_that_is_up_and_are_booked_where_some_are_left() -> None:
    carton_1, carton_2 = lot("CARTON", "C1"), lot("CARTON", "C2")
    reckoning = told(
        load(1, "B-20", "CARTON", carton_1, quantity=1),
        load(2, "B-20", "CARTON", carton_2, feeder="2"),
        *(marriage(at, serial("DRYER-A", f"A{at}"), "B-20") for at in (5, 6)),
    )
    booked = {row["parent"].code: row["child"].code for row in reckoning.marriages if row["position"] == "CARTON"}
    assert booked == {"A5": "C1", "A6": "C2"}
    assert certain(reckoning, carton_1) == {"A5": False, "A6": False}


# -- a unit leaves

MOTOR, HEATER = serial("MOTOR-2", "N1"), serial("HEATER", "H1")
DRYER = serial("DRYER-C", "C1")
UNIT = Item("DRYER-C", "serial", "C1")
GOOD = [{"characteristic": "EARTH", "value": 0.2}, {"characteristic": "VISUAL", "good": True}]


def run(at: int, *measurements: dict[str, Any], point: str = "C-20") -> dict[str, Any]:
    head = {"kind": "test-run", "at": at, "unit": DRYER, "scan_point": point, "plan": "SAFETY", "instrument": "T2"}
    return {**head, "measurements": list(measurements or GOOD)}


def built() -> list[dict[str, Any]]:
    """A DRYER-C until second 9: whole, tested, with its leaflet."""
    return [
        load(0, "C-10", "SCREWS", lot("SCREW", "S1")),
        load(0, "C-30", "LEAFLET", lot("LEAFLET", "L1")),
        {"kind": "unit-start", "at": 1, "part": "DRYER-C", "serial": "C1", "scan_point": "C-10"},
        marriage(2, DRYER, "C-10", MOTOR, HEATER),
        run(3),
        marriage(4, DRYER, "C-30"),
    ]


def test_a_unit_may_leave_once_it_is_whole_and_tested_since_its_last_change() -> None:
    reckoning = told(*built())
    assert (reckoning.states[UNIT], reckoning.may_not_leave(UNIT)) == ("finished", set())
    tell(reckoning, "out", **removal(10, DRYER, HEATER))
    assert reckoning.states[UNIT] == "in work"
    assert reckoning.may_not_leave(UNIT) == {"gate-not-met", "test-stale"}
    tell(reckoning, "in", **marriage(11, DRYER, "RW", serial("HEATER", "H2")))
    tell(reckoning, "test", **run(12, point="RW"))
    assert (reckoning.states[UNIT], reckoning.may_not_leave(UNIT)) == ("finished", set())


def test_one_retest_is_allowed_then_a_person_must_look() -> None:
    bad = {"characteristic": "EARTH", "value": 0.3}
    reckoning = told(*built(), run(5, bad))
    assert not reckoning.holds
    tell(reckoning, "again", **run(6, bad))
    assert [row["item"] for row in reckoning.holds] == [UNIT]
    assert reckoning.may_not_leave(UNIT) == {"on-hold", "test-failed"}


def test_a_unit_is_followed_through_its_box_to_the_customer_and_back() -> None:
    box = Item("BOX", "serial", "K2603001")
    ship = {"kind": "shipment", "scan_point": "SH", "shipment": "W1"}
    reckoning = told(
        *built(),
        {"kind": "packing", "at": 10, "scan_point": "PK", "packaging": "BOX", "contents": [DRYER]},
        {**ship, "at": 11, "action": "load", "consignee": "SHOP-1", "contents": [serial(box.part, box.code)]},
    )
    assert reckoning.where(UNIT) == {"state": "packed", "inside": [box], "shipment": "W1"}
    tell(reckoning, "go", **ship, at=12, action="despatch")
    assert (reckoning.states[UNIT], reckoning.states[box]) == ("shipped", "shipped")
    tell(reckoning, "back", kind="customer-return", at=13, scan_point="RW", unit=DRYER, reason="loud")
    assert reckoning.where(UNIT) == {"state": "came back", "inside": [], "shipment": None}
    assert reckoning.may_not_leave(UNIT) == {"test-stale"}


def test_papers_lie_beside_the_unit_on_its_pallet_and_not_beside_what_is_in_a_box_there() -> None:
    loose, pallet = serial("DRYER-B", "B1"), serial("PALLET", "K2603002")
    pack = {"kind": "packing", "scan_point": "PK"}
    reckoning = told(
        *built(),
        load(0, "PK", "PAPERS", lot("LEAFLET", "L2")),
        {**pack, "at": 10, "packaging": "BOX", "contents": [DRYER]},
        {**pack, "at": 11, "packaging": "PALLET", "contents": [serial("BOX", "K2603001"), loose]},
        marriage(12, pallet, "PK"),
    )
    assert certain(reckoning, lot("LEAFLET", "L2")) == {"B1": True}
    assert certain(reckoning, loose) == {"B1": True}


# -- corrections


def number(reckoning: Reckoning, child: dict[str, str]) -> int:
    """Of the marriage of a serial item."""
    return next(
        int(row["number"])
        for row in reckoning.marriages
        if row["child"] == Item(child["part"], "serial", child["serial"])
    )


def test_what_truly_went_in_stands_where_the_wrong_one_was() -> None:
    reckoning = told(*built())
    wrong, truth = number(reckoning, MOTOR), serial("MOTOR-2", "N2")
    correction = {"kind": "correction", "reason": "misread", "wrong": wrong}
    assert tell(reckoning, "1", at=20, **correction, component=truth) == set()
    assert certain(reckoning, MOTOR) == {}
    assert certain(reckoning, truth) == {"C1": True}
    assert reckoning.counts(UNIT) == {"SAFETY": "pass"}
    assert tell(reckoning, "2", at=21, **correction) == {"unknown-record"}


def test_a_removal_that_never_was_leaves_the_component_in() -> None:
    reckoning = told(*built(), {**removal(10, DRYER, HEATER), "destination": "scrap"})
    (wrong,) = [row["number"] for row in reckoning.removals]
    assert tell(reckoning, "1", at=20, kind="correction", reason="misread", wrong=wrong) == set()
    assert certain(reckoning, HEATER) == {"C1": True}
    assert reckoning.states[Item("HEATER", "serial", "H1")] == "usable"


def test_a_removal_that_is_contradicted_since_stays() -> None:
    reckoning = told(*built(), removal(10, DRYER, HEATER), marriage(11, DRYER, "RW", serial("HEATER", "H2")))
    (wrong,) = [row["number"] for row in reckoning.removals]
    assert tell(reckoning, "1", at=20, kind="correction", reason="misread", wrong=wrong) == {"no-free-slot"}
    assert not reckoning.affected({"items": [HEATER]}, None)[UNIT]["inside"]


# -- containment

SCREWS = lot("SCREW", "S1")
S1 = Item("SCREW", "lot", "S1")
USED = {"kind": "case-decision", "case": "X1", "decision": "use as is", "authority": "board", "reason": "seen"}


def case(at: int, action: str, *suspects: dict[str, str], **said: Any) -> dict[str, Any]:
    more = {"suspects": {"items": list(suspects)}} if suspects else {}
    return {"kind": "containment", "at": at, "case": "X1", "action": action, "reason": "cracks", **more, **said}


def frozen(at: int, *suspects: dict[str, str]) -> list[dict[str, Any]]:
    return [case(at, "open", *suspects, title="Cracks"), case(at, "freeze")]


def held(reckoning: Reckoning) -> set[str]:
    return {row["item"].code for row in reckoning.holds if row["open"] and row["case"] == "X1"}


def listed(reckoning: Reckoning) -> dict[str, bool]:
    """What the case lists and has not dropped; whether certainly."""
    rows = reckoning.said_of_all("X1").items()
    return {item.code: row["certainty"] == "certain" for item, row in rows if row["dropped_in"] is None}


def test_a_freeze_lists_and_stops_what_is_affected_and_the_watch_what_is_told_later() -> None:
    reckoning = told(*built(), *frozen(10, SCREWS))
    assert listed(reckoning) == {"S1": True, "C1": True}
    assert held(reckoning) == {"S1", "C1"}
    assert tell(reckoning, "late", **marriage(5, serial("DRYER-C", "C2"), "C-10")) == {"unknown-item"}
    assert listed(reckoning) == {"S1": True, "C1": True, "C2": True}
    assert held(reckoning) == {"S1", "C1", "C2"}


def test_rework_takes_the_suspect_out_and_what_goes_back_in_is_listed_anew() -> None:
    reckoning = told(*built(), *frozen(10, HEATER))
    rework = {**USED, "decision": "rework", "items": [DRYER]}
    assert held(reckoning) == {"C1", "H1"}
    assert reckoning.hear(message(11, rework), accepted=False) == {"suspect-inside"}
    tell(reckoning, "out", **removal(12, DRYER, HEATER))
    tell(reckoning, "in", **marriage(13, DRYER, "RW", serial("HEATER", "H2")))
    assert reckoning.hear(message(14, rework), accepted=False) == {"test-stale"}
    tell(reckoning, "test", **run(15, point="RW"))
    assert reckoning.hear(message(16, rework), accepted=True) == set()
    assert held(reckoning) == {"H1"}
    tell(reckoning, "out again", **removal(17, DRYER, serial("HEATER", "H2")))
    tell(reckoning, "in again", **marriage(18, DRYER, "RW", HEATER))
    assert held(reckoning) == {"C1", "H1"}
    assert reckoning.said_of_all("X1")[UNIT]["decision"] is None


def message(at: int, said: dict[str, Any]) -> dict[str, Any]:
    return {"message_id": f"at {at}", "operator": "B1", "occurred_at": f"2026-03-02T06:00:{at:02}Z", **said}


def test_a_new_revision_drops_what_is_suspected_no_more_and_lets_it_go() -> None:
    reckoning = told(*built(), *frozen(10, SCREWS), case(11, "freeze", HEATER))
    assert listed(reckoning) == {"C1": True, "H1": True}
    assert held(reckoning) == {"C1", "H1"}
    assert reckoning.cases["X1"]["listed"][S1]["dropped_in"] == 2


def test_what_must_be_in_two_things_and_not_in_a_third() -> None:
    reckoning = told(*built())
    both = {"items": [SCREWS], "all_of": [{"worked": [{"scan_point": "C-20", "from": "2026-03-02T06:00:00Z"}]}]}
    assert [item.code for item in reckoning.things(both)] == ["C1"]
    assert reckoning.things({**both, "except": {"items": [HEATER]}}) == {}


def test_what_had_left_is_stopped_once_it_is_back() -> None:
    load = {"kind": "shipment", "scan_point": "SH", "shipment": "W1"}
    gone = [
        {**load, "at": 10, "action": "load", "consignee": "SHOP-1", "contents": [DRYER]},
        {**load, "at": 11, "action": "despatch"},
    ]
    reckoning = told(*built(), *gone, *frozen(12, SCREWS))
    assert held(reckoning) == {"S1"}
    assert reckoning.hear(message(13, case(13, "close")), accepted=False) == {"not-accounted"}
    tell(reckoning, "back", kind="customer-return", at=14, scan_point="RW", unit=DRYER, reason="loud")
    assert held(reckoning) == {"S1", "C1"}


def test_a_case_closes_when_everything_is_decided_and_all_pieces_and_consignees_are_accounted_for() -> None:
    receipt = {"kind": "receipt", "at": 0, "part": "SCREW", "supplier": "S1", "lot": "S1", "quantity": 5}
    reckoning = told(receipt, *built(), *frozen(10, SCREWS))
    tell(reckoning, "scrap", at=11, **{**USED, "decision": "scrap", "items": [SCREWS]})
    tell(reckoning, "use", at=12, **{**USED, "items": [DRYER]})
    tell(reckoning, "count", at=13, kind="stock-count", lot=SCREWS, quantity=0)
    assert held(reckoning) == {"S1"}
    close = case(14, "close")
    assert reckoning.hear(message(14, close), accepted=False) == {"not-accounted"}
    assert reckoning.hear(message(15, {**close, "unaccounted": "never received"}), accepted=True) == set()
    assert held(reckoning) == set()


def test_the_pieces_of_a_lot_add_up() -> None:
    """50 come in; 1 goes into a dryer, 3 are scrapped, 5 into a container; 40 are counted, then 2 are drawn."""
    reckoning = told(
        {"kind": "receipt", "at": 0, "part": "SCREW", "supplier": "S1", "lot": "S1", "quantity": 50},
        *built(),
        {"kind": "disposition", "at": 5, "item": SCREWS, "quantity": 3, "destination": "scrap", "reason": "bent"},
        {"kind": "lot-transfer", "at": 6, "sources": [{"lot": SCREWS, "quantity": 5}], "into": lot("SCREW", "X")},
        {"kind": "stock-count", "at": 7, "lot": SCREWS, "quantity": 40},
        *(marriage(at, serial("DRYER-C", f"C{at}"), "C-10") for at in (8, 9)),
    )
    balance = {"received": 50, "in_units_certain": 3, "in_units_possible": 0, "in_containers": 5, "scrapped": 3}
    balance |= {"returned": 0, "in_analysis": 0, "in_stock": 38, "unaccounted": 1}
    assert reckoning.balance(S1) == balance


def test_what_comes_back_is_what_went_last() -> None:
    went = {"kind": "disposition", "item": SCREWS, "reason": "bent"}
    reckoning = told(
        {"kind": "receipt", "at": 0, "part": "SCREW", "supplier": "S1", "lot": "S1", "quantity": 9},
        {**went, "at": 1, "quantity": 3, "destination": "scrap"},
        {**went, "at": 2, "quantity": 2, "destination": "supplier"},
        {**went, "at": 3, "quantity": 4, "destination": "stock"},
    )
    balance = reckoning.balance(S1)
    assert {name: balance[name] for name in ("scrapped", "returned", "in_stock")} == {
        "scrapped": 1,
        "returned": 0,
        "in_stock": 8,
    }


def test_a_serial_item_that_came_twice_is_one_piece() -> None:
    receipt = {"kind": "receipt", "part": "ROTOR", "supplier": "S1"}
    reckoning = told(
        {**receipt, "at": 0, "lot": "K1", "serials": ["R1", "R2"]},
        {**receipt, "at": 1, "lot": "K1", "serials": ["R2", "R3"]},
        {**receipt, "at": 2, "serials": ["R1"]},
    )
    balance = reckoning.balance(Item("ROTOR", "lot", "K1"))
    assert (balance["received"], balance["in_stock"], balance["unaccounted"]) == (3, 3, 0)


def test_how_many_are_inspected() -> None:
    """59 is the known number for 95 % and 5 %; 258 of 1,000 for 95 % and 1 % (common practice)."""
    assert how_many("success run", 1000, 0.95, 0.05) == 59
    assert how_many("success run", 10, 0.95, 0.05) == 10
    assert how_many("hypergeometric", 1000, 0.95, 0.01) == 258
