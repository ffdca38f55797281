"""The catalogue's files: what is written is what is read, and every mistake is found where it stands."""

from __future__ import annotations

import json
import random
import re
from collections.abc import Iterable, Mapping
from datetime import date
from functools import cache
from pathlib import Path

import pytest
from biip.sscc import Sscc
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from api_tests.catalogues import catalogues, days
from partkin.exports.catalogue_files import read_catalogue_folder, write_catalogue_folder
from partkin.rules.canonical_json import canonical
from partkin.rules.catalogue import (
    Alternate,
    Catalogue,
    CatalogueRow,
    Numbering,
    Part,
    Supplier,
    TestPlan,
)
from partkin.rules.catalogue.changes import changes_as_json, changes_between, changes_of_json
from partkin.rules.catalogue.checks import read_catalogue
from partkin.rules.catalogue.sheets import CatalogueMistakes, Mistake, write_sheet
from partkin.rules.catalogue.tables import (
    KINDS,
    catalogue_of,
    row_as_json,
    row_cells,
    row_key,
    row_of_json,
    rows_of,
)
from partkin.rules.check_characters import SCHEMES
from partkin.rules.identification import Labels, name_item, read_scan
from partkin.rules.numbering import capacity, number, period, running_body

DEMO = Path(__file__).parents[2] / "demo_data" / "catalogue"

# ------------------------------------------------------------------------------------------------------------
# A small sound catalogue, and what each single change makes wrong in it

SOUND: Mapping[str, str] = {
    "suppliers.csv": """\
supplier,name
S1,First supplier
S2,Second supplier
""",
    # Extension digit and company prefix: GS1 General Specifications 21.0.1, figure 5.4.2-1.
    "numbering.csv": """\
scheme,body,digits,prefix,date,check
UNIT,running,5,U,,iso7064-mod-37-2
SUB,running,4,B,,
SSCC,running,9,39512345,,gs1-mod-10
""",
    # GTIN: GS1 General Specifications 21.0.1, figure 5.2.2.1-2, filled to 14 digits.
    "parts.csv": """\
part,description,trace,made,sold,supplier,supplier_part,gtin,cpid,label_pattern,label_check,receipts,numbering,packaging,floor_life_hours
UNIT,Unit,serial,yes,yes,,,,,(?P<serial>U[0-9]{5}(?P<check>[0-9A-Z*])),iso7064-mod-37-2,,UNIT,,
SUB,Subassembly,serial,yes,no,,,,,,,,SUB,,
MOTOR,Motor,serial,no,no,S1,M-1,09501101531000,,,,,,,
BELT,Belt,lot,no,no,S2,,,9501101BELT,(?P<lot>B[0-9]{4}),,yes,,,
SCREW,Screw,none,no,no,,,,,,,,,,
CARTON,Carton with a unit,serial,yes,no,,,,,(?P<serial>[0-9]{17}(?P<check>[0-9])),gs1-mod-10,,SSCC,yes,
""",
    "scan_points.csv": """\
scan_point,line,description,kind,changeover_slack
A1,A,Assembly,build,2
B1,B,Assembly,build,2
A2,A,Test,test,
B2,B,Test,test,
A9,A,Rework,rework,
M1,M,Subassembly,build,
P1,P,Packing,pack,
H1,P,Loading dock,ship,
""",
    "positions.csv": """\
part,position,description,quantity,scan_points,makes_stale,effective_from,effective_to,packing
UNIT,SUB,Subassembly,1,A1 B1,SAFETY,2026-01-01,,
UNIT,BELT,Belt,2,A1 B1,SAFETY,2026-01-01,2026-06-01,
UNIT,BELT,Belts,3,A1 B1 A9,SAFETY,2026-06-01,,
UNIT,SCREWS,Screws,8,,,2026-01-01,,
SUB,MOTOR,Motor,1,M1,,2026-01-01,,
UNIT,MANUAL,Manual,1,P1,,2026-01-01,,yes
CARTON,UNIT,Unit,1,P1,,2026-01-01,,
""",
    "alternates.csv": """\
part,position,component,effective_from,effective_to
UNIT,SUB,SUB,2026-01-01,
UNIT,BELT,BELT,2026-01-01,
UNIT,SCREWS,SCREW,2026-01-01,
SUB,MOTOR,MOTOR,2026-01-01,
UNIT,MANUAL,SCREW,2026-01-01,
CARTON,UNIT,UNIT,2026-01-01,
""",
    "routes.csv": """\
part,step,scan_point,needs_complete,needs_tests
UNIT,10,A1,no,
UNIT,10,B1,no,
UNIT,20,A2,yes,SAFETY
UNIT,20,B2,yes,SAFETY
SUB,10,M1,no,
""",
    "test_plans.csv": """\
plan,description,caution
SAFETY,Electrical safety,High voltage: instructed persons only
""",
    # Limit: EN 50106:2008, earth continuity with supply cord.
    "characteristics.csv": """\
plan,characteristic,description,kind,unit,lower,upper,source
SAFETY,EARTH,Earth continuity,numeric,Ω,,0.2,EN 50106
SAFETY,LABEL,Label is legible,attribute,,,,
""",
    "instruments.csv": """\
instrument,description,calibrated
HV-1,Safety tester,yes
""",
    "consignees.csv": """\
consignee,name
DEPOT,Depot
""",
    "markings.csv": """\
part,line,text
UNIT,1,230 V ~ 50 Hz
""",
}

At = tuple[str, int | None, str | None]


def sound_but(file: str, changed: Mapping[int, str]) -> dict[str, bytes]:
    """The sound files with some lines of one of them changed, taken out ("") or added at the end."""
    lines = SOUND[file].splitlines()
    lines += [""] * (max(changed) - len(lines))
    for line, text in changed.items():
        lines[line - 1] = text
    return {**{name: text.encode() for name, text in SOUND.items()}, file: "\n".join(lines).encode()}


