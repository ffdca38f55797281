"""A small plant for tests: one line that builds dryers, one that builds their pumps, and a station to post from.

L-10  the dryer starts; one MOTOR, two HEATERS                 PL-10  the pump starts; one ROTOR
L-20  one PUMP; four SCREWS, drawn from the lot that is loaded
L-30  electrical safety; the dryer must be complete
L-40  one CARTON, drawn from a lot that must have been received; the test must be passed and fresh
RW    rework: anything may be opened and filled again          GOODS-IN  where parts come in
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from typing import Any
from uuid import uuid4

import httpx2
from sqlalchemy import select

from partkin.actions.load_catalogue import load_catalogue
from partkin.actions.rebuild_books import check_books
from partkin.rules.catalogue import (
    Alternate,
    Catalogue,
    Characteristic,
    Part,
    Position,
    RouteStep,
    ScanPoint,
    Supplier,
    TestPlan,
)
from partkin.rules.catalogue.tables import catalogue_of
from partkin.store.books import BOOKS
from partkin.store.database import Database

Json = dict[str, Any]

_FROM = date(2026, 1, 1)
NEW_MOTORS = date(2026, 6, 1)
"""Dryers started from this day on take MOTOR-2 as well."""

CATALOGUE: Catalogue = catalogue_of(
    [
        Supplier("S1", "First supplier"),
        Supplier("S2", "Second supplier"),
        Part("DRYER", "Dryer", "serial", made=True, sold=True, serial_prefix="D", serial_digits=4),
        Part(
            "PUMP",
            "Pump",
            "serial",
            made=True,
            sold=False,
            label_pattern="(?P<serial>P[0-9]{4}(?P<check>[0-9A-Z]))",
            label_check="iso7064-mod-37-36",
            serial_prefix="P",
            serial_digits=4,
        ),
        Part(
            "MOTOR",
            "Motor",
            "serial",
            made=False,
            sold=False,
            supplier="S1",
            label_pattern="(?P<serial>M[0-9]{4}(?P<check>[0-9A-Z]))",
            label_check="iso7064-mod-37-36",
        ),
        Part("MOTOR-2", "Motor, second source", "serial", made=False, sold=False, supplier="S2"),
        Part(
            "HEATER",
            "Heater",
            "serial",
            made=False,
            sold=False,
            label_pattern="(?P<lot>H[0-9]{2})(?P<serial>[0-9]{4})",
        ),
        Part("ROTOR", "Rotor", "serial", made=False, sold=False, supplier="S1", receipts=True),
        Part("SCREW", "Screw", "lot", made=False, sold=False, label_pattern="(?P<lot>S[0-9]{3})"),
        Part(
            "CARTON",
            "Carton",
            "lot",
            made=False,
            sold=False,
            supplier="S2",
            label_pattern="(?P<lot>S[0-9]{3})",
            receipts=True,
        ),
        Part("GREASE", "Grease", "none", made=False, sold=False),
        ScanPoint("L-10", "L", "Motor and heaters", "build"),
        ScanPoint("L-20", "L", "Pump and screws", "build"),
        ScanPoint("L-30", "L", "Electrical safety", "test"),
        ScanPoint("L-40", "L", "Packing", "build"),
        ScanPoint("RW", "L", "Rework bench", "rework"),
        ScanPoint("PL-10", "PL", "Rotor", "build"),
        ScanPoint("GOODS-IN", "GOODS", "Goods-in", "store"),
        Position("DRYER", "MOTOR", "Motor", 1, ("L-10",), ("SAFETY",), _FROM),
        Position("DRYER", "HEATERS", "Heaters", 2, ("L-10",), (), _FROM),
        Position("DRYER", "PUMP", "Pump", 1, ("L-20",), ("SAFETY",), _FROM),
        Position("DRYER", "SCREWS", "Screws", 4, ("L-20",), (), _FROM),
        Position("DRYER", "CARTON", "Carton", 1, ("L-40",), (), _FROM),
        Position("PUMP", "ROTOR", "Rotor", 1, ("PL-10",), ("SAFETY",), _FROM),
        Alternate("DRYER", "MOTOR", "MOTOR", _FROM),
        Alternate("DRYER", "MOTOR", "MOTOR-2", NEW_MOTORS),
        Alternate("DRYER", "HEATERS", "HEATER", _FROM),
        Alternate("DRYER", "PUMP", "PUMP", _FROM),
        Alternate("DRYER", "SCREWS", "SCREW", _FROM),
        Alternate("DRYER", "CARTON", "CARTON", _FROM),
        Alternate("PUMP", "ROTOR", "ROTOR", _FROM),
        RouteStep("DRYER", 10, "L-10", needs_complete=False, needs_tests=()),
        RouteStep("DRYER", 20, "L-20", needs_complete=False, needs_tests=()),
        RouteStep("DRYER", 30, "L-30", needs_complete=True, needs_tests=()),
        RouteStep("DRYER", 40, "L-40", needs_complete=True, needs_tests=("SAFETY",)),
        RouteStep("PUMP", 10, "PL-10", needs_complete=False, needs_tests=()),
        TestPlan("SAFETY", "Electrical safety"),
        Characteristic("SAFETY", "EARTH", "Earth continuity", "numeric", "Ω", None, 0.2),
        Characteristic("SAFETY", "VISUAL", "No damage", "attribute"),
    ]
)


def load(store_url: str) -> None:
    """Load the plant's catalogue into a store."""
    database = Database(store_url)
    load_catalogue(database, CATALOGUE, operator="B1", now=0)
    database.close()


