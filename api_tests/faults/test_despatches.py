"""A shipment is despatched while somebody stops what is on it: it has left before that, or it stays.

On PostgreSQL two processes do that at the same time; each must see what the other has done.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

from api_tests.faults.rounds import Answer, played
from api_tests.plant import Json, Station, differences, dryer, lot_of, recorded, serial_of
from api_tests.servers import SQLiteStores

ROUNDS = 12
"""Of each kind of thing that is stopped."""


def rotor_in(station: Station, serial: str) -> Json:
    (pump,) = [code for position, _, code in station.inside(serial) if position == "PUMP"]
    return serial_of("ROTOR", f"R-{pump}")


STOPPED: Mapping[str, Callable[[Station, str], Json]] = {
    "the unit": lambda _, serial: dryer(serial),
    "deep inside": rotor_in,
    "a lot inside": lambda _, serial: lot_of("SCREW", f"S-{serial}"),
    "the source of a lot": lambda _, serial: lot_of("SCREW", f"whole-{serial}"),
}


def test_what_is_stopped_has_left_before_or_stays(
    station: Station, store_url: str, sqlite_stores: SQLiteStores
) -> None:
    serials = [f"{stopped}-{number}" for number in range(ROUNDS) for stopped in STOPPED]
    station.load_lots()
    for serial in serials:
        load_on_a_shipment(station, serial)
    holds = [
        station.says(
            kind="hold", action="place", item=STOPPED[serial.rsplit("-", 1)[0]](station, serial), reason="crack"
        )
        for serial in serials
    ]
    despatches = [
        station.says(kind="shipment", action="despatch", scan_point="SHIP", shipment=serial) for serial in serials
    ]
    held, left = played(store_url, [holds, despatches], [[0.004] * len(serials)] * 2)
    for serial, hold, despatch in zip(serials, held, left, strict=True):
        assert_one_saw_the_other(serial, hold, despatch)
        assert station.state(dryer(serial)) == ("shipped" if despatch[0] == 201 else "packed")
    assert {status for status, _ in left} == {201, 409}
    assert differences(store_url, sqlite_stores.migrated()) == []


def load_on_a_shipment(station: Station, serial: str) -> None:
    """A dryer in a box on a pallet, with screws of a lot of its own."""
    sources = [{"lot": lot_of("SCREW", f"whole-{serial}"), "quantity": 4}]
    recorded(station.post("lot-transfers", sources=sources, into=lot_of("SCREW", f"S-{serial}")))
    recorded(station.load(lot_of("SCREW", f"S-{serial}"), "L-20"))
    station.make_ready(serial)
    recorded(station.ship("load", station.pallet(station.box(dryer(serial))), shipment=serial))


def assert_one_saw_the_other(serial: str, hold: Answer, despatch: Answer) -> None:
    assert hold[0] == 201, hold
    if despatch[0] == 201:
        assert despatch[1]["entry"] < hold[1]["entry"], f"{serial} was on hold, and left"
    else:
        assert [reason["type"] for reason in despatch[1]["reasons"]] == ["/problems/on-hold"], despatch
        assert hold[1]["entry"] < despatch[1]["entry"]
