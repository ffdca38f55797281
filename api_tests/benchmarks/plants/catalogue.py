"""What the plant builds: heat-pump tumble dryers in three models, on three lines that are fed by five module cells.

A unit has 40 components; its drive holds a motor, which holds a rotor, so that a lot of wire is four levels down: 18
more. Every bought lot is received, and drawn where it is loaded.
"""

from __future__ import annotations

from datetime import date

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

FROM = date(2024, 1, 1)
LINES = ("L1", "L2", "L3")
MODELS = {"L1": "FW-TD7", "L2": "FW-TD8", "L3": "FW-TD9"}
STATIONS = tuple(range(1, 14))
"""Where units are built, on each line; each fills three positions."""

SLACK = 2
"""Pieces on each side of a lot change on the lines that may be of either lot; the cells scan every piece."""

NUMBERED = {
    "FW-TD7": "TA",
    "FW-TD8": "TB",
    "FW-TD9": "TC",
    "ROTOR": "RT",
    "MOTOR": "MT",
    "DRIVE": "DV",
    "HEAT-PUMP": "HP",
    "CARTON": "CN",
}
"""Parts that are numbered here, and the prefix of their numbers."""

DIGITS = 9

BOUGHT = {
    "STATOR": "ST",
    "COMPRESSOR": "KP",
    "CONDENSER": "KD",
    "EVAPORATOR": "EV",
    "DRUM": "DM",
    "CONTROL": "CB",
    "DISPLAY": "DB",
    "LOCK": "DL",
    "PUMP": "PU",
    "SENSOR": "SN",
}
"""Bought parts with serial numbers, and how these begin."""

CELLS = {
    "ROTOR": ("C-ROTOR",),
    "MOTOR": ("C-MOTOR",),
    "DRIVE": ("C-DRIVE",),
    "HEAT-PUMP": ("C-HEAT-1", "C-HEAT-2"),
}

MODULES: dict[str, tuple[tuple[str, int, str], ...]] = {
    "ROTOR": (("WIRE", 1, "C-ROTOR"), ("MAGNET", 8, "C-ROTOR"), ("SHAFT", 1, "C-ROTOR")),
    "MOTOR": (("ROTOR", 1, "C-MOTOR"), ("STATOR", 1, "C-MOTOR"), ("BEARING", 2, "C-MOTOR"), ("HOUSING", 1, "C-MOTOR")),
    "DRIVE": (("MOTOR", 1, "C-DRIVE"), ("BELT", 1, "C-DRIVE"), ("PULLEY", 1, "C-DRIVE"), ("BRACKET", 2, "C-DRIVE")),
    "HEAT-PUMP": (
        *((part, 1, "C-HEAT-1") for part in ("COMPRESSOR", "CONDENSER", "EVAPORATOR")),
        *((part, 1, "C-HEAT-2") for part in ("REFRIGERANT", "OIL", "VALVE", "CAPILLARY")),
    ),
}
"""Content of the modules: part, pieces, cell."""

SCANNED = ("DRIVE", "HEAT-PUMP", "DRUM", "CONTROL", "DISPLAY", "LOCK", "PUMP", "SENSOR")
"""What is scanned into a unit, a station each."""

_DRAWN = (
    "PANEL-L PANEL-R BASE TOP FRONT DOOR HINGE HANDLE GASKET FILTER FAN-COVER DUCT HOSE CLAMP HARNESS PLUG-LEAD "
    "CAPACITOR RELAY LAMP FEET SPRING DAMPER ROLLER PAD SCREW-A SCREW-B NUT WASHER FOAM LABEL FASCIA"
).split()
_PIECES = {"HINGE": 2, "CLAMP": 3, "FEET": 4, "ROLLER": 2, "SCREW-A": 12, "SCREW-B": 8, "NUT": 6, "WASHER": 6}

TESTED_AFTER = ("DRIVE", "HEAT-PUMP", "CONTROL", "PUMP", "HARNESS", "PLUG-LEAD", "CAPACITOR", "RELAY")
"""Positions of a unit at which a change makes its tests stale."""

TESTS = ("SAFETY", "FUNCTION")
MEASURED = {"SAFETY": ("EARTH", "LEAKAGE", "INSULATION"), "FUNCTION": ("SPEED", "NOISE", "POWER")}
CONSIGNEES = tuple(f"SHOP-{number:02d}" for number in range(1, 41))
SUPPLIERS = tuple(f"SUP-{number:02d}" for number in range(1, 13))


def station(line: str, number: int) -> str:
    """The scan point of a station."""
    return f"{line}-{number:02d}"


def on_each_line(number: int) -> tuple[str, ...]:
    """The same station on all lines."""
    return tuple(station(line, number) for line in LINES)


def pack_points() -> tuple[str, ...]:
    """Where units are packed."""
    return tuple(f"{line}-PK" for line in LINES)


def stations_of_drawn() -> dict[str, int]:
    """Lots of a unit, and the station that draws them: two beside each scanned part, then three."""
    places = [place for place in STATIONS for _ in range(2 if place <= len(SCANNED) else 3)]
    return dict(zip(_DRAWN, places, strict=True))


