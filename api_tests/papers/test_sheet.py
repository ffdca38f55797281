"""The page that papers share: nothing is cut off, nothing lies on anything else, pages are counted."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from api_tests.papers import readers
from api_tests.papers.invented import HEAD, MADE_AT, PLANT
from partkin.exports.fonts import width_of
from partkin.exports.papers.sheet import (
    BODY,
    BOX,
    HEADING,
    INTRO,
    MARGIN,
    TITLE,
    WIDTH,
    Column,
    blanks,
    build,
    facts,
    lines_of,
    paragraph,
    points,
    table,
)

WORDS = st.text(st.characters(codec="ascii", categories=("L", "N", "P")), min_size=1, max_size=60)


@given(st.lists(WORDS, min_size=1, max_size=12).map(" ".join), st.floats(20, 200), st.booleans())
def test_lines_are_no_wider_than_asked_and_lose_no_character(text: str, width: float, bold: bool) -> None:
    lines = lines_of(text, width, 8, bold)
    assert all(width_of(line, 8, bold) <= width for line in lines)
    assert "".join(lines).replace(" ", "") == text.replace(" ", "")


@settings(max_examples=40, deadline=None)
@given(st.lists(st.tuples(*[st.lists(WORDS, min_size=1, max_size=8).map(" ".join)] * 6), min_size=1, max_size=12))
def test_cells_of_any_length_keep_apart_and_within_the_margins(rows: list[tuple[str, ...]]) -> None:
    columns = [
        Column(heading, right=heading == "Units") for heading in "Serial Model Description Units Note Made".split()
    ]
    shown = readers.pages(build([table(columns, rows)], PLANT, HEAD, "Table", MADE_AT))
    assert all(page.overlapping() == 0 and page.inside(MARGIN, 28) for page in shown)
    # The reader takes a hyphen at the end of a line for hyphenation.
    drawn = Counter("".join(page.text for page in shown))
    assert drawn >= Counter("".join(map("".join, rows)).replace(" ", "").replace("-", ""))


def test_a_head_that_is_long_takes_its_room() -> None:
    plant = replace(
        PLANT, name="Fennbridge Works for Household Machines of Every Kind, at the Old Mill by the Weir " * 2
    )
    head = replace(HEAD, case="RC-2026-014-" * 6)
    story = [
        paragraph("Words " * 3000),
        paragraph("Heading " * 3000, HEADING),
        table([Column("Serial")], [[f"DR{index}"] for index in range(200)]),
    ]
    shown = readers.pages(build(story, plant, head, "Long", MADE_AT, "DRAFT"))
    assert all(page.overlapping() == 0 and page.inside(MARGIN, 20) for page in shown)
    assert all("by the Weir" in " ".join(page.text.split()) and "DRAFT" in page.text for page in shown)


@pytest.mark.parametrize("filled", range(10, 60, 3))
def test_a_heading_stays_with_the_beginning_of_its_table(filled: int) -> None:
    story = [
        *(paragraph(f"line {index}") for index in range(filled)),
        paragraph("The list", HEADING),
        paragraph("What it says", INTRO),
        table([Column("Serial number")], [[f"DR{index:05d}"] for index in range(300)]),
    ]
    shown = readers.pages(build(story, PLANT, HEAD, "List", MADE_AT))
    [with_heading] = [page.text for page in shown if "The list" in page.text]
    assert "What it says" in with_heading
    assert "DR00000" in with_heading
    # About 43 lines fill a page.
    assert "line" in with_heading or 36 <= filled <= 43


def test_the_same_story_gives_the_same_bytes_whatever_was_drawn_before() -> None:
    def drawn(title: str) -> bytes:
        story = [
            paragraph(title, TITLE),
            paragraph("Line one\nline <two> & more", BODY, "Lead."),
            paragraph("In a box", BOX),
            *points(["one", "two"]),
            facts([("Seal", 212), ("Hazard", None)]),
            blanks(["Name", "Signature"]),
            table([Column("Units", right=True, width=WIDTH / 2), Column("")], [[1, "one"], [22, "two\nlines"]]),
        ]
        return build(story, PLANT, HEAD, title, MADE_AT)

    first = drawn("A title")
    drawn("Another title, Ωμέγα")
    assert drawn("A title") == first
    [page] = readers.pages(first)
    assert page.fonts_embedded
    assert "line <two> & more" in page.text
    assert "Page 1 of 1" in page.text
    assert "2026-10-03" in page.text