def mistakes_of(files: Mapping[str, bytes]) -> tuple[Mistake, ...]:
    """What is wrong in these files."""
    with pytest.raises(CatalogueMistakes) as caught:
        read_catalogue(files)
    return caught.value.mistakes


def places(mistakes: Iterable[Mistake]) -> list[At]:
    """Where the mistakes are."""
    return [(mistake.file, mistake.line, mistake.column) for mistake in mistakes]


def test_the_sound_catalogue_is_read_without_a_mistake() -> None:
    catalogue = read_catalogue({name: text.encode() for name, text in SOUND.items()})
    assert catalogue.part["MOTOR"] == Part("MOTOR", "Motor", "serial", False, False, "S1", "M-1", "09501101531000")
    assert catalogue.numbering[catalogue.part["UNIT"].numbering or ""].prefix == "U"
    assert [position.quantity for position in catalogue.bill("UNIT", date(2026, 5, 31)).positions] == [2, 1, 8, 1]
    assert [position.quantity for position in catalogue.bill("UNIT", date(2026, 6, 1)).positions] == [3, 1, 8, 1]
    assert [position.position for position in catalogue.positions if position.packing] == ["MANUAL"]
    assert catalogue.measured["SAFETY"]["EARTH"].upper == 0.2


CELLS: list[tuple[str, int, str, str, str]] = [
    # file, line, its new text, column of the mistake, part of what is expected
    ("suppliers.csv", 3, "S 2,Second supplier", "supplier", "without spaces"),
    ("suppliers.csv", 3, f"{'S' * 41},Second supplier", "supplier", "1 to 40"),
    ("suppliers.csv", 3, "S\u00dc2,Second supplier", "supplier", "ASCII"),
    ("suppliers.csv", 3, "S2,", "name", "text of 1"),
    ("suppliers.csv", 3, "S2,Second\u200bsupplier", "name", "U+200B"),
    ("suppliers.csv", 3, "S2, Second", "name", "blanks"),
    ("scan_points.csv", 2, "A1,A,Assembly,weld,2", "kind", "one of build, test, rework, store"),
    ("scan_points.csv", 2, "A1,A,Assembly,build,-1", "changeover_slack", "from 0"),
    ("positions.csv", 2, "UNIT,SUB,Sub,0,A1 B1,SAFETY,2026-01-01,,", "quantity", "from 1"),
    ("positions.csv", 2, "UNIT,SUB,Sub,1,A1  B1,SAFETY,2026-01-01,,", "scan_points", "one space"),
    ("positions.csv", 2, "UNIT,SUB,Sub,1,A1 B1 A1,SAFETY,2026-01-01,,", "scan_points", "each code once"),
    ("positions.csv", 2, "UNIT,SUB,Sub,1,A1 B1,SAFETY,01.01.2026,,", "effective_from", "2026-03-31"),
    ("positions.csv", 2, "UNIT,SUB,Sub,1,A1 B1,SAFETY,2026-02-30,,", "effective_from", "2026-03-31"),
    ("routes.csv", 2, "UNIT,10,A1,,", "needs_complete", "yes or no"),
    ("characteristics.csv", 2, 'SAFETY,EARTH,Earth,numeric,Ω,,"0,2",EN 50106', "upper", "decimal point"),
    ("characteristics.csv", 2, "SAFETY,EARTH,Earth,numeric,Ω,,nan,EN 50106", "upper", "decimal point"),
    ("characteristics.csv", 2, "SAFETY,EARTH,Earth,numeric,Ω,,1e999,EN 50106", "upper", "decimal point"),
    # The figure's GTIN with a wrong check digit, and as 13 digits.
    ("parts.csv", 4, "MOTOR,Motor,serial,no,no,S1,M-1,09501101531003,,,,,,,", "gtin", "which is 0"),
    ("parts.csv", 4, "MOTOR,Motor,serial,no,no,S1,M-1,9501101531000,,,,,,,", "gtin", "14 digits"),
    # GS1 element string 8010 takes the characters # - / 0-9 A-Z (GS1 syntax dictionary).
    ("parts.csv", 5, "BELT,Belt,lot,no,no,S2,,,9501101belt,,,yes,,,", "cpid", "A-Z"),
    ("parts.csv", 5, "BELT,Belt,lot,no,no,S2,,,,(?P<lot>B[0-9]{4},,yes,,,", "label_pattern", "unterminated"),
    (
        "parts.csv",
        2,
        "UNIT,Unit,serial,yes,yes,,,,,,iso7064-mod-38-2,,UNIT,,",
        "label_check",
        "iso7064-mod-37-2",
    ),
]


@pytest.mark.parametrize(("file", "line", "text", "column", "expected"), CELLS)
def test_a_cell_of_wrong_form_is_reported_where_it_stands(
    file: str, line: int, text: str, column: str, expected: str
) -> None:
    (mistake,) = mistakes_of(sound_but(file, {line: text}))
    assert (mistake.file, mistake.line, mistake.column) == (file, line, column)
    assert expected in mistake.expected


def part(text: str) -> tuple[str, dict[int, str]]:
    """Line 4, the bought serial part, in another form."""
    return "parts.csv", {4: text}


