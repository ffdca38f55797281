"""The rows of the catalogue as they are written: columns, cells of CSV files, and JSON in the journal.

One description of each kind of row serves reading, writing, checking references and the journal.
"""

from __future__ import annotations

import math
import re
import unicodedata
from collections.abc import Callable, Iterable, Mapping
from dataclasses import MISSING, dataclass, fields
from datetime import date
from functools import cached_property
from typing import Any

from partkin.rules.catalogue import (
    Alternate,
    Catalogue,
    CatalogueRow,
    Characteristic,
    Consignee,
    Instrument,
    Marking,
    Numbering,
    Part,
    Position,
    RouteStep,
    ScanPoint,
    Supplier,
    TestPlan,
)
from partkin.rules.check_characters import SCHEMES

MOST_TEXT = 1000
MOST_CODE = 40

Value = str | int | float | date | tuple[str, ...] | None
RowKey = tuple[str, ...]
"""What tells a row from the others of its kind, as written in the files."""

# ------------------------------------------------------------------------------------------------------------
# Cells


def _same(value: Any) -> Any:
    return value


@dataclass(frozen=True, slots=True)
class Form:
    """How one kind of value is written. `read` raises ValueError, saying what was expected."""

    read: Callable[[str], Value]
    write: Callable[[Any], str] = str
    to_json: Callable[[Any], Any] = _same
    of_json: Callable[[Any], Any] = _same


def _read_code(text: str) -> str:
    if not re.fullmatch(f"[!-~]{{1,{MOST_CODE}}}", text):
        raise ValueError(f"a code of 1 to {MOST_CODE} printable ASCII characters without spaces")
    return text


def _read_codes(text: str) -> tuple[str, ...]:
    codes = text.split(" ") if text else []
    try:
        for code in codes:
            _read_code(code)
    except ValueError:
        raise ValueError("codes with one space between them, or nothing") from None
    if len(set(codes)) != len(codes):
        raise ValueError("each code once")
    return tuple(codes)


def _read_text(text: str) -> str:
    if not text or len(text) > MOST_TEXT or text != text.strip():
        raise ValueError(f"text of 1 to {MOST_TEXT} characters without blanks at its ends")
    for place, character in enumerate(text, start=1):
        # No-break spaces are not "printable" to Python, but belong between a number and its unit.
        if not character.isprintable() and unicodedata.category(character) != "Zs":
            raise ValueError(f"printable text on one line; character {place} is U+{ord(character):04X}")
    return text


def _read_yes_no(text: str) -> bool:
    if text not in ("yes", "no"):
        raise ValueError("yes or no")
    return text == "yes"


def _write_yes_no(value: bool) -> str:
    return "yes" if value else "no"


def _read_day(text: str) -> date:
    try:
        if not re.fullmatch("[0-9]{4}-[0-9]{2}-[0-9]{2}", text):
            raise ValueError
        return date.fromisoformat(text)
    except ValueError:
        raise ValueError("a day as year-month-day, such as 2026-03-31") from None


def _read_number(text: str) -> float:
    number = float(text) if re.fullmatch(r"[+-]?[0-9]+(\.[0-9]+)?([eE][+-]?[0-9]+)?", text) else math.inf
    if not math.isfinite(number):
        raise ValueError("a number with a decimal point, such as 0.2")
    return number


def _write_number(value: float) -> str:
    return repr(value).removesuffix(".0")


def _read_pattern(text: str) -> str:
    _read_text(text)
    try:
        re.compile(text)
    except re.error as error:
        raise ValueError(f"a regular expression; this one is none: {error}") from None
    return text


def _read_gtin(text: str) -> str:
    if not re.fullmatch("[0-9]{14}", text):
        raise ValueError("14 digits; a shorter GTIN is filled with zeros on its left")
    right = SCHEMES["gs1-mod-10"].compute(text[:-1])
    if text[-1] != right:
        raise ValueError(f"a GTIN with the right check digit, which is {right} after {text[:-1]}")
    return text


def _read_cpid(text: str) -> str:
    if not re.fullmatch("[0-9]{4}[#/0-9A-Z-]{1,26}", text):
        raise ValueError("up to 30 characters # - / 0-9 A-Z, a GS1 company prefix first")
    return text


