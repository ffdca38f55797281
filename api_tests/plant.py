"""A small plant for tests: one line that builds dryers, one that builds their pumps, and a station to post from.

L-10  the dryer starts; one MOTOR, two HEATERS                 PL-10  the pump starts; one ROTOR
L-20  one PUMP; four SCREWS, drawn from the lot that is loaded
L-30  electrical safety; the dryer must be complete
L-40  one CARTON, drawn from a lot that must have been received; the test must be passed and fresh
RW    rework: anything may be opened and filled again          GOODS-IN  where parts come in
PACK  one LEAFLET goes with each dryer; dryers go into a BOX, two of them, and boxes onto a PALLET, two of them
SHIP  dryers, boxes and pallets are loaded for the consignees SHOP-1 and SHOP-2
The second model, DRYER-2, has no content and no tests: it is finished as soon as it starts at L-10. It shares the
numbering of the first, as pallets share that of boxes.
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
    Consignee,
    Instrument,
    Numbering,
    Part,
    Position,
    RouteStep,
    ScanPoint,
    Supplier,
    TestPlan,
)
from partkin.rules.catalogue.tables import catalogue_of
from partkin.store.books.writing import BOOKS
from partkin.store.database import Database

Json = dict[str, Any]

_FROM = date(2026, 1, 1)
SCREW_HOURS = 200
"""How long screws may be used once their container was opened: they are coated with thread lock."""
NEW_MOTORS = date(2026, 6, 1)
"""Dryers started from this day on take MOTOR-2 as well."""

CATALOGUE: Catalogue = catalogue_of(
    [
        Supplier("S1", "First supplier"),
        Supplier("S2", "Second supplier"),
        Numbering("DRYERS", "running", 4, prefix="D"),
        Numbering("PUMPS", "running", 4, prefix="P", check="iso7064-mod-37-36"),
        # GS1 General Specifications: an SSCC is an extension digit, a company prefix (952 is that of examples), a
        # running number, and a check digit; 18 digits.
        Numbering("SSCC", "running", 9, prefix="09521234", check="gs1-mod-10"),
        Part("DRYER", "Dryer", "serial", made=True, sold=True, numbering="DRYERS"),
        Part("DRYER-2", "Dryer, second model", "serial", made=True, sold=True, numbering="DRYERS"),
        Part("BOX", "Box", "serial", made=True, sold=False, packaging=True, numbering="SSCC"),
        Part("PALLET", "Pallet", "serial", made=True, sold=False, packaging=True, numbering="SSCC"),
        Part("LEAFLET", "Leaflet", "lot", made=False, sold=False),
        Part(
            "PUMP",
            "Pump",
            "serial",
            made=True,
            sold=False,
            label_pattern="(?P<serial>P[0-9]{4}(?P<check>[0-9A-Z]))",
            label_check="iso7064-mod-37-36",
            numbering="PUMPS",
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
        Part(
            "SCREW",
            "Screw",
            "lot",
            made=False,
            sold=False,
            label_pattern="(?P<lot>S[0-9]{3})",
            floor_life_hours=SCREW_HOURS,
        ),
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
        ScanPoint("L-20", "L", "Pump and screws", "build", warn_below=8),
        ScanPoint("L-30", "L", "Electrical safety", "test"),
        ScanPoint("L-40", "L", "Packing", "build"),
        ScanPoint("RW", "L", "Rework bench", "rework"),
        ScanPoint("PL-10", "PL", "Rotor", "build"),
        ScanPoint("GOODS-IN", "GOODS", "Goods-in", "store"),
        ScanPoint("PACK", "SHIPPING", "Boxes and pallets", "pack"),
        ScanPoint("SHIP", "SHIPPING", "Gate", "ship"),
        Position("DRYER", "MOTOR", "Motor", 1, ("L-10",), ("SAFETY",), _FROM),
        Position("DRYER", "HEATERS", "Heaters", 2, ("L-10",), (), _FROM),
        Position("DRYER", "PUMP", "Pump", 1, ("L-20",), ("SAFETY",), _FROM),
        Position("DRYER", "SCREWS", "Screws", 4, ("L-20",), (), _FROM),
        Position("DRYER", "CARTON", "Carton", 1, ("L-40",), (), _FROM),
        Position("DRYER", "LEAFLET", "Leaflet", 1, ("PACK",), (), _FROM, packing=True),
        Position("BOX", "DRYERS", "Dryers", 2, ("PACK",), (), _FROM),
        Position("PALLET", "BOXES", "Boxes", 2, ("PACK",), (), _FROM),
        Position("PUMP", "ROTOR", "Rotor", 1, ("PL-10",), ("SAFETY",), _FROM),
        Alternate("DRYER", "MOTOR", "MOTOR", _FROM),
        Alternate("DRYER", "MOTOR", "MOTOR-2", NEW_MOTORS),
        Alternate("DRYER", "HEATERS", "HEATER", _FROM),
        Alternate("DRYER", "PUMP", "PUMP", _FROM),
        Alternate("DRYER", "SCREWS", "SCREW", _FROM),
        Alternate("DRYER", "CARTON", "CARTON", _FROM),
        Alternate("DRYER", "LEAFLET", "LEAFLET", _FROM),
        Alternate("BOX", "DRYERS", "DRYER", _FROM),
        Alternate("BOX", "DRYERS", "DRYER-2", _FROM),
        Alternate("PALLET", "BOXES", "BOX", _FROM),
        Alternate("PUMP", "ROTOR", "ROTOR", _FROM),
        RouteStep("DRYER", 10, "L-10", needs_complete=False, needs_tests=()),
        RouteStep("DRYER", 20, "L-20", needs_complete=False, needs_tests=()),
        RouteStep("DRYER", 30, "L-30", needs_complete=True, needs_tests=()),
        RouteStep("DRYER", 40, "L-40", needs_complete=True, needs_tests=("SAFETY",)),
        RouteStep("DRYER-2", 10, "L-10", needs_complete=False, needs_tests=()),
        RouteStep("PUMP", 10, "PL-10", needs_complete=False, needs_tests=()),
        TestPlan("SAFETY", "Electrical safety", revision="B"),
        TestPlan("SPIN", "Noise while spinning", retests=1),
        Characteristic("SAFETY", "EARTH", "Earth continuity", "numeric", "Ω", None, 0.2),
        Characteristic("SAFETY", "VISUAL", "No damage", "attribute"),
        Characteristic("SPIN", "NOISE", "Sound power level", "numeric", "dB", None, 66),
        Instrument("T1", "Safety tester", calibrated=False),
        Instrument("T2", "Sound level meter", calibrated=True),
        Consignee("SHOP-1", "First shop"),
        Consignee("SHOP-2", "Second shop"),
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

    def correct(self, wrong: int, **said: Any) -> httpx2.Response:
        """A record is corrected."""
        return self.post("corrections", **{"wrong": wrong, "reason": "misread", **said})

    def dispose(self, item: Json, destination: str, **said: Any) -> httpx2.Response:
        """Something that is in nothing goes somewhere."""
        return self.post("dispositions", **{"item": item, "destination": destination, "reason": "dented", **said})

    def transfer(self, into: Json, *sources: tuple[Json, int], **said: Any) -> httpx2.Response:
        """Pieces of lots go into a container."""
        portions = [{"lot": lot, "quantity": quantity} for lot, quantity in sources]
        return self.post("lot-transfers", **{"into": into, "sources": portions, **said})

    def calibrate(self, **said: Any) -> httpx2.Response:
        """The sound level meter is calibrated."""
        return self.post("calibrations", **{"instrument": "T2", "good": True, "due_on": "2026-12-31", **said})

    def spin(self, serial: str, noise: float = 60, **said: Any) -> httpx2.Response:
        """A dryer's noise is measured, at the rework bench."""
        head = {"scan_point": "RW", "plan": "SPIN", "instrument": "T1"}
        measured = [{"characteristic": "NOISE", "value": noise}]
        return self.post("test-runs", **{**head, "unit": dryer(serial), "measurements": measured, **said})

    def pack(self, *contents: Json, **said: Any) -> httpx2.Response:
        """Items go into a new box, or into what is named."""
        begun = {} if "into" in said else {"packaging": "BOX"}
        return self.post("packings", **{"scan_point": "PACK", "contents": list(contents), **begun, **said})

    def ship(self, action: str, *contents: Json, **said: Any) -> httpx2.Response:
        """Items are loaded for the first shop or taken off again, or all that is loaded is despatched."""
        more: Json = {"load": {"consignee": "SHOP-1"}, "unload": {"reason": "no room"}}.get(action, {})
        named = {"contents": list(contents)} if contents else {}
        head = {"scan_point": "SHIP", "action": action, "shipment": "N1"}
        return self.post("shipments", **{**head, **more, **named, **said})

    def take_back(self, unit: Json, **said: Any) -> httpx2.Response:
        """A unit comes back from a customer."""
        return self.post("customer-returns", **{"scan_point": "GOODS-IN", "unit": unit, "reason": "noisy", **said})

    def clearance(self, unit: Json) -> Json:
        """What may be done with a unit."""
        address, part = f"/v1/units/{unit['serial']}/clearance", unit["part"]
        told: Json = self.client.get(address, params={"part": part}).raise_for_status().json()
        return told

    def state(self, item: Json) -> str:
        """The state of a built item."""
        return str(self.clearance(item)["state"])

    def tree(self, item: Json, **asked: str) -> Json:
        """What is in an item."""
        told: Json = self.client.get("/v1/tree", params={**item, **asked}).raise_for_status().json()
        return told

    def affected(self, *items: Json) -> tuple[list[str], list[str]]:
        """Serial numbers of the units that items are or were in, certainly and possibly."""
        asked = self.client.post("/v1/affected", json={"suspects": {"items": list(items)}})
        told = asked.raise_for_status().json()
        return [row["serial"] for row in told["certain"]], [row["serial"] for row in told["possible"]]

    def held(self, *, discrepancy: bool = True) -> list[Json]:
        """What is on hold, for a discrepancy or for another reason."""
        holds = self.client.get("/v1/holds").raise_for_status().json()["items"]
        return [hold["item"] for hold in holds if hold["discrepancy"] == discrepancy]

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

    def make_ready(self, serial: str) -> Json:
        """A dryer is finished and gets its leaflet: it may leave."""
        self.finish(serial)
        recorded(self.marry(serial, "RW", lot_of("LEAFLET", "F1")))
        return dryer(serial)

    def second_model(self) -> Json:
        """A dryer of the second model, which may leave as soon as it is started."""
        return serial_of("DRYER-2", recorded(self.start(None, "DRYER-2", scan_point="L-10"))["unit"]["serial"])

    def box(self, *units: Json) -> Json:
        """A box with units in it."""
        return serial_of("BOX", recorded(self.pack(*units))["unit"]["serial"])

    def pallet(self, *boxes: Json) -> Json:
        """A pallet with boxes on it."""
        return serial_of("PALLET", recorded(self.pack(*boxes, packaging="PALLET"))["unit"]["serial"])


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


def number_of(response: httpx2.Response, name: str) -> int:
    """The number of the one row of a kind that a message made."""
    (fact,) = facts(recorded(response), name)
    return int(fact["number"])


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