BETWEEN: dict[str, tuple[str, dict[int, str], list[At], str]] = {
    "a key stands twice": (
        "suppliers.csv",
        {4: "S2,Another"},
        [("suppliers.csv", 4, None)],
        "line 3",
    ),
    "a key with a period stands twice": (
        "alternates.csv",
        {8: "UNIT,SUB,SUB,2026-01-01,2026-02-01"},
        [("alternates.csv", 8, None)],
        "line 2",
    ),
    "a supplier is unknown": (
        *part("MOTOR,Motor,serial,no,no,S3,,09501101531000,,,,,,,"),
        [("parts.csv", 4, "supplier")],
        "suppliers.csv",
    ),
    "a component is unknown": (
        "alternates.csv",
        {8: "SUB,MOTOR,MOTOR-B,2026-02-01,"},
        [("alternates.csv", 8, "component")],
        "parts.csv",
    ),
    "an alternate is for no position": (
        "alternates.csv",
        {8: "SUB,MOTORS,MOTOR,2026-01-01,"},
        [("alternates.csv", 8, "position")],
        "position of SUB",
    ),
    "a position's scan point is unknown": (
        "positions.csv",
        {6: "SUB,MOTOR,Motor,1,M1 M2,,2026-01-01,,"},
        [("positions.csv", 6, "scan_points")],
        "scan_points.csv",
    ),
    "a test plan made stale is unknown": (
        "positions.csv",
        {6: "SUB,MOTOR,Motor,1,M1,NOISE,2026-01-01,,"},
        [("positions.csv", 6, "makes_stale")],
        "test_plans.csv",
    ),
    "a needed test plan is unknown": (
        "routes.csv",
        {6: "SUB,10,M1,no,NOISE"},
        [("routes.csv", 6, "needs_tests")],
        "test_plans.csv",
    ),
    "a characteristic is of no plan": (
        "characteristics.csv",
        {4: "NOISE,POWER,Sound power,numeric,dB(A),,64,"},
        [("characteristics.csv", 4, "plan")],
        "test_plans.csv",
    ),
    "a period ends before it begins": (
        "alternates.csv",
        {8: "UNIT,BELT,BELT,2025-06-01,2025-06-01"},
        [("alternates.csv", 8, "effective_to")],
        "after effective_from",
    ),
    "periods of one position overlap": (
        "positions.csv",
        {3: "UNIT,BELT,Belt,2,A1 B1,SAFETY,2026-01-01,2026-06-02,"},
        [("positions.csv", 4, "effective_from")],
        "line 3",
    ),
    "periods of one alternate overlap a longer one before them": (
        "alternates.csv",
        {8: "UNIT,BELT,BELT,2026-02-01,2026-03-01", 9: "UNIT,BELT,BELT,2026-04-01,2026-05-01"},
        [("alternates.csv", 8, "effective_from"), ("alternates.csv", 9, "effective_from")],
        "line 3",
    ),
    "a position takes nothing on its first days": (
        "alternates.csv",
        {5: "SUB,MOTOR,MOTOR,2026-01-02,"},
        [("positions.csv", 6, "position")],
        "2026-01-01",
    ),
    "a position takes nothing for a day between": (
        "alternates.csv",
        {3: "UNIT,BELT,BELT,2026-01-01,2026-04-01", 8: "UNIT,BELT,BELT,2026-04-02,"},
        [("positions.csv", 3, "position")],
        "2026-04-01",
    ),
    "a position takes nothing at last": (
        "alternates.csv",
        {5: "SUB,MOTOR,MOTOR,2026-01-01,2030-01-01"},
        [("positions.csv", 6, "position")],
        "2030-01-01",
    ),
    "a part holds itself": (
        "alternates.csv",
        {8: "SUB,MOTOR,SUB,2026-01-01,"},
        [("alternates.csv", 8, "component")],
        "holds itself",
    ),
    "two parts hold each other": (
        "alternates.csv",
        {8: "SUB,MOTOR,UNIT,2026-01-01,"},
        [("alternates.csv", 8, "component")],
        "holds itself",
    ),
    "alternates of one position are traced differently": (
        "alternates.csv",
        {8: "UNIT,BELT,MOTOR,2026-01-01,"},
        [("alternates.csv", 8, "component")],
        "line 3",
    ),
    "a bought part has positions and a route": (
        "parts.csv",
        {3: "SUB,Subassembly,serial,no,no,S1,,,,,,,,,"},
        [("positions.csv", 6, "part"), ("routes.csv", 6, "part")],
        "made here",
    ),
    "a part traced by lot has positions and a route": (
        "parts.csv",
        {3: "SUB,Subassembly,lot,yes,no,,,,,,,,,,"},
        [("positions.csv", 6, "part"), ("routes.csv", 6, "part")],
        "traced by serial",
    ),
    "two parts claim one GTIN": (
        "parts.csv",
        {8: "MOTOR-B,Motor,serial,no,no,S1,M-2,09501101531000,,,,,,,"},
        [("parts.csv", 8, "gtin")],
        "MOTOR in line 4",
    ),
    "two parts claim one CPID": (
        "parts.csv",
        {8: "BELT-B,Belt,lot,no,no,S1,,,9501101BELT,,,,,,"},
        [("parts.csv", 8, "cpid")],
        "BELT in line 5",
    ),
    "two parts claim one part number of a supplier": (
        "parts.csv",
        {8: "MOTOR-B,Motor,serial,no,no,S1,M-1,,,,,,,,", 9: "MOTOR-C,Motor,serial,no,no,S2,M-1,,,,,,,,"},
        [("parts.csv", 8, "supplier_part")],
        "MOTOR in line 4",
    ),
    "a bought part is sold": (
        *part("MOTOR,Motor,serial,no,yes,S1,,09501101531000,,,,,,,"),
        [("parts.csv", 4, "made"), ("parts.csv", 4, "part")],
        "",
    ),
    "what is sold is not traced": (
        "parts.csv",
        {8: "KIT,Kit,none,yes,yes,,,,,,,,,,"},
        [("parts.csv", 8, "part"), ("parts.csv", 8, "trace")],
        "",
    ),
    "numbers are issued to a bought part": (
        *part("MOTOR,Motor,serial,no,no,S1,,09501101531000,,,,,SUB,,"),
        [("parts.csv", 4, "numbering")],
        "made",
    ),
    "a numbering is unknown": (
        "parts.csv",
        {3: "SUB,Subassembly,serial,yes,no,,,,,,,,SUBS,,"},
        [("parts.csv", 3, "numbering")],
        "numbering.csv",
    ),
    "what is made has neither numbers nor a label rule": (
        "parts.csv",
        {3: "SUB,Subassembly,serial,yes,no,,,,,,,,,,"},
        [("parts.csv", 3, "numbering")],
        "label rule",
    ),
    "what is made is received": (
        "parts.csv",
        {3: "SUB,Subassembly,serial,yes,no,,,,,,,yes,SUB,,"},
        [("parts.csv", 3, "receipts")],
        "made here",
    ),
    "what is not traced is received by lots": (
        "parts.csv",
        {6: "SCREW,Screw,none,no,no,,,,,,,yes,,,"},
        [("parts.csv", 6, "receipts")],
        "not traced",
    ),
    "a supplier's part number has no supplier": (
        *part("MOTOR,Motor,serial,no,no,,M-1,09501101531000,,,,,,,"),
        [("parts.csv", 4, "supplier")],
        "part number",
    ),
    "a label of a serial part has no serial number": (
        *part("MOTOR,Motor,serial,no,no,S1,,,,(?P<lot>M[0-9]{4}),,,,,"),
        [("parts.csv", 4, "label_pattern")],
        "(?P<serial>",
    ),
    "a label of a lot has a serial number": (
        "parts.csv",
        {5: "BELT,Belt,lot,no,no,S2,,,,(?P<lot>B[0-9]{4})(?P<serial>.),,yes,,,"},
        [("parts.csv", 5, "label_pattern")],
        "no group serial",
    ),
    "a label of what is not traced": (
        "parts.csv",
        {6: "SCREW,Screw,none,no,no,,,,,(?P<lot>.*),,,,,"},
        [("parts.csv", 6, "label_pattern")],
        "not traced",
    ),
    "a label has an unknown group": (
        *part("MOTOR,Motor,serial,no,no,S1,,,,(?P<serial>M[0-9]{4})(?P<plant>.),,,,,"),
        [("parts.csv", 4, "label_pattern")],
        "only the groups",
    ),
    "a check character has no scheme": (
        *part("MOTOR,Motor,serial,no,no,S1,,,,(?P<serial>[0-9]{4}(?P<check>.)),,,,,"),
        [("parts.csv", 4, "label_check")],
        "scheme",
    ),
    "a scheme has no check character": (
        *part("MOTOR,Motor,serial,no,no,S1,,,,(?P<serial>[0-9]{4}),damm,,,,"),
        [("parts.csv", 4, "label_pattern")],
        "(?P<check>",
    ),
    "a scheme has no label": (
        *part("MOTOR,Motor,serial,no,no,S1,,,,,damm,,,,"),
        [("parts.csv", 4, "label_check")],
        "nothing",
    ),
    # ISO/IEC 7064 MOD 37-2 also gives *, which this pattern does not read.
    "issued numbers do not fit their own label": (
        "parts.csv",
        {2: "UNIT,Unit,serial,yes,yes,,,,,(?P<serial>U[0-9]{5}(?P<check>[0-9A-Z])),iso7064-mod-37-2,,UNIT,,"},
        [("parts.csv", 2, "label_pattern")],
        "*, all of it as serial",
    ),
    "a label reads issued numbers without their check character": (
        "parts.csv",
        {2: "UNIT,Unit,serial,yes,yes,,,,,(?P<serial>U[0-9]{5})(?P<check>[0-9A-Z*]),iso7064-mod-37-2,,UNIT,,"},
        [("parts.csv", 2, "label_pattern")],
        "all of it as serial",
    ),
    "a label reads the first numbers issued, but not the last": (
        "parts.csv",
        {2: "UNIT,Unit,serial,yes,yes,,,,,(?P<serial>U0[0-9]{4}(?P<check>[0-9A-Z*])),iso7064-mod-37-2,,UNIT,,"},
        [("parts.csv", 2, "label_pattern")],
        "U99999",
    ),
    "a label does not read the date element": (
        "numbering.csv",
        {2: "UNIT,running,5,U,year-day,iso7064-mod-37-2"},
        [("parts.csv", 2, "label_pattern")],
        "U2700100001",
    ),
    "a label of digits does not read a random body": (
        "numbering.csv",
        {2: "UNIT,random,5,U,,iso7064-mod-37-2"},
        [("parts.csv", 2, "label_pattern")],
        "issued number U",
    ),
    "a label has another check than its numbering": (
        "numbering.csv",
        {2: "UNIT,running,5,U,,iso7064-mod-37-36"},
        [("parts.csv", 2, "label_check")],
        "iso7064-mod-37-36",
    ),
    "a label has a check where its numbering has none": (
        "numbering.csv",
        {2: "UNIT,running,5,U,,"},
        [("parts.csv", 2, "label_check")],
        "none",
    ),
    # The Luhn scheme (ISO/IEC 7812-1) works on digits, the hybrid system for the modulus 26 (ISO/IEC 7064) on letters.
    "a prefix does not fit the check": (
        "numbering.csv",
        {3: "SUB,running,4,1B,,luhn"},
        [("numbering.csv", 3, "prefix")],
        "'B'",
    ),
    "a check of letters has digits before it": (
        "numbering.csv",
        {3: "SUB,running,4,B,year,iso7064-mod-27-26"},
        [("numbering.csv", 3, "body"), ("numbering.csv", 3, "date")],
        "no digits",
    ),
    # GS1 General Specifications: 25 characters at most, with the check character pair.
    "a check has too much before it": (
        "numbering.csv",
        {3: "SUB,running,15,ABC,date,gs1-check-pair"},
        [("numbering.csv", 3, "digits")],
        "23 characters, not 24",
    ),
    # ISO/IEC 16388 (Code 39): the value 38 is the blank.
    "a check may be a blank": (
        "numbering.csv",
        {3: "SUB,running,4,B,,code39-mod-43"},
        [("numbering.csv", 3, "check")],
        "blank",
    ),
    # 49 CFR 565.15: the check digit is the ninth of seventeen characters.
    "a check stands inside of the number": (
        "numbering.csv",
        {3: "SUB,running,12,WVWZ,,vin"},
        [("numbering.csv", 3, "check")],
        "at the end",
    ),
    "a random body is easy to guess": (
        "numbering.csv",
        {3: "SUB,random,3,B,,"},
        [("numbering.csv", 3, "digits")],
        "1,000,000",
    ),
    "packaging is bought, and traced by lot": (
        "parts.csv",
        {7: "CARTON,Carton,lot,no,no,S1,,,,,,,,yes,"},
        [
            ("parts.csv", 7, "made"),
            ("parts.csv", 7, "trace"),
            ("positions.csv", 8, "part"),
        ],
        "",
    ),
    "packaging is sold": (
        "parts.csv",
        {7: "CARTON,Carton,serial,yes,yes,,,,,,,,SSCC,yes,"},
        [("parts.csv", 7, "packaging"), ("parts.csv", 7, "part")],
        "",
    ),
    "packaging has a route": (
        "routes.csv",
        {7: "CARTON,10,P1,no,"},
        [("routes.csv", 7, "part")],
        "pack point",
    ),
    "packaging is filled elsewhere than at pack points": (
        "positions.csv",
        {8: "CARTON,UNIT,Unit,1,P1 A2 A9,,2026-01-01,,"},
        [("positions.csv", 8, "scan_points")] * 2,
        "pack points",
    ),
    "packaging is filled nowhere": (
        "positions.csv",
        {8: "CARTON,UNIT,Unit,1,,,2026-01-01,,"},
        [("positions.csv", 8, "scan_points")],
        "pack points",
    ),
    "packaging holds a module": (
        "alternates.csv",
        {8: "CARTON,UNIT,SUB,2026-01-01,"},
        [("alternates.csv", 8, "component")],
        "what is sold",
    ),
    "a module holds packaging": (
        "alternates.csv",
        {7: "CARTON,UNIT,MOTOR,2026-01-01,", 8: "SUB,MOTOR,CARTON,2026-01-01,"},
        [("alternates.csv", 8, "component")],
        "SUB is none",
    ),
    "a module has a packing bill": (
        "positions.csv",
        {6: "SUB,MOTOR,Motor,1,M1 P1,,2026-01-01,,yes"},
        [("positions.csv", 6, "packing")],
        "sold",
    ),
    "a packing bill is filled at no pack point": (
        "positions.csv",
        {7: "UNIT,MANUAL,Manual,1,A2 B2,,2026-01-01,,yes"},
        [("positions.csv", 7, "scan_points")],
        "pack point",
    ),
    "a position outside of the packing bill is filled at a pack point off the route": (
        "positions.csv",
        {7: "UNIT,MANUAL,Manual,1,P1,,2026-01-01,,no"},
        [("positions.csv", 7, "scan_points")],
        "route of UNIT",
    ),
    "a module has a rating plate": (
        "markings.csv",
        {3: "SUB,1,230 V ~ 50 Hz"},
        [("markings.csv", 3, "part")],
        "sold",
    ),
    "what is not a lot has a floor life": (
        *part("MOTOR,Motor,serial,no,no,S1,,09501101531000,,,,,,,72"),
        [("parts.csv", 4, "floor_life_hours")],
        "lot",
    ),
    "a unit has no route": (
        "routes.csv",
        {2: "", 3: "", 4: "", 5: ""},
        [
            ("parts.csv", 2, "part"),
            *(("positions.csv", line, "scan_points") for line in (2, 2, 3, 3, 4, 4)),
        ],
        "route",
    ),
    "a scan point stands twice on a route": (
        "routes.csv",
        {7: "SUB,20,M1,no,"},
        [("routes.csv", 7, "scan_point")],
        "line 6",
    ),
    "a rework point is on a route": (
        "routes.csv",
        {7: "SUB,20,A9,no,"},
        [("routes.csv", 7, "scan_point")],
        "rework",
    ),
    "a ship point is on a route": (
        "routes.csv",
        {7: "SUB,20,H1,no,"},
        [("routes.csv", 7, "scan_point")],
        "ship",
    ),
    "a position is filled off the route": (
        "positions.csv",
        {6: "SUB,MOTOR,Motor,1,M1 A1,,2026-01-01,,"},
        [("positions.csv", 6, "scan_points")],
        "route of SUB",
    ),
    "a traced position is filled nowhere but at rework": (
        "positions.csv",
        {6: "SUB,MOTOR,Motor,1,A9,,2026-01-01,,"},
        [("positions.csv", 6, "scan_points")],
        "route of SUB",
    ),
    "a position is filled on one of two parallel lines": (
        "positions.csv",
        {2: "UNIT,SUB,Subassembly,1,A1,SAFETY,2026-01-01,,"},
        [("positions.csv", 2, "scan_points")],
        "B1",
    ),
    "a plan measures nothing": (
        "test_plans.csv",
        {3: "NOISE,Noise,"},
        [("test_plans.csv", 3, "plan")],
        "characteristic",
    ),
    "a measured value has no unit": (
        "characteristics.csv",
        {2: "SAFETY,EARTH,Earth,numeric,,,0.2,"},
        [("characteristics.csv", 2, "unit")],
        "unit",
    ),
    "a measured value has no limit": (
        "characteristics.csv",
        {2: "SAFETY,EARTH,Earth,numeric,Ω,,,"},
        [("characteristics.csv", 2, "lower")],
        "limit",
    ),
    "limits are crossed": (
        "characteristics.csv",
        {2: "SAFETY,EARTH,Earth,numeric,Ω,0.3,0.2,"},
        [("characteristics.csv", 2, "upper")],
        "lower",
    ),
    "an attribute has a unit and limits": (
        "characteristics.csv",
        {3: "SAFETY,LABEL,Label,attribute,Ω,1,2,"},
        [("characteristics.csv", 3, column) for column in ("lower", "unit", "upper")],
        "attribute",
    ),
}


