"""The reckoning itself, on cases small enough to be reckoned by hand: common practice of the trade."""

from __future__ import annotations

from typing import Any

from api_tests.histories.factory import PARTS, POSITIONS, SCAN_POINTS
from api_tests.histories.reckoning import Item, Reckoning

ROTOR = {"part": "ROTOR", "serial": "R1"}


def told(*messages: dict[str, Any]) -> Reckoning:
    """A reckoning that heard these messages, all of them accepted; `at` is the second of a minute."""
    reckoning = Reckoning(PARTS, SCAN_POINTS, POSITIONS)
    for number, message in enumerate(messages):
        when = f"2026-03-02T06:00:{message.pop('at'):02}Z"
        head = {"message_id": f"m{number}", "operator": "B1", "mode": "tell", "occurred_at": when}
        reckoning.hear({**head, **message}, accepted=True)
    return reckoning


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
    loads = [
        {"kind": "lot-loading", "at": at, "scan_point": "A-20", "position": "CARTON", "lot": lot}
        for at, lot in ((0, {"part": "CARTON", "lot": "C1"}), (20, {"part": "CARTON", "lot": "C2"}))
    ]
    units = [marriage(at, serial("DRYER-A", f"A{at}"), "A-20") for at in (5, 10, 25, 30)]
    reckoning = told(*loads, *units)

    def certain(lot: str) -> dict[str, bool]:
        found = reckoning.affected({"items": [{"part": "CARTON", "lot": lot}]}, None)
        return {unit.code: how["certain"] for unit, how in found.items()}

    assert certain("C1") == {"A5": True, "A10": False, "A25": False}
    assert certain("C2") == {"A10": False, "A25": False, "A30": True}
