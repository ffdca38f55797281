"""A containment case is frozen while seven others pack, load, despatch, take back and build in what it suspects.

Whatever is affected is listed, whoever was faster; what had not left is stopped, and what is stopped does not leave.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

from api_tests.faults.rounds import Answer, played
from api_tests.plant import Json, Station, differences, dryer, heater, lot_of, motor, recorded
from api_tests.servers import SQLiteStores

ROUNDS = 8
"""Each with a case of its own: the watch has ever more cases to look after."""


# -- what each of them does


def suspect_lot(number: int) -> Json:
    return lot_of("SCREW", f"S-{number}")


def freeze(station: Station, number: int) -> Json:
    """The case of a round: a lot, and a motor that is in nothing yet."""
    spare = motor(f"X-{number}")
    recorded(station.receive("MOTOR", serials=[spare["serial"]]))
    suspects = {"items": [suspect_lot(number), spare]}
    said = {"title": "Screws break", "reason": "the supplier called", "suspects": suspects}
    recorded(station.post("cases", case=f"C-{number}", action="open", **said))
    return station.says(kind="containment", case=f"C-{number}", action="freeze")


def despatch_one(station: Station, number: int) -> Json:
    unit = station.make_ready(f"one-{number}")
    recorded(station.ship("load", unit, shipment=f"one-{number}"))
    return station.says(kind="shipment", action="despatch", scan_point="SHIP", shipment=f"one-{number}")


def despatch_pallet(station: Station, number: int) -> Json:
    pallet = station.pallet(station.box(station.make_ready(f"deep-{number}")))
    recorded(station.ship("load", pallet, shipment=f"deep-{number}"))
    return station.says(kind="shipment", action="despatch", scan_point="SHIP", shipment=f"deep-{number}")


def pack(station: Station, number: int) -> Json:
    unit = station.make_ready(f"packed-{number}")
    return station.says(kind="packing", scan_point="PACK", packaging="BOX", contents=[unit])


def load_on(station: Station, number: int) -> Json:
    unit = station.make_ready(f"loaded-{number}")
    said = {"scan_point": "SHIP", "action": "load", "shipment": f"loaded-{number}", "consignee": "SHOP-1"}
    return station.says(kind="shipment", contents=[unit], **said)


def take_back(station: Station, number: int) -> Json:
    unit = station.make_ready(f"back-{number}")
    recorded(station.ship("load", unit, shipment=f"back-{number}"))
    recorded(station.ship("despatch", shipment=f"back-{number}"))
    return station.says(kind="customer-return", scan_point="GOODS-IN", unit=unit, reason="noisy")


def tell_of_the_motor(station: Station, number: int) -> Json:
    """It has gone in, whatever may be said against it."""
    recorded(station.start(f"told-{number}"))
    said = {"unit": dryer(f"told-{number}"), "components": [{"item": motor(f"X-{number}")}]}
    return station.says(kind="marriage", mode="tell", scan_point="L-10", **said)


def ask_for_screws(station: Station, number: int) -> Json:
    serial = f"asked-{number}"
    recorded(station.start(serial))
    parts = (heater(f"H-{serial}-1"), heater(f"H-{serial}-2"))
    recorded(station.marry(serial, "L-10", motor(f"M-{serial}"), *parts))
    components = [{"item": suspect_lot(number)}]
    return station.says(kind="marriage", scan_point="L-20", unit=dryer(serial), components=components)


ROLES: Mapping[str, Callable[[Station, int], Json]] = {
    "freeze": freeze,
    "one": despatch_one,
    "deep": despatch_pallet,
    "packed": pack,
    "loaded": load_on,
    "back": take_back,
    "told": tell_of_the_motor,
    "asked": ask_for_screws,
}
"""By the name of the unit, all but the first."""


# -- all of them


def test_a_freeze_lists_all_and_lets_nothing_slip_out(
    station: Station, store_url: str, sqlite_stores: SQLiteStores
) -> None:
    station.load_lots()
    messages: dict[str, list[Json]] = {role: [] for role in ROLES}
    for number in range(ROUNDS):
        recorded(station.load(suspect_lot(number), "L-20"))
        for role, prepare in ROLES.items():
            messages[role].append(prepare(station, number))
    # By turns the freeze is rather early, or rather late.
    late = [[0.06 * (number % 2 == (role == "freeze")) for number in range(ROUNDS)] for role in ROLES]
    answers = dict(zip(ROLES, played(store_url, list(messages.values()), late), strict=True))
    for number in range(ROUNDS):
        require_round(station, number, {role: of_role[number] for role, of_role in answers.items()})
    left = [status for role in ("one", "deep") for status, _ in answers[role]]
    assert {*left} == {201, 409}
    assert differences(store_url, sqlite_stores.migrated()) == []


def require_round(station: Station, number: int, answers: Mapping[str, Answer]) -> None:
    """Whoever was faster, the case of a round has everything, and holds all that has not left."""
    assert answers["freeze"][0] == 201, answers["freeze"]
    rows = station.client.get(f"/v1/cases/C-{number}/things").raise_for_status().json()["items"]
    units = {row["serial"].removesuffix(f"-{number}"): row for row in rows if row["part"] == "DRYER"}
    expected = {*ROLES} - {"freeze"} if answers["asked"][0] == 201 else {*ROLES} - {"freeze", "asked"}
    assert units.keys() == expected
    assert {(row["part"], row["held"]) for row in rows if row["part"] in ("SCREW", "MOTOR")} == {
        ("SCREW", True),
        ("MOTOR", True),
    }
    for role in ("one", "deep"):
        require_gone_or_held(units[role], answers[role], answers["freeze"][1]["entry"])
    for role in expected - {"one", "deep"}:
        assert units[role]["held"], units[role]
    for role in ("packed", "loaded", "asked"):
        require_before_or_refused(answers[role], answers["freeze"][1]["entry"])
    assert (answers["back"][0], answers["told"][0]) == (201, 201)


def require_gone_or_held(row: Json, despatch: Answer, frozen: int) -> None:
    """A unit left before the freeze, which lists it as gone; or it is stopped, and stayed."""
    told = (row["gone"], row["left"], row["held"], row["state"] == "shipped")
    assert told == ((True, True, False, True) if despatch[0] == 201 else (False, False, True, False)), row
    require_before_or_refused(despatch, frozen)


def require_before_or_refused(answer: Answer, frozen: int) -> None:
    status, body = answer
    if status == 201:
        assert body["entry"] < frozen, body
    else:
        assert {reason["type"] for reason in body["reasons"]} <= {"/problems/on-hold", "/problems/suspected"}, body
        assert frozen < body["entry"], body