@pytest.mark.parametrize(("file", "changed", "at", "expected"), BETWEEN.values(), ids=BETWEEN.keys())
def test_what_does_not_hold_between_rows_is_reported_once(
    file: str, changed: dict[int, str], at: list[At], expected: str
) -> None:
    mistakes = mistakes_of(sound_but(file, changed))
    assert places(mistakes) == at
    assert all(expected in mistake.expected for mistake in mistakes)


LETTERS = "[0-9A-HJKMNP-TV-Z]"
"""Digits and letters of random bodies: without I, L, O and U (common practice)."""


@pytest.mark.parametrize(
    ("numbering", "before_check", "issued"),
    [
        ("UNIT,running,5,U,year-day,", "[0-9]{2}(?:[0-2][0-9]{2}|3[0-5][0-9]|36[0-5])[0-9]{5}", "U2836600001"),
        ("UNIT,running,5,U,date,", "[0-9]{2}(?:0[1-9]|1[0-2])(?:0[1-9]|1[0-9]|2[0-8]|3[01])[0-9]{5}", "U28022900001"),
        # ISO 8601: 1 January 2027 is a Friday, of the week 53 of 2026 (datetime.date.isocalendar says so, too).
        ("UNIT,running,5,U,year-week,", "[0-9]{2}(?:[0-4][0-9]|5[0-2])[0-9]{5}", "U265300001"),
        ("UNIT,random,5,U,,", "[0-9A-HJKMNP-TV-Y]{5}", "Z"),
    ],
)
def test_a_label_must_read_every_number_that_its_numbering_may_give(
    numbering: str, before_check: str, issued: str
) -> None:
    files = sound_but("numbering.csv", {2: f"{numbering}iso7064-mod-37-2"})
    digits = b"U[0-9]{5}(?P<check>"
    files["parts.csv"] = files["parts.csv"].replace(digits, f"U{before_check}(?P<check>".encode())
    (mistake,) = mistakes_of(files)
    assert (mistake.file, mistake.line, mistake.column) == ("parts.csv", 2, "label_pattern")
    assert issued in mistake.expected
    files["parts.csv"] = files["parts.csv"].replace(before_check.encode(), f"{LETTERS}+".encode())
    assert read_catalogue(files).numbering["UNIT"].scheme == "UNIT"


