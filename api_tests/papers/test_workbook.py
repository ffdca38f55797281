"""The workbook of a case, read back with openpyxl: values as they are, of the right kind, nothing that reckons."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime
from io import BytesIO
from typing import Any
from zipfile import ZipFile

import pytest
from openpyxl import load_workbook
from openpyxl.utils.escape import unescape

from api_tests.papers.invented_case import EVENTS, MODEL, NOTICES, SORTING, START, USES, empty_report, report, units
from partkin.exports.papers.model import CaseReport
from partkin.exports.papers.workbook import case_workbook

SHEETS = ["Summary", "Units", "Added", "Balance", "Sorting", "Notices", "Ranges", "Use", "Journal"]


def _opened(of: CaseReport) -> Any:
    return load_workbook(BytesIO(case_workbook(of)))


def _rows(of: CaseReport, sheet: str) -> list[tuple[Any, ...]]:
    return [tuple(row) for row in _opened(of)[sheet].iter_rows(min_row=2, values_only=True)]


def _naive(moment: datetime) -> datetime:
    return moment.astimezone(UTC).replace(tzinfo=None)


def _midnight(day: date | None) -> datetime | None:
    return None if day is None else datetime(day.year, day.month, day.day)


def test_every_sheet_has_a_head_that_stays_and_filters() -> None:
    book = _opened(report(units(7)))
    assert book.sheetnames == SHEETS
    for page in book:
        assert page.freeze_panes == "A2"
        assert page.auto_filter.ref == page.dimensions
        assert all(cell.font.bold and cell.value for cell in page[1])
        assert all(page.column_dimensions[cell.column_letter].width >= 8 for cell in page[1])


def test_units_are_as_listed() -> None:
    listed = units(40)
    assert _rows(report(listed), "Units") == [
        (
            unit.part, unit.description, unit.serial, unit.certainty, unit.state, _midnight(unit.made_on),
            unit.consignee, unit.shipment, unit.delivery_note, _midnight(unit.despatched_on), unit.decision,
        )
        for unit in listed
    ]  # fmt: skip


def test_the_other_sheets_are_as_known() -> None:
    of = report(units(3))
    (one,) = MODEL.ranges
    assert _rows(of, "Added") == list(of.added)
    assert _rows(of, "Ranges") == [(one.part, MODEL.description, "09520123456788", one.first, one.last, 349)]
    assert _rows(of, "Use") == [
        (use.part, use.lot, use.where, _naive(use.since), use.until and _naive(use.until)) for use in USES
    ]
    assert _rows(of, "Journal") == [(_naive(event.at), event.by, event.entry, event.words) for event in EVENTS]
    assert [row[2:] for row in _rows(of, "Balance")][-1] == (datetime(2026, 3, 4, 18), "unaccounted", 5, 0.1)
    assert _rows(of, "Sorting")[0][4:10] == (1000, 258, SORTING.seed, 258, 0, 0.0099)
    assert [row[0] for row in _rows(of, "Notices")] == [notice.consignee for notice in NOTICES]
    summary = dict(_rows(of, "Summary"))
    assert summary["Opened (UTC)"] == datetime(2026, 3, 4, 8)
    assert summary["Units shipped, certain"] == 150
    assert summary["SHA-256 of the list"] == "9f" * 32


@pytest.mark.parametrize(
    "text",
    [
        "=1+1", "+1", "-1", "@SUM(A1)", "{=1}", "=HYPERLINK(\"http://a.example\")", "http://a.example",
        "mailto:a@a.example", "00012", "1e5", "2026-03-02", "TRUE", "#N/A", "_x0041_", "\x07bell",
        " \tblanks\n", "é — 電 😀",
    ],
)  # fmt: skip
def test_a_text_stays_the_text_that_it_is(text: str) -> None:
    poisoned = [replace(unit, serial=text, description=text, consignee=text) for unit in units(2)]
    page = _opened(replace(report(poisoned), added=((text, text),)))["Units"]
    # ECMA-376, ST_Xstring (from memory): what is no character of XML is written _xHHHH_.
    assert unescape(page["C2"].value) == unescape(page["B3"].value) == text
    for row in page.iter_rows(min_row=2, max_col=5):
        assert [cell.data_type for cell in row] == ["s"] * 5
        assert not any(cell.hyperlink for cell in row)


def test_dates_are_dates_and_numbers_numbers() -> None:
    book = _opened(report(units(2)))
    assert book["Units"]["F2"].is_date
    assert book["Journal"]["A2"].is_date
    assert book["Journal"]["A2"].number_format == "yyyy-mm-dd hh:mm:ss"
    assert book["Journal"]["C2"].data_type == book["Balance"]["E2"].data_type == "n"
    assert book["Journal"]["A1"].value == "At (UTC)"


def test_the_same_report_gives_the_same_bytes() -> None:
    of = report(units(20))
    first = case_workbook(of)
    assert case_workbook(of) == first
    # So that they stay the same tomorrow.
    properties = load_workbook(BytesIO(first)).properties
    assert properties.created == properties.modified == _naive(of.made_at)
    assert {entry.date_time[0] for entry in ZipFile(BytesIO(first)).infolist()} == {1980}


def test_a_case_of_which_nothing_is_known_has_a_workbook() -> None:
    assert _opened(empty_report()).sheetnames == SHEETS
    assert _rows(replace(empty_report(), made_at=START), "Units") == []