def dryer(serial: str) -> Json:
    """A dryer, by its serial number."""
    return serial_of("DRYER", serial)


def motor(serial: str) -> Json:
    """A motor, by its serial number."""
    return serial_of("MOTOR", serial)


def heater(serial: str) -> Json:
    """A heater, by its serial number."""
    return serial_of("HEATER", serial)


def serial_of(part: str, serial: str) -> Json:
    """A serial item, by its name."""
    return {"part": part, "serial": serial}


def lot_of(part: str, lot: str) -> Json:
    """A lot, by its name."""
    return {"part": part, "lot": lot}


GOOD = [{"characteristic": "EARTH", "value": 0.1}, {"characteristic": "VISUAL", "good": True}]
"""Results with which a run of SAFETY is passed."""


@dataclass
class Station:
    """Posts what happens in the plant: every message has its own id, and comes ten seconds after the one before."""

    client: httpx2.Client
    clock: datetime = datetime(2026, 3, 2, 5, 0, tzinfo=UTC)

    def says(self, /, **said: Any) -> Json:
        """A message with all that every message says."""
        self.clock += timedelta(seconds=10)
        envelope = {"message_id": str(uuid4()), "operator": "B1", "occurred_at": self.clock.isoformat()}
        return {**envelope, **said}

    def ago(self, seconds: int) -> str:
        """A moment before that of the last message."""
        return (self.clock - timedelta(seconds=seconds)).isoformat()

    def post(self, address: str, /, **said: Any) -> httpx2.Response:
        """Post a message."""
        return self.client.post(f"/v1/{address}", json=self.says(**said))

    def start(self, serial: str | None, part: str = "DRYER", **said: Any) -> httpx2.Response:
        """A dryer, or another part, starts; under None it gets the next number."""
        point = "L-10" if part == "DRYER" else "PL-10"
        return self.post("units", **{"scan_point": point, "part": part, "serial": serial, **said})

    def marry(self, serial: str, point: str, *items: Json | str, **said: Any) -> httpx2.Response:
        """Items go into a dryer at a scan point."""
        components = [{"item": item} for item in items]
        return self.post("marriages", **{"scan_point": point, "unit": dryer(serial), "components": components, **said})

    def remove(self, serial: str, item: Json | None = None, **said: Any) -> httpx2.Response:
        """An item comes out of a dryer at the rework bench."""
        more = {} if item is None else {"component": item}
        return self.post("removals", **{"scan_point": "RW", "unit": dryer(serial), "reason": "noisy", **more, **said})

    def load(self, lot: Json | str | None, point: str, **said: Any) -> httpx2.Response:
        """A lot is put up at a point of use, or the point of use is emptied."""
        return self.post("lot-loadings", **{"scan_point": point, **({} if lot is None else {"lot": lot}), **said})

    def receive(self, part: str, **said: Any) -> httpx2.Response:
        """Parts come in."""
        return self.post("receipts", **{"scan_point": "GOODS-IN", "part": part, "supplier": "S1", **said})

    def test(self, serial: str, measurements: Iterable[Json] = GOOD, **said: Any) -> httpx2.Response:
        """A dryer is tested for electrical safety."""
        head = {"scan_point": "L-30", "plan": "SAFETY", "instrument": "T1"}
        return self.post("test-runs", **{**head, "unit": dryer(serial), "measurements": list(measurements), **said})

    def hold(self, item: Json, **said: Any) -> httpx2.Response:
        """A hold is placed."""
        return self.post("holds", **{"action": "place", "item": item, "reason": "crack found", **said})

    def release(self, hold: int, **said: Any) -> httpx2.Response:
        """A hold is released."""
        return self.post("holds", **{"action": "release", "hold": hold, "reason": "inspected", **said})

    def inside(self, serial: str) -> list[tuple[str, int, str]]:
        """What is in a dryer: position, slot, serial number or lot."""
        tree = self.client.get("/v1/tree", params={"part": "DRYER", "serial": serial}).json()
        return [(row["position"], row["slot"], row["serial"] or row["lot"]) for row in tree["content"]]

    # -- a dryer on its way

    def pump(self) -> Json:
        """A finished pump."""
        serial = recorded(self.start(None, "PUMP"))["unit"]["serial"]
        rotor = serial_of("ROTOR", f"R-{serial}")
        recorded(self.receive("ROTOR", serials=[rotor["serial"]]))
        pump = serial_of("PUMP", serial)
        recorded(self.post("marriages", scan_point="PL-10", unit=pump, components=[{"item": rotor}]))
        return pump

    def load_lots(self) -> None:
        """Screws and cartons are received and loaded."""
        recorded(self.load(lot_of("SCREW", "S1"), "L-20"))
        recorded(self.receive("CARTON", lot="C1", quantity=100))
        recorded(self.load(lot_of("CARTON", "C1"), "L-40"))

    def complete(self, serial: str) -> None:
        """A dryer is started and gets all that its test needs: motor M-…, heaters H-…-1 and H-…-2, a pump, screws."""
        recorded(self.start(serial))
        recorded(self.marry(serial, "L-10", motor(f"M-{serial}"), heater(f"H-{serial}-1"), heater(f"H-{serial}-2")))
        recorded(self.marry(serial, "L-20", self.pump()))

    def finish(self, serial: str) -> None:
        """A dryer is built, tested and packed."""
        self.complete(serial)
        recorded(self.test(serial))
        recorded(self.marry(serial, "L-40"))