def test_parts_that_share_a_numbering_each_read_its_numbers() -> None:
    twin = b"TWIN,Twin,serial,yes,no,,,,,(?P<serial>[UV][0-9]{5}(?P<check>[0-9A-Z*])),iso7064-mod-37-2,,UNIT,,\n"
    files = {name: text.encode() for name, text in SOUND.items()}
    files["parts.csv"] += twin
    assert read_catalogue(files).numbered_by["UNIT"] == ("TWIN", "UNIT")
    files["parts.csv"] = files["parts.csv"].replace(b"[UV][0-9]", b"V[0-9]")
    assert places(mistakes_of(files)) == [("parts.csv", 8, "label_pattern")]


def test_a_prefix_that_does_not_fit_the_check_is_one_mistake_and_not_of_the_label() -> None:
    # The Luhn scheme (ISO/IEC 7812-1) works on digits.
    files = {name: text.replace("iso7064-mod-37-2", "luhn").encode() for name, text in SOUND.items()}
    assert places(mistakes_of(files)) == [("numbering.csv", 2, "prefix")]


FILES: dict[str, tuple[str, bytes | None, list[At]]] = {
    "missing": ("routes.csv", None, [("routes.csv", None, None)]),
    "empty": ("routes.csv", b"", [("routes.csv", 1, None)]),
    "not asked for": ("part.csv", b"part\n", [("part.csv", None, None)]),
    "in another encoding": (
        "suppliers.csv",
        "supplier,name\nS1,Müller\n".encode("latin-1"),
        [("suppliers.csv", 2, None)],
    ),
    "with semicolons": ("routes.csv", b"part;step;scan_point\nUNIT;10;A1\n", [("routes.csv", 1, None)]),
    "with an unknown column": ("test_plans.csv", b"plan,description,risk\n", [("test_plans.csv", 1, None)]),
    "without a needed column": ("test_plans.csv", b"plan,caution\n", [("test_plans.csv", 1, None)]),
    "with a column twice": ("test_plans.csv", b"plan,description,plan\n", [("test_plans.csv", 1, None)]),
    "with a short row": ("test_plans.csv", b"plan,description\nSAFETY\n", [("test_plans.csv", 2, None)]),
    "with a quote that does not end": (
        "test_plans.csv",
        b'plan,description\nSAFETY,"Electrical\nsafety\n',
        [("test_plans.csv", 2, None)],
    ),
}


