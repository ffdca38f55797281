"""The report of a case, read back from the PDF: every page, every unit, every caution."""

from __future__ import annotations

import re
from dataclasses import replace
from itertools import combinations

import pypdfium2  # type: ignore[import-untyped]

from api_tests.papers.invented_case import BALANCE, PLANT, USES, empty_report, report, units
from partkin.exports.papers.model import CaseReport
from partkin.exports.papers.report import case_report

Box = tuple[float, float, float, float]


def _pages(pdf: bytes) -> list[str]:
    return [page.get_textpage().get_text_range().replace("\r\n", "\n") for page in pypdfium2.PdfDocument(pdf)]


def _said(of: CaseReport) -> str:
    """All words, line ends taken for blanks."""
    return " ".join(" ".join(_pages(case_report(of))).split())


def test_every_page_says_whose_it_is_and_where_it_stands() -> None:
    pages = _pages(case_report(report(units(300))))
    assert len(pages) > 5
    for number, page in enumerate(pages, 1):
        assert f"Page {number} of {len(pages)}" in page
        assert PLANT.name in page
        assert "CC-26-004" in page
        assert "OPEN CASE" in page


def test_the_appendix_has_every_unit_once() -> None:
    listed = units(300)
    text = "\n".join(_pages(case_report(report(listed))))
    _, appendix = text.split("Appendix: all 300 units affected")
    assert sorted(re.findall(r"HD8\d{8}", appendix)) == [unit.serial for unit in listed]
    assert appendix.count("possible") == sum(unit.certainty == "possible" for unit in listed)
    assert appendix.count("rework") == sum(unit.decision == "rework" for unit in listed)


def test_texts_are_on_the_page_and_not_on_each_other() -> None:
    long = replace(
        USES[1], where="a feeder with a name that nobody would give it, not even on a quiet afternoon", until=None
    )
    many = [replace(long, where=f"feeder {number} of many") for number in range(50)]
    full = replace(report(units(120)), uses=[*USES, long, *many])
    for page in pypdfium2.PdfDocument(case_report(full)):
        text = page.get_textpage()
        boxes: list[Box] = [text.get_rect(number) for number in range(text.count_rects())]
        width, height = page.get_size()
        # 15 mm: less than the margins, and more than what printers leave white.
        assert all(
            left > 42 and right < width - 42 and bottom > 30 and top < height - 30 for left, bottom, right, top in boxes
        )
        assert not [
            (a, b)
            for a, b in combinations(boxes, 2)
            if min(a[2], b[2]) - max(a[0], b[0]) > 0.5 and min(a[3], b[3]) - max(a[1], b[1]) > 0.5
        ]


def test_what_the_case_knows_is_said() -> None:
    said = _said(report(units(3)))
    for words in (
        "Containment case CC-26-004: open, revision 1 frozen",
        "9f" * 32,
        "lot K26-2291 of CAP-470",
        "all 412 37 449",
        "stock counted 2026-03-04 18:00 UTC",
        "All lines below the first add up to the 5,000 pieces received.",
        "hypergeometric: less than 1 % bad, 95 % confidence",
        "258, drawn with the seed 3f9a6c1b77",
        "0.99 %",
        "None was bad: verified good.",
        "A correction of 5 March put a drive module of the lot into it.",
        "SHOP-1 Marsh Lane Appliances 160 2026-03-06 2026-03-09 12 148 effective",
        "level C: 10 % of the consignees are checked, rounded up",
        "HD899000001 HD899000349 349",
        "2026-03-04 09:00 UTC B-2140 5133 Frozen at seal 212, revision 1.",
        # Cautions.
        "A list is no decision.",
        "local law and the deadlines of the authorities come first",
        "flammable refrigerant is for qualified persons only",
        "It does not say that the rest is safe.",
        "can reckon the list again",
    ):
        assert words in said


def test_a_closed_case_says_when_and_by_whom() -> None:
    said = _said(report(units(3), "closed"))
    assert "Containment case CC-26-004: closed" in said
    assert "2026-03-06 09:00 UTC by B-0007, entry 5990" in said
    assert "OPEN" not in said


def test_a_balance_that_does_not_close_is_told() -> None:
    lines = (*BALANCE.lines[:-1], replace(BALANCE.lines[-1], pieces=6))
    said = _said(replace(report(()), balances=(replace(BALANCE, lines=lines, counted_at=None),)))
    assert "add up to 5,001 pieces, and 5,000 were received" in said
    assert "stock by the books, not counted" in said


def test_a_case_of_which_nothing_is_known_has_a_report() -> None:
    said = _said(empty_report())
    assert "open, no list frozen" in said
    assert "No list is frozen yet" in said
    assert "can reckon the list again" not in said
    assert "No sorting was planned." in said


def test_texts_are_no_markup() -> None:
    odd = replace(report(()), added=(("FW-HD8 <b>&amp;", "x < y & z > 1 <para>"),))
    assert "FW-HD8 <b>&amp; x < y & z > 1 <para>" in _said(odd)


def test_the_same_report_gives_the_same_bytes() -> None:
    first = case_report(report(units(50)))
    case_report(empty_report())
    assert case_report(report(units(50))) == first
    assert case_report(report(units(51))) != first