def recorded(response: httpx2.Response) -> Json:
    """The answer to a message that was recorded."""
    assert response.status_code == 201, response.text
    answer: Json = response.json()
    return answer


def reasons(response: httpx2.Response) -> list[str]:
    """The types of the reasons for which a message was refused, or of its discrepancies, in order of the alphabet."""
    answer = response.json()
    assert response.status_code in (201, 409), response.text
    given = answer["reasons"] if response.status_code == 409 else answer["discrepancies"]
    return sorted(reason["type"].removeprefix("/problems/") for reason in given)


def facts(answer: Mapping[str, Any], name: str) -> list[Json]:
    """The facts of one kind in an answer."""
    return [fact for fact in answer["facts"] if fact["fact"] == name]


def married(response: httpx2.Response) -> list[tuple[str, str, int, int]]:
    """What a marriage put where: serial number or lot, position, slot, pieces."""
    rows = facts(recorded(response), "married")
    return [(_code(row["child"]), row["position"], row["slot"], row["quantity"]) for row in rows]


def _code(item: Mapping[str, str] | None) -> str:
    return "?" if item is None else item.get("serial") or item["lot"]


def books(store_url: str) -> dict[str, list[tuple[Any, ...]]]:
    """All rows of all books of a store; what only the journal has is not among them."""
    database = Database(store_url)
    with database.read() as connection:
        rows = {
            table.name: sorted(tuple(map(repr, row)) for row in connection.execute(select(table)))
            for table in BOOKS.values()
        }
    database.close()
    return rows


def differences(store_url: str, empty_url: str) -> list[str]:
    """What differs between the books of a store, and those rebuilt from its journal in an empty one."""
    kept, rebuilt = Database(store_url), Database(empty_url)
    found = [str(difference) for difference in check_books(kept, rebuilt, lambda _done, _of: None)]
    kept.close()
    rebuilt.close()
    return found