@pytest.mark.parametrize(("file", "content", "at"), FILES.values(), ids=FILES.keys())
def test_a_file_that_cannot_be_read_is_one_mistake_and_what_refers_to_it_is_none(
    file: str, content: bytes | None, at: list[At]
) -> None:
    files = {name: text.encode() for name, text in SOUND.items() if name != file}
    assert places(mistakes_of(files if content is None else {**files, file: content})) == at


def test_all_mistakes_are_reported_at_once_and_none_that_only_follows_from_another() -> None:
    files = sound_but("parts.csv", {3: "SUB,Subassembly,serials,yes,no,,,,,,,,SUB,,"})
    files["scan_points.csv"] = files["scan_points.csv"].replace(b"B1,B,Assembly,build,2", b"B1,B,Assembly,build,two")
    files["alternates.csv"] = files["alternates.csv"].replace(b"MOTOR,MOTOR,2026-01-01", b"MOTOR,MOTOR,2026-1-1")
    files["characteristics.csv"] = files["characteristics.csv"].replace(
        b"EARTH,Earth continuity,numeric", b"EARTH,Earth continuity,number"
    )
    files["characteristics.csv"] = files["characteristics.csv"].replace(b"attribute", b"good/bad")
    files["suppliers.csv"] += b"S1,First again\n"
    files["numbering.csv"] = files["numbering.csv"].replace(b"SSCC,running,9", b"SSCC,running,0")
    files["parts.csv"] = files["parts.csv"].replace(b"SSCC,yes,", b"SSCC,a box,")
    assert places(mistakes_of(files)) == [
        ("suppliers.csv", 4, None),
        ("numbering.csv", 4, "digits"),
        ("parts.csv", 3, "trace"),
        ("parts.csv", 7, "packaging"),
        ("scan_points.csv", 3, "changeover_slack"),
        ("alternates.csv", 5, "effective_from"),
        ("characteristics.csv", 2, "kind"),
        ("characteristics.csv", 3, "kind"),
    ]


