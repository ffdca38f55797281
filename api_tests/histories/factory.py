"""A small plant for random histories, as plain data for the reckoning and as catalogue rows for the service.

Two dryers are built on two parallel lines, A and B. DRYER-A holds a drive module, which holds a pump; DRYER-B holds a
pump at once. Every level draws from lots, at points of use whose changeover slack is 0 to 3 pieces. Their routes have
no gates, so that hardly anything is refused. DRYER-C has gates: it must be whole at C-20, and tested at C-30.
Dryers go into boxes, boxes onto pallets, and both onto shipments.
"""

from __future__ import annotations

from datetime import date
from typing import Any

from api_tests.histories.lists import Plant
from partkin.rules.catalogue import (
    Alternate,
    Catalogue,
    CatalogueRow,
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

MOTOR_LABEL = "(?P<lot>K[0-9])-(?P<serial>M[0-9])"
"""The one plain label: a serial number together with the lot that it belongs to."""

NUMBERINGS: dict[str, dict[str, Any]] = {
    "DRYERS": {"prefix": "F", "digits": 4},
    "PARTS": {"prefix": "G", "digits": 4},
    "PACKAGING": {"prefix": "K", "date": "year-month", "digits": 3},
}

PARTS: dict[str, dict[str, Any]] = {
    "DRYER-A": {"trace": "serial", "made": True, "sold": True, "numbering": "DRYERS", "gtin": "09521234000013"},
    "DRYER-B": {"trace": "serial", "made": True, "sold": True, "numbering": "DRYERS", "gtin": "09521234000020"},
    "DRYER-C": {"trace": "serial", "made": True, "sold": True, "numbering": "DRYERS", "gtin": "09521234000037"},
    "MODULE": {"trace": "serial", "made": True, "numbering": "PARTS"},
    "PUMP": {"trace": "serial", "made": True, "numbering": "PARTS"},
    "MOTOR": {"trace": "serial", "supplier": "S1", "label": MOTOR_LABEL},
    "MOTOR-2": {"trace": "serial", "supplier": "S2"},
    "HEATER": {"trace": "serial"},
    "ROTOR": {"trace": "serial", "supplier": "S1", "receipts": True},
    "SCREW": {"trace": "lot", "supplier": "S1"},
    "SCREW-2": {"trace": "lot", "supplier": "S2"},
    "SEAL": {"trace": "lot", "floor_life_hours": 1},
    "CARTON": {"trace": "lot", "supplier": "S2", "receipts": True},
    "LEAFLET": {"trace": "lot"},
    "BOX": {"trace": "serial", "made": True, "packaging": True, "numbering": "PACKAGING"},
    "PALLET": {"trace": "serial", "made": True, "packaging": True, "numbering": "PACKAGING"},
}

SCAN_POINTS: dict[str, dict[str, Any]] = {
    "A-10": {"line": "A", "slack": 0},
    "A-20": {"line": "A", "slack": 1},
    "B-10": {"line": "B", "slack": 0},
    "B-20": {"line": "B", "slack": 2},
    "C-10": {"line": "C", "slack": 1},
    "C-20": {"line": "C", "kind": "test", "slack": 0},
    "C-30": {"line": "C", "kind": "pack", "slack": 0},
    "M-10": {"line": "M", "slack": 0},
    "P-10": {"line": "P", "slack": 3},
    "RW": {"line": "R", "kind": "rework", "slack": 0},
    "PK": {"line": "K", "kind": "pack", "slack": 1},
    "SH": {"line": "K", "kind": "ship", "slack": 0},
    "GOODS-IN": {"line": "R", "kind": "store", "slack": 0},
}

POSITIONS: dict[str, dict[str, dict[str, Any]]] = {
    "DRYER-A": {
        "CARTON": {"slots": 1, "at": ["A-20", "B-20"], "takes": ["CARTON"]},
        "HEATERS": {"slots": 3, "at": ["A-10", "B-10"], "takes": ["HEATER"], "stale": ["SAFETY"]},
        "MODULE": {"slots": 1, "at": ["A-10", "B-10"], "takes": ["MODULE"]},
        "SCREWS": {"slots": 2, "at": ["A-20", "B-20"], "takes": ["SCREW", "SCREW-2"]},
    },
    "DRYER-B": {
        "HEATERS": {"slots": 2, "at": ["A-10", "B-10"], "takes": ["HEATER"]},
        "LEAFLET": {"slots": 1, "at": ["PK"], "takes": ["LEAFLET"], "packing": True},
        "PUMP": {"slots": 1, "at": ["A-10", "B-10"], "takes": ["PUMP"], "stale": ["SAFETY"]},
        "SCREWS": {"slots": 3, "at": ["A-20", "B-20"], "takes": ["SCREW", "SCREW-2"]},
    },
    "DRYER-C": {
        "HEATERS": {"slots": 1, "at": ["C-10"], "takes": ["HEATER"], "stale": ["SAFETY"]},
        "LEAFLET": {"slots": 1, "at": ["C-30"], "takes": ["LEAFLET"], "packing": True},
        "MOTOR": {"slots": 1, "at": ["C-10"], "takes": ["MOTOR", "MOTOR-2"], "stale": ["SAFETY", "NOISE"]},
        "SCREWS": {"slots": 1, "at": ["C-10"], "takes": ["SCREW"]},
    },
    "MODULE": {
        "CLIPS": {"slots": 1, "at": ["M-10"], "takes": ["SCREW"]},
        "MOTOR": {"slots": 1, "at": ["M-10"], "takes": ["MOTOR", "MOTOR-2"], "stale": ["SAFETY"]},
        "PUMP": {"slots": 1, "at": ["M-10"], "takes": ["PUMP"]},
    },
    "PUMP": {
        "ROTOR-1": {"slots": 1, "at": ["P-10"], "takes": ["ROTOR"], "stale": ["SAFETY"]},
        "ROTOR-2": {"slots": 1, "at": ["P-10"], "takes": ["ROTOR"]},
        "SEALS": {"slots": 2, "at": ["P-10"], "takes": ["SEAL"]},
    },
    "BOX": {"UNITS": {"slots": 2, "at": ["PK"], "takes": ["DRYER-A", "DRYER-B", "DRYER-C"]}},
    "PALLET": {
        "LOAD": {"slots": 2, "at": ["PK"], "takes": ["BOX", "DRYER-B"]},
        "PAPERS": {"slots": 1, "at": ["PK"], "takes": ["LEAFLET"]},
    },
}

ROUTES: dict[str, list[dict[str, Any]]] = {
    "DRYER-A": [{"at": ["A-10", "A-20", "B-10", "B-20"]}],
    "DRYER-B": [{"at": ["A-10", "A-20", "B-10", "B-20"]}],
    "DRYER-C": [{"at": ["C-10"]}, {"at": ["C-20"], "complete": True}, {"at": ["C-30"], "tests": ["SAFETY"]}],
    "MODULE": [{"at": ["M-10"]}],
    "PUMP": [{"at": ["P-10"]}],
}

PLANS: dict[str, dict[str, Any]] = {
    "SAFETY": {
        "revision": "R2",
        "retests": 1,
        "limits": {"EARTH": lambda value: value <= 0.2, "VISUAL": lambda good: good},
    },
    "NOISE": {"revision": None, "retests": None, "limits": {"HUM": lambda good: good}},
}

INSTRUMENTS = {"T1": True, "T2": False}
CONSIGNEES = frozenset({"SHOP-1", "SHOP-2"})

PLANT = Plant(
    PARTS,
    SCAN_POINTS,
    POSITIONS,
    {part: [{"tests": (), **step} for step in steps] for part, steps in ROUTES.items()},
    PLANS,
    INSTRUMENTS,
    CONSIGNEES,
    NUMBERINGS,
)
"""All of it, for the reckoning."""

BUILT_AT: dict[str, list[str]] = {
    part: [point for step in steps for point in step["at"]] for part, steps in ROUTES.items()
}

_FROM = date(2026, 1, 1)


def catalogue() -> Catalogue:
    """The plant as the service takes it."""
    rows: list[CatalogueRow] = [Supplier("S1", "First supplier"), Supplier("S2", "Second supplier")]
    rows += [Numbering(scheme, "running", **row) for scheme, row in NUMBERINGS.items()]
    rows += [
        Part(
            code,
            code.capitalize(),
            part["trace"],
            made=part.get("made", False),
            sold=part.get("sold", False),
            label_pattern=part.get("label"),
            **{
                name: part[name]
                for name in ("supplier", "gtin", "receipts", "numbering", "packaging", "floor_life_hours")
                if name in part
            },
        )
        for code, part in PARTS.items()
    ]
    rows += [
        ScanPoint(code, point["line"], code, point.get("kind", "build"), point["slack"])
        for code, point in SCAN_POINTS.items()
    ]
    for part, positions in POSITIONS.items():
        rows += _route(part)
        for code, position in positions.items():
            stale, packing = tuple(position.get("stale", ())), position.get("packing", False)
            at = tuple(position["at"])
            rows.append(Position(part, code, code, position["slots"], at, stale, _FROM, packing=packing))
            rows += [Alternate(part, code, component, _FROM) for component in position["takes"]]
    rows += [
        *(TestPlan(code, code, revision=plan["revision"], retests=plan["retests"]) for code, plan in PLANS.items()),
        Characteristic("SAFETY", "EARTH", "Earth continuity", "numeric", "Ω", None, 0.2),
        Characteristic("SAFETY", "VISUAL", "No damage", "attribute"),
        Characteristic("NOISE", "HUM", "No hum", "attribute"),
        *(Instrument(code, code, calibrated) for code, calibrated in INSTRUMENTS.items()),
        *(Consignee(code, code) for code in sorted(CONSIGNEES)),
    ]
    return catalogue_of(rows)


def _route(part: str) -> list[RouteStep]:
    return [
        RouteStep(part, 10 * number, point, step.get("complete", False), tuple(step.get("tests", ())))
        for number, step in enumerate(ROUTES.get(part, ()), start=1)
        for point in step["at"]
    ]