def _whole(least: int, most: int) -> Form:
    def read(text: str) -> int:
        if not re.fullmatch("[0-9]{1,9}", text) or not least <= int(text) <= most:
            raise ValueError(f"a whole number from {least} to {most}")
        return int(text)

    return Form(read)


def _one_of(*choices: str) -> Form:
    def read(text: str) -> str:
        if text not in choices:
            raise ValueError(f"one of {', '.join(choices)}")
        return text

    return Form(read)


CODE = Form(_read_code)
CODES = Form(_read_codes, " ".join, list, tuple)
TEXT = Form(_read_text)
YES_NO = Form(_read_yes_no, _write_yes_no)
DAY = Form(_read_day, date.isoformat, date.isoformat, date.fromisoformat)
NUMBER = Form(_read_number, _write_number, of_json=float)

# ------------------------------------------------------------------------------------------------------------
# Columns and kinds


@dataclass(frozen=True, slots=True)
class Column:
    """A column of a file, and the field of the same name."""

    name: str
    form: Form
    needed: bool
    """The file must have it. One that is not needed may be left out, or its cells be empty."""
    default: Value

    def value(self, cell: str) -> Value:
        """What a cell says. Raises ValueError, saying what was expected."""
        return self.default if not cell and not self.needed else self.form.read(cell)

    def cell(self, value: Value) -> str:
        """The cell that says a value."""
        return "" if value is None else self.form.write(value)


@dataclass(frozen=True)
class Kind:
    """One kind of row."""

    name: str
    """Its name in the journal, and of its table."""
    member: str
    """Its field of Catalogue."""
    file: str
    row: type[CatalogueRow]
    key: tuple[str, ...]
    """The columns that tell one row from another."""
    forms: Mapping[str, Form]
    refers: Mapping[str, str]
    """Columns that name rows of another kind, and that kind."""

    @cached_property
    def columns(self) -> Mapping[str, Column]:
        """By name, in the order of the fields."""
        return {
            field.name: Column(
                field.name,
                self.forms[field.name],
                needed=field.default is MISSING,
                default=None if field.default is MISSING else field.default,
            )
            for field in fields(self.row)
        }


_EFFECTIVE = {"effective_from": DAY, "effective_to": DAY}