def test_lines_are_counted_as_an_editor_shows_them() -> None:
    """RFC 4180, section 2: rules 6 and 7 give these two quoted forms."""
    files = {name: text.encode() for name, text in SOUND.items()}
    files["suppliers.csv"] = b'supplier,name\r\n\r\nS1,"b\r\nbb"\r\nS2,"b""bb"\r\n,\r\nS 3,ccc'
    assert [(at.line, at.column, at.found) for at in mistakes_of(files)] == [
        (3, "name", r"'b\r\nbb'"),
        (7, "supplier", "'S 3'"),
    ]
    files["suppliers.csv"] = b'supplier,name\r\n\r\nS1,"b, bb"\r\nS2,"b""bb"\r\n,\r\n'
    assert [supplier.name for supplier in read_catalogue(files).suppliers] == ["b, bb", 'b"bb']


def test_a_mistake_reads_as_a_sentence(tmp_path: Path) -> None:
    for name, content in sound_but("scan_points.csv", {4: "A2,A,Test,tests,"}).items():
        (tmp_path / name).write_bytes(content)
    with pytest.raises(CatalogueMistakes) as caught:
        read_catalogue_folder(tmp_path)
    assert str(caught.value) == (
        "scan_points.csv, line 4, column kind: found 'tests'; expected one of build, test, rework, store, pack, ship"
    )


def test_a_folder_that_is_not_there_is_named() -> None:
    with pytest.raises(FileNotFoundError, match="no-such-folder"):
        read_catalogue_folder(Path("no-such-folder"))


# ------------------------------------------------------------------------------------------------------------
# What is written is what is read


@settings(max_examples=60, deadline=None)
@given(catalogues())
def test_a_catalogue_written_and_read_is_the_same(
    tmp_path_factory: pytest.TempPathFactory, catalogue: Catalogue
) -> None:
    folder, again = tmp_path_factory.mktemp("first"), tmp_path_factory.mktemp("again")
    write_catalogue_folder(catalogue, folder)
    read = read_catalogue_folder(folder)
    assert read == catalogue
    write_catalogue_folder(read, again)
    for path in folder.iterdir():
        assert path.read_bytes() == (again / path.name).read_bytes()


@settings(max_examples=40, deadline=None)
@given(catalogues(), st.randoms(use_true_random=False))
def test_order_of_columns_and_rows_byte_order_mark_and_line_ends_do_not_matter(
    catalogue: Catalogue, shuffle: random.Random
) -> None:
    files = {}
    for kind in KINDS.values():
        rows = list(rows_of(catalogue, kind))
        shuffle.shuffle(rows)
        table = [list(kind.columns), *([*row_cells(row).values()] for row in rows)]
        order = shuffle.sample(range(len(table[0])), len(table[0]))
        text = "\r\n".join(",".join(quoted(cells[place]) for place in order) for cells in table)
        files[kind.file] = b"\xef\xbb\xbf" + text.encode()
    assert read_catalogue(files) == catalogue


def quoted(cell: str) -> str:
    """A quoted cell (RFC 4180)."""
    return '"' + cell.replace('"', '""') + '"'


def test_optional_columns_may_be_left_out() -> None:
    files = {name: text.encode() for name, text in SOUND.items()}
    whole = read_catalogue(files)
    files["test_plans.csv"] = b"plan,description\nSAFETY,Electrical safety\n"
    files["scan_points.csv"] = b"kind,line,scan_point,description\n" + b"".join(
        f"{row.kind},{row.line},{row.scan_point},{row.description}\n".encode() for row in whole.scan_points
    )
    less = read_catalogue(files)
    assert less.test_plan["SAFETY"].caution is None
    assert {point.changeover_slack for point in less.scan_points} == {0}
    assert changes_between(whole, less).changed[-1].new == TestPlan("SAFETY", "Electrical safety")


@settings(max_examples=60, deadline=None)
@given(catalogues())
def test_every_row_survives_the_journal(catalogue: Catalogue) -> None:
    for name, kind in KINDS.items():
        for row in rows_of(catalogue, kind):
            assert row_of_json(name, json.loads(canonical(row_as_json(row)))) == row


few = st.sampled_from(["A", "B", "C"])
small_rows = st.lists(
    st.builds(Supplier, few, few)
    | st.builds(TestPlan, few, few, st.none() | few)
    | st.builds(Alternate, few, few, few, st.just(date(2026, 1, 1)), st.none() | days),
    unique_by=lambda row: (type(row), row_key(row)),
)


@given(small_rows, small_rows)
def test_changes_are_exactly_what_makes_one_catalogue_the_other(
    old: list[CatalogueRow], new: list[CatalogueRow]
) -> None:
    changes = changes_between(catalogue_of(old, revision=1), catalogue_of(new, revision=2))
    gone = {*changes.removed, *(row.old for row in changes.changed)}
    come = {*changes.added, *(row.new for row in changes.changed)}
    assert gone == set(old) - set(new)
    assert come == set(new) - set(old)
    assert all(row_key(row.old) == row_key(row.new) for row in changes.changed)
    assert not {(type(row), row_key(row)) for row in changes.removed} & {
        (type(row), row_key(row)) for row in changes.added
    }
    assert bool(changes) == (set(old) != set(new))
    assert changes_of_json(json.loads(canonical(changes_as_json(changes)))) == changes


def old_part(code: str, **members: object) -> dict[str, object]:
    """A part as journals have it from before parts named a numbering."""
    row = {"part": code, "description": code, "trace": "serial", "made": True, "sold": False, "receipts": False}
    return {"kind": "part", "row": {**row, **members}}


