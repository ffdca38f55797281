"""A small plant for random histories, as plain data for the reckoning and as catalogue rows for the service.

Two dryers are built on two parallel lines, A and B. DRYER-A holds a drive module, which holds a pump; DRYER-B holds a
pump at once. Every level draws from lots, at points of use whose changeover slack is 0 to 3 pieces.
"""

from __future__ import annotations

from datetime import date
from typing import Any

from partkin.rules.catalogue import (
    Alternate,
    Catalogue,
    CatalogueRow,
    Characteristic,
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

PARTS: dict[str, dict[str, Any]] = {
    "DRYER-A": {"trace": "serial", "made": True, "sold": True},
    "DRYER-B": {"trace": "serial", "made": True, "sold": True},
    "MODULE": {"trace": "serial", "made": True},
    "PUMP": {"trace": "serial", "made": True},
    "MOTOR": {"trace": "serial", "supplier": "S1", "label": MOTOR_LABEL},
    "MOTOR-2": {"trace": "serial", "supplier": "S2"},
    "HEATER": {"trace": "serial"},
    "ROTOR": {"trace": "serial", "supplier": "S1", "receipts": True},
    "SCREW": {"trace": "lot", "supplier": "S1"},
    "SCREW-2": {"trace": "lot", "supplier": "S2"},
    "SEAL": {"trace": "lot"},
    "CARTON": {"trace": "lot", "supplier": "S2", "receipts": True},
}

SCAN_POINTS: dict[str, dict[str, Any]] = {
    "A-10": {"line": "A", "slack": 0},
    "A-20": {"line": "A", "slack": 1},
    "B-10": {"line": "B", "slack": 0},
    "B-20": {"line": "B", "slack": 2},
    "M-10": {"line": "M", "slack": 0},
    "P-10": {"line": "P", "slack": 3},
    "RW": {"line": "R", "kind": "rework", "slack": 0},
    "GOODS-IN": {"line": "R", "kind": "store", "slack": 0},
}

POSITIONS: dict[str, dict[str, dict[str, Any]]] = {
    "DRYER-A": {
        "CARTON": {"slots": 1, "at": ["A-20", "B-20"], "takes": ["CARTON"]},
        "HEATERS": {"slots": 3, "at": ["A-10", "B-10"], "takes": ["HEATER"]},
        "MODULE": {"slots": 1, "at": ["A-10", "B-10"], "takes": ["MODULE"]},
        "SCREWS": {"slots": 2, "at": ["A-20", "B-20"], "takes": ["SCREW", "SCREW-2"]},
    },
    "DRYER-B": {
        "HEATERS": {"slots": 2, "at": ["A-10", "B-10"], "takes": ["HEATER"]},
        "PUMP": {"slots": 1, "at": ["A-10", "B-10"], "takes": ["PUMP"]},
        "SCREWS": {"slots": 3, "at": ["A-20", "B-20"], "takes": ["SCREW", "SCREW-2"]},
    },
    "MODULE": {
        "CLIPS": {"slots": 1, "at": ["M-10"], "takes": ["SCREW"]},
        "MOTOR": {"slots": 1, "at": ["M-10"], "takes": ["MOTOR", "MOTOR-2"]},
        "PUMP": {"slots": 1, "at": ["M-10"], "takes": ["PUMP"]},
    },
    "PUMP": {
        "ROTOR-1": {"slots": 1, "at": ["P-10"], "takes": ["ROTOR"]},
        "ROTOR-2": {"slots": 1, "at": ["P-10"], "takes": ["ROTOR"]},
        "SEALS": {"slots": 2, "at": ["P-10"], "takes": ["SEAL"]},
    },
}

BUILT_AT: dict[str, list[str]] = {
    "DRYER-A": ["A-10", "A-20", "B-10", "B-20"],
    "DRYER-B": ["A-10", "A-20", "B-10", "B-20"],
    "MODULE": ["M-10"],
    "PUMP": ["P-10"],
}

_FROM = date(2026, 1, 1)


def catalogue() -> Catalogue:
    """The plant as the service takes it. Each route is one step without a gate, so that hardly anything is refused."""
    rows: list[CatalogueRow] = [Supplier("S1", "First supplier"), Supplier("S2", "Second supplier")]
    rows += [
        Part(
            code,
            code.capitalize(),
            part["trace"],
            made=part.get("made", False),
            sold=part.get("sold", False),
            supplier=part.get("supplier"),
            label_pattern=part.get("label"),
            receipts=part.get("receipts", False),
            serial_prefix=code if part.get("made") else None,
            serial_digits=4 if part.get("made") else None,
        )
        for code, part in PARTS.items()
    ]
    rows += [
        ScanPoint(code, point["line"], code, point.get("kind", "build"), point["slack"])
        for code, point in SCAN_POINTS.items()
    ]
    for part, positions in POSITIONS.items():
        rows += [RouteStep(part, 10, point, needs_complete=False, needs_tests=()) for point in BUILT_AT[part]]
        for code, position in positions.items():
            rows.append(Position(part, code, code, position["slots"], tuple(position["at"]), (), _FROM))
            rows += [Alternate(part, code, component, _FROM) for component in position["takes"]]
    rows += [
        TestPlan("SAFETY", "Electrical safety"),
        Characteristic("SAFETY", "VISUAL", "No damage", "attribute"),
    ]
    return catalogue_of(rows)