KINDS: Mapping[str, Kind] = {
    kind.name: kind
    for kind in (
        Kind(
            "supplier",
            "suppliers",
            "suppliers.csv",
            Supplier,
            ("supplier",),
            {"supplier": CODE, "name": TEXT},
            {},
        ),
        Kind(
            "numbering",
            "numberings",
            "numbering.csv",
            Numbering,
            ("scheme",),
            {
                "scheme": CODE,
                "body": _one_of("running", "random"),
                "digits": _whole(1, 15),
                "prefix": CODE,
                "date": _one_of("year", "year-month", "year-week", "year-day", "date"),
                "check": _one_of(*SCHEMES),
            },
            {},
        ),
        Kind(
            "part",
            "parts",
            "parts.csv",
            Part,
            ("part",),
            {
                "part": CODE,
                "description": TEXT,
                "trace": _one_of("serial", "lot", "none"),
                "made": YES_NO,
                "sold": YES_NO,
                "supplier": CODE,
                "supplier_part": CODE,
                "gtin": Form(_read_gtin),
                "cpid": Form(_read_cpid),
                "label_pattern": Form(_read_pattern),
                "label_check": _one_of(*SCHEMES),
                "receipts": YES_NO,
                "numbering": CODE,
                "packaging": YES_NO,
                "floor_life_hours": _whole(1, 99_999),
            },
            {"supplier": "supplier", "numbering": "numbering"},
        ),
        Kind(
            "scan_point",
            "scan_points",
            "scan_points.csv",
            ScanPoint,
            ("scan_point",),
            {
                "scan_point": CODE,
                "line": CODE,
                "description": TEXT,
                "kind": _one_of("build", "test", "rework", "store", "pack", "ship"),
                "changeover_slack": _whole(0, 1000),
                "warn_below": _whole(0, 1_000_000),
            },
            {},
        ),
        Kind(
            "position",
            "positions",
            "positions.csv",
            Position,
            ("part", "position", "effective_from"),
            {
                "part": CODE,
                "position": CODE,
                "description": TEXT,
                "quantity": _whole(1, 1000),
                "scan_points": CODES,
                "makes_stale": CODES,
                **_EFFECTIVE,
                "packing": YES_NO,
            },
            {"part": "part", "scan_points": "scan_point", "makes_stale": "test_plan"},
        ),
        Kind(
            "alternate",
            "alternates",
            "alternates.csv",
            Alternate,
            ("part", "position", "component", "effective_from"),
            {"part": CODE, "position": CODE, "component": CODE, **_EFFECTIVE},
            {"part": "part", "component": "part"},
        ),
        Kind(
            "route_step",
            "route_steps",
            "routes.csv",
            RouteStep,
            ("part", "step", "scan_point"),
            {
                "part": CODE,
                "step": _whole(0, 99_999),
                "scan_point": CODE,
                "needs_complete": YES_NO,
                "needs_tests": CODES,
            },
            {"part": "part", "scan_point": "scan_point", "needs_tests": "test_plan"},
        ),
        Kind(
            "test_plan",
            "test_plans",
            "test_plans.csv",
            TestPlan,
            ("plan",),
            {"plan": CODE, "description": TEXT, "caution": TEXT, "revision": CODE, "retests": _whole(0, 99)},
            {},
        ),
        Kind(
            "characteristic",
            "characteristics",
            "characteristics.csv",
            Characteristic,
            ("plan", "characteristic"),
            {
                "plan": CODE,
                "characteristic": CODE,
                "description": TEXT,
                "kind": _one_of("numeric", "attribute"),
                "unit": TEXT,
                "lower": NUMBER,
                "upper": NUMBER,
                "source": TEXT,
            },
            {"plan": "test_plan"},
        ),
        Kind(
            "instrument",
            "instruments",
            "instruments.csv",
            Instrument,
            ("instrument",),
            {"instrument": CODE, "description": TEXT, "calibrated": YES_NO},
            {},
        ),
        Kind(
            "consignee",
            "consignees",
            "consignees.csv",
            Consignee,
            ("consignee",),
            {"consignee": CODE, "name": TEXT},
            {},
        ),
        Kind(
            "marking",
            "markings",
            "markings.csv",
            Marking,
            ("part", "line"),
            {"part": CODE, "line": _whole(1, 99), "text": TEXT},
            {"part": "part"},
        ),
    )
}
"""By name; each after the kinds whose rows it needs."""

_KIND_OF = {kind.row: kind for kind in KINDS.values()}


def kind_of(row: CatalogueRow) -> Kind:
    """The kind of a row."""
    return _KIND_OF[type(row)]


def row_cells(row: CatalogueRow) -> dict[str, str]:
    """A row as cells by column name."""
    return {name: column.cell(getattr(row, name)) for name, column in kind_of(row).columns.items()}


def row_key(row: CatalogueRow) -> RowKey:
    """The cells that tell a row from the others of its kind."""
    kind = kind_of(row)
    return tuple(kind.columns[name].cell(getattr(row, name)) for name in kind.key)


def row_as_json(row: CatalogueRow) -> dict[str, Any]:
    """A row as JSON; what it does not have is left out."""
    values = {name: (column, getattr(row, name)) for name, column in kind_of(row).columns.items()}
    return {name: column.form.to_json(value) for name, (column, value) in values.items() if value is not None}


def row_of_json(kind: str, value: Mapping[str, Any]) -> CatalogueRow:
    """The row that `row_as_json` wrote."""
    columns = KINDS[kind].columns
    return KINDS[kind].row(**{name: columns[name].form.of_json(part) for name, part in value.items()})


def rows_of(catalogue: Catalogue, kind: Kind) -> tuple[CatalogueRow, ...]:
    """All rows of one kind."""
    rows: tuple[CatalogueRow, ...] = getattr(catalogue, kind.member)
    return rows


def catalogue_of(rows: Iterable[CatalogueRow], revision: int = 0) -> Catalogue:
    """The catalogue of these rows, in the order of their keys."""
    members: dict[str, list[CatalogueRow]] = {kind.member: [] for kind in KINDS.values()}
    for row in rows:
        members[kind_of(row).member].append(row)
    return Catalogue(
        revision=revision,
        **{member: tuple(sorted(of_kind, key=_in_order)) for member, of_kind in members.items()},  # type: ignore[arg-type]
    )


def _in_order(row: CatalogueRow) -> tuple[Any, ...]:
    return tuple(getattr(row, name) for name in kind_of(row).key)