def test_a_part_journalled_with_numbers_of_its_own_becomes_one_with_a_numbering() -> None:
    numbers = {"serial_prefix": "D", "serial_digits": 4}
    changes = changes_of_json(
        {
            "added": [old_part("NEW", **numbers, label_check="damm"), old_part("PLAIN", cpid="9501101NEW")],
            "changed": [
                {"old": old_part("LONGER", **numbers), "new": old_part("LONGER", **{**numbers, "serial_digits": 5})},
                {"old": old_part("SOLD", **numbers), "new": old_part("SOLD", **numbers, sold=True)},
                {"old": old_part("BEGUN", cpid="9501101B"), "new": old_part("BEGUN", cpid="9501101B", **numbers)},
                {"old": old_part("ENDED", cpid="9501101E", **numbers), "new": old_part("ENDED", cpid="9501101E")},
            ],
            "removed": [old_part("GONE", **numbers)],
        }
    )

    def numbering(scheme: str, digits: int = 4, check: str | None = None) -> Numbering:
        return Numbering(scheme, "running", digits, "D", check=check)

    def made(code: str, numbering: str | None, *, sold: bool = False, **members: str) -> Part:
        return Part(code, code, "serial", made=True, sold=sold, numbering=numbering, **members)  # type: ignore[arg-type]

    assert set(changes.added) == {
        *(
            numbering("NEW", check="damm"),
            made("NEW", "NEW", label_check="damm"),
            made("PLAIN", None, cpid="9501101NEW"),
        ),
        numbering("BEGUN"),
    }
    assert {(change.old, change.new) for change in changes.changed} == {
        (numbering("LONGER"), numbering("LONGER", digits=5)),
        (made("SOLD", "SOLD"), made("SOLD", "SOLD", sold=True)),
        (made("BEGUN", None, cpid="9501101B"), made("BEGUN", "BEGUN", cpid="9501101B")),
        (made("ENDED", "ENDED", cpid="9501101E"), made("ENDED", None, cpid="9501101E")),
    }
    assert set(changes.removed) == {numbering("ENDED"), numbering("GONE"), made("GONE", "GONE")}


# ------------------------------------------------------------------------------------------------------------
# The demo plant


@cache
def demo() -> Catalogue:
    """The catalogue of the demo plant."""
    return read_catalogue_folder(DEMO)


def test_the_demo_catalogue_is_sound_and_stands_as_it_would_be_written() -> None:
    catalogue = demo()
    for kind in KINDS.values():
        assert (DEMO / kind.file).read_bytes() == write_sheet(kind, rows_of(catalogue, kind))


def levels_of(catalogue: Catalogue, part: str, day: date) -> int:
    """Levels of assembly: 1 for a part that holds nothing."""
    components = {component for of in catalogue.bill(part, day).allowed.values() for component in of}
    return 1 + max((levels_of(catalogue, component, day) for component in components), default=0)


@pytest.mark.parametrize("day", [date(2026, 1, 1), date(2026, 11, 25), date(2040, 2, 29)])
def test_the_demo_plant_builds_its_units_in_three_levels_on_any_day(day: date) -> None:
    catalogue = demo()
    units = [part.part for part in catalogue.parts if part.sold]
    assert [levels_of(catalogue, unit, day) for unit in units] == [3, 3]
    assert all(catalogue.bill(unit, day).allowed.values() for unit in units)
    packaging = {part.part: levels_of(catalogue, part.part, day) for part in catalogue.parts if part.packaging}
    assert packaging == {"CTN-8": 4, "CTN-9": 4, "PAL-4": 5}


def test_cartons_and_pallets_of_the_demo_plant_have_serial_shipping_container_codes() -> None:
    # Oracle: biip. Source, from memory: 952 is GS1's prefix for demonstrations and examples.
    catalogue = demo()
    for part in (part for part in catalogue.parts if part.packaging):
        numbering = catalogue.numbering[part.numbering or ""]
        for running in (1, 2, capacity(numbering)):
            code = number(numbering, period(numbering, date(2026, 3, 2)), running_body(numbering, running))
            sscc = Sscc.parse(code)
            assert sscc.prefix is not None
            assert (sscc.prefix.value, len(code)) == ("952", 18)


def test_the_rating_plates_of_the_demo_plant_say_what_its_tests_allow() -> None:
    catalogue = demo()
    assert catalogue.marking.keys() == {part.part for part in catalogue.parts if part.sold}
    charge, power = catalogue.measured["TIGHTNESS"]["CHARGE"], catalogue.measured["FUNCTION"]["POWER"]
    for lines in catalogue.marking.values():
        plate = "\n".join(line.text for line in lines)
        (kilograms,) = re.findall(r"R290 .*?([0-9.]+) kg", plate)
        (watts,) = re.findall(r"Rated power ([0-9]+) W", plate)
        assert (charge.lower or 0) <= 1000 * float(kilograms) <= (charge.upper or 0)
        assert (power.upper or 0) <= float(watts)


def test_every_test_of_the_demo_plant_is_run_on_an_instrument_of_its_catalogue() -> None:
    tests = json.loads((DEMO.parent / "shift.json").read_text())["tests"].values()
    used = {(instrument, plan) for of_point in tests for plan, instrument in of_point.items()}
    catalogue = demo()
    assert catalogue.instrument.keys() == {instrument for instrument, _ in used}
    for instrument, plan in used:
        measures = any(one.kind == "numeric" for one in catalogue.measured[plan].values())
        assert catalogue.instrument[instrument].calibrated == measures


@settings(max_examples=150, deadline=None)
@given(st.data())
def test_every_plain_label_of_the_demo_plant_names_one_part(data: st.DataObject) -> None:
    parts = demo().parts
    part = data.draw(st.sampled_from([part for part in parts if part.label_pattern is not None]))
    text = data.draw(st.from_regex(str(part.label_pattern), fullmatch=True, alphabet=st.characters(codec="ascii")))
    if part.label_check is not None:
        body = text[: -SCHEMES[part.label_check].length]
        text = body + SCHEMES[part.label_check].compute(body)
        assume(re.fullmatch(str(part.label_pattern), text))
    if part.part == "LF-140":
        text = f"{text[:-6]}260302"
    (named,) = name_item(read_scan(text), Labels(parts), today=date(2026, 3, 2))
    assert named.part == part.part
