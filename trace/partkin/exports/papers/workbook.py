"""The case as a workbook for whoever reckons on with it: one table a sheet, as XLSX."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime
from io import BytesIO

from xlsxwriter import Workbook  # type: ignore[import-untyped]
from xlsxwriter.format import Format  # type: ignore[import-untyped]
from xlsxwriter.worksheet import Worksheet  # type: ignore[import-untyped]

from partkin.exports.papers.model import CaseReport

# Excel specifications and limits, support.microsoft.com: rows of a sheet, characters of a cell.
MOST_ROWS = 1_048_576
_MOST_CHARACTERS = 32_767

_CAUTIONS = (
    "A list is no decision: the plant's procedure, local law and the deadlines of the authorities decide.",
    "Electrical work and work on flammable refrigerant are for qualified persons only.",
    "The bound of a sorting says what was seen; it does not say that the rest is safe.",
)

_Value = str | float | date | None
_Rows = Iterable[Sequence[_Value]]
_OPTIONS = {
    "constant_memory": True,
    "strings_to_formulas": False,
    "strings_to_urls": False,
    "strings_to_numbers": False,
}


@dataclass(frozen=True, slots=True)
class _Sheet:
    name: str
    columns: Mapping[str, int]
    """Heading to width, in characters."""
    rows: Callable[[CaseReport], _Rows]


def case_workbook(report: CaseReport) -> bytes:
    """The case as an XLSX file; the same report gives the same bytes. Moments are in UTC, serial numbers are texts.

    Raises ValueError where a sheet would have more than 1,048,575 rows.
    """
    file = BytesIO()
    workbook = Workbook(file, _OPTIONS)
    made_at = report.made_at.astimezone(UTC).replace(tzinfo=None)
    workbook.set_properties(
        {"title": f"Containment case {report.head.case}", "author": report.plant.name, "created": made_at}
    )
    formats = _Formats(workbook)
    for sheet in _SHEETS:
        _write(workbook.add_worksheet(sheet.name), sheet, report, formats)
    workbook.close()
    return file.getvalue()


class _Formats:
    def __init__(self, workbook: Workbook) -> None:
        self.heading: Format = workbook.add_format({"bold": True, "bottom": 1, "text_wrap": True, "valign": "top"})
        self.text: Format = workbook.add_format({"num_format": "@"})
        self.day: Format = workbook.add_format({"num_format": "yyyy-mm-dd", "align": "left"})
        self.moment: Format = workbook.add_format({"num_format": "yyyy-mm-dd hh:mm:ss", "align": "left"})


def _write(page: Worksheet, sheet: _Sheet, report: CaseReport, formats: _Formats) -> None:
    last = 0
    for column, (heading, width) in enumerate(sheet.columns.items()):
        page.write_string(0, column, heading, formats.heading)
        page.set_column(column, column, width)
    for last, row in enumerate(sheet.rows(report), 1):
        if last == MOST_ROWS:
            raise ValueError(f"The sheet {sheet.name} has room for {MOST_ROWS - 1:,} rows: ask for the list as CSV.")
        for column, value in enumerate(row):
            _write_cell(page, last, column, value, formats)
    page.freeze_panes(1, 0)
    page.autofilter(0, 0, last, len(sheet.columns) - 1)


def _write_cell(page: Worksheet, row: int, column: int, value: _Value, formats: _Formats) -> None:
    match value:
        case None | "":
            return
        case str():
            page.write_string(row, column, value[:_MOST_CHARACTERS], formats.text)
        case datetime():
            page.write_datetime(row, column, value.astimezone(UTC).replace(tzinfo=None), formats.moment)
        case date():
            page.write_datetime(row, column, value, formats.day)
        case _:
            page.write_number(row, column, value)


# ------------------------------------------------------------------------------------------------------------
# The sheets
# ------------------------------------------------------------------------------------------------------------


def _summary(report: CaseReport) -> Iterator[Sequence[_Value]]:
    head = report.head
    yield from (
        ("Plant", report.plant.name),
        ("Case", head.case),
        ("Title", head.title),
        ("Status", head.status),
        ("What may happen", head.hazard),
        ("What is to be done", head.action),
        ("Opened (UTC)", head.opened_at),
        ("Revision of the list", head.revision),
        ("List frozen (UTC)", head.frozen_at),
        ("Seal of the journal", head.seal),
        ("SHA-256 of the list", head.list_sha256),
        ("Made (UTC)", report.made_at),
        ("Effectiveness level", report.effectiveness_level),
    )
    yield from (("What is suspected", line) for line in head.suspected)
    for state, counts in report.counts.items():
        yield from ((f"Units {state}, {certainty}", number) for certainty, number in counts.items())
    yield from (("Caution", caution) for caution in _CAUTIONS)


def _units(report: CaseReport) -> _Rows:
    for unit in report.units:
        yield (
            unit.part, unit.description, unit.serial, unit.certainty, unit.state, unit.made_on, unit.consignee,
            unit.shipment, unit.delivery_note, unit.despatched_on, unit.decision,
        )  # fmt: skip


def _balance(report: CaseReport) -> _Rows:
    for balance in report.balances:
        for line in balance.lines:
            yield balance.part, balance.lot, balance.counted_at, line.name, line.pieces, line.per_cent


def _sorting(report: CaseReport) -> _Rows:
    for one in report.sortings:
        yield (
            one.sorting, one.rule, one.confidence, one.fraction, one.population, one.drawn, one.seed, one.inspected,
            one.bad, one.upper_bound, one.conclusion,
        )  # fmt: skip


def _notices(report: CaseReport) -> _Rows:
    for one in report.notices:
        yield (
            one.consignee, one.name, one.units, one.sent_on, one.answered_on, one.on_hand, one.corrected,
            "yes" if one.chosen else "no", one.checked,
        )  # fmt: skip


def _ranges(report: CaseReport) -> _Rows:
    for model in report.models:
        for one in model.ranges:
            yield one.part, model.description, model.gtin, one.first, one.last, one.units


_SHEETS = (
    _Sheet("Summary", {"What": 28, "Value": 90}, _summary),
    _Sheet(
        "Units",
        {
            "Part number": 16, "Description": 32, "Serial number": 22, "Certainty": 11, "State": 12,
            "Started on (UTC)": 17, "Consignee": 14, "Shipment": 14, "Delivery note": 16, "Despatched on (UTC)": 20,
            "Decision": 18,
        },
        _units,
    ),
    _Sheet("Added", {"Item": 34, "Why": 80}, lambda report: report.added),
    _Sheet(
        "Balance",
        {"Part number": 16, "Lot": 20, "Stock counted (UTC)": 20, "Pieces": 34, "Number": 12, "% of received": 14},
        _balance,
    ),
    _Sheet(
        "Sorting",
        {
            "Sorting": 16, "Rule": 18, "Confidence": 12, "Bad fraction": 13, "Population": 12, "To inspect": 12,
            "Seed": 30, "Inspected": 12, "Bad": 8, "Upper bound": 13, "Conclusion": 80,
        },
        _sorting,
    ),
    _Sheet(
        "Notices",
        {
            "Consignee": 14, "Name": 36, "Units": 10, "Sent on (UTC)": 15, "Answered on (UTC)": 18, "On hand": 10,
            "Corrected": 11, "To be checked": 15, "Check": 40,
        },
        _notices,
    ),
    _Sheet(
        "Ranges",
        {
            "Part number": 16, "Description": 32, "GTIN": 16, "First serial number": 22, "Last serial number": 22,
            "Units": 10,
        },
        _ranges,
    ),
    _Sheet(
        "Use",
        {"Part number": 16, "Lot": 20, "Where": 40, "Since (UTC)": 20, "Until (UTC)": 20},
        lambda report: ((use.part, use.lot, use.where, use.since, use.until) for use in report.uses),
    ),
    _Sheet(
        "Journal",
        {"At (UTC)": 20, "By": 20, "Entry": 10, "What": 100},
        lambda report: ((event.at, event.by, event.entry, event.words) for event in report.events),
    ),
)  # fmt: skip