def feeds() -> list[tuple[str, str, str]]:
    """Every point of use: its scan point and position, and the part that is loaded there."""
    found = [(station(line, place), part, part) for part, place in stations_of_drawn().items() for line in LINES]
    found += [(point, "BOOKLET", "BOOKLET") for point in pack_points()]
    found += [(point, part, part) for content in MODULES.values() for part, _, point in content if _is_lot(part)]
    return found


def _is_lot(part: str) -> bool:
    return part not in BOUGHT and part not in NUMBERED


def supplier_of(part: str) -> str:
    """Who delivers a bought part."""
    return SUPPLIERS[sum(part.encode()) % len(SUPPLIERS)]


def plant() -> Catalogue:
    """The whole catalogue."""
    rows: list[CatalogueRow] = [Supplier(code, f"Supplier {code[-2:]}") for code in SUPPLIERS]
    rows += [Consignee(code, f"Shop {code[-2:]}") for code in CONSIGNEES]
    rows += [Numbering(part, "running", DIGITS, prefix=prefix) for part, prefix in NUMBERED.items()]
    rows += [*_parts(), *_scan_points(), *_tests()]
    for model in MODELS.values():
        rows += _unit(model)
    for module, content in MODULES.items():
        for part, pieces, point in content:
            rows += _position(module, part, pieces, (point,))
        rows += [RouteStep(module, 10 * step, point, False, ()) for step, point in enumerate(CELLS[module], start=1)]
    rows.append(Position("CARTON", "UNIT", "the unit", 1, pack_points(), (), FROM))
    rows += [Alternate("CARTON", "UNIT", model, FROM) for model in MODELS.values()]
    return catalogue_of(rows)


def _parts() -> list[CatalogueRow]:
    rows: list[CatalogueRow] = []
    for part, prefix in NUMBERED.items():
        pattern = f"(?P<serial>{prefix}[0-9]{{{DIGITS}}})"
        sold, packaging = part in MODELS.values(), part == "CARTON"
        named = {"label_pattern": pattern, "numbering": part, "packaging": packaging}
        rows.append(Part(part, f"{part} built here", "serial", True, sold, **named))  # type: ignore[arg-type]
    for part, prefix in BOUGHT.items():
        pattern = f"(?P<serial>{prefix}[0-9]{{{DIGITS}}})"
        received = part == "COMPRESSOR"
        bought = {"supplier": supplier_of(part), "label_pattern": pattern, "receipts": received}
        rows.append(Part(part, f"{part}, bought", "serial", False, False, **bought))  # type: ignore[arg-type]
    by_lot = sorted({part for _, _, part in feeds()})
    rows += [Part(p, f"{p}, by lot", "lot", False, False, supplier=supplier_of(p), receipts=True) for p in by_lot]
    return rows


def _scan_points() -> list[CatalogueRow]:
    rows: list[CatalogueRow] = [
        ScanPoint("GOODS-IN", "GOODS", "goods-in", "store"),
        ScanPoint("DOCK", "DOCK", "despatch", "ship"),
    ]
    for points in CELLS.values():
        rows += [ScanPoint(point, "CELLS", f"cell {point}", "build") for point in points]
    for line in LINES:
        rows += [ScanPoint(station(line, place), line, f"station {place}", "build", SLACK) for place in STATIONS]
        rows += [ScanPoint(station(line, place), line, f"tester {place}", "test") for place in (20, 21)]
        rows += [
            ScanPoint(f"{line}-PK", line, "packing", "pack", SLACK),
            ScanPoint(f"{line}-RW", line, "rework", "rework"),
        ]
    return rows


def _tests() -> list[CatalogueRow]:
    caution = "High voltage: trained persons only, behind the guard; local rules and licensed practice come first."
    rows: list[CatalogueRow] = [
        TestPlan("SAFETY", "Electrical safety", caution, "B"),
        TestPlan("FUNCTION", "Function and noise", None, "C"),
        *(Instrument(f"{line}-{plan}", f"tester of {line}", False) for line in LINES for plan in TESTS),
    ]
    for plan, measured in MEASURED.items():
        rows += [Characteristic(plan, code, code.lower(), "numeric", None, None, 100) for code in measured]
        rows.append(Characteristic(plan, "LOOKS", "no damage", "attribute"))
    return rows


def _unit(model: str) -> list[CatalogueRow]:
    rows: list[CatalogueRow] = []
    for place, part in enumerate(SCANNED, start=1):
        rows += _position(model, part, 1, on_each_line(place))
    for part, place in stations_of_drawn().items():
        rows += _position(model, part, _PIECES.get(part, 1), on_each_line(place))
    rows.append(Position(model, "BOOKLET", "booklet", 1, pack_points(), (), FROM, packing=True))
    rows.append(Alternate(model, "BOOKLET", "BOOKLET", FROM))
    for place in STATIONS:
        rows += [RouteStep(model, place, point, False, ()) for point in on_each_line(place)]
    rows += [RouteStep(model, 20, point, True, ()) for point in on_each_line(20)]
    rows += [RouteStep(model, 21, point, True, ("SAFETY",)) for point in on_each_line(21)]
    return rows


def _position(built: str, part: str, pieces: int, points: tuple[str, ...]) -> list[CatalogueRow]:
    stale = TESTS if built in MODELS.values() and part in TESTED_AFTER else ()
    position = Position(built, part, part.lower(), pieces, points, stale, FROM)
    return [position, Alternate(built, part, part, FROM)]
