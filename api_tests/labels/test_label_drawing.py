"""How labels look: sizes and quiet zones measured on the picture, texts all there, pages, and what does not fit."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import date
from io import BytesIO
from itertools import product
from pathlib import Path
from xml.etree import ElementTree as ET

import numpy as np
import pypdfium2  # type: ignore[import-untyped]
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image

from api_tests.labels import readers
from partkin.exports.labels import Sheet, draw_pdf, draw_png, draw_svg
from partkin.rules.facts import LabelKind, Symbol
from partkin.rules.labels import SYMBOLS, Label, LabelError, Labelled, compose

SIZES: dict[LabelKind, tuple[float, float]] = {
    "unit": (80, 50),
    "component": (50, 25),
    # Source: ISO 216, A7 and A6.
    "carton": (105, 74),
    "pallet": (105, 148),
}
QUIET_ZONES: dict[Symbol, int] = {
    # Sources: ISO/IEC 15417, ISO/IEC 16022, ISO/IEC 18004.
    "code-128": 10,
    "gs1-128": 10,
    "gs1-datamatrix": 1,
    "qr": 4,
    "gs1-qr": 4,
    "digital-link": 4,
}

DRYER = Labelled("FW-HD8", "Tumble dryer", "serial", "HD80000017", gtin="09520123456788", plain=True)
PALLET = Labelled("PAL-8", "Pallet", "serial", "395123451234567895", sscc=True, plain=True)


def _label(kind: LabelKind, symbol: Symbol) -> Label:
    return compose(PALLET if kind == "pallet" else DRYER, kind, symbol)


# A GTIN and a serial number are more than a row of bars on a component's label can hold.
FITTING = [pair for pair in product(SIZES, SYMBOLS) if pair != ("component", "gs1-128")]


# ------------------------------------------------------------------------------------------------------------
# Measured
# ------------------------------------------------------------------------------------------------------------


def _black_box(picture: readers.Picture) -> tuple[int, int, int, int]:
    """Top, bottom, left and right of the code, the lower and right ends not in it."""
    (found,) = readers.read(picture)
    corners = found.position.top_left, found.position.top_right, found.position.bottom_right, found.position.bottom_left
    xs, ys = [corner.x for corner in corners], [corner.y for corner in corners]
    top, left = max(0, min(ys) - 2), max(0, min(xs) - 2)
    black = picture[top : max(ys) + 3, left : max(xs) + 3] < 128
    rows, columns = np.flatnonzero(black.any(axis=1)), np.flatnonzero(black.any(axis=0))
    return top + rows[0], top + rows[-1] + 1, left + columns[0], left + columns[-1] + 1


@pytest.mark.parametrize("dots_per_inch", [203, 300, 600])
@pytest.mark.parametrize(("kind", "symbol"), FITTING)
def test_modules_are_whole_dots_as_wide_as_stated_with_quiet_zones(
    kind: LabelKind, symbol: Symbol, dots_per_inch: int, tmp_path: Path
) -> None:
    label = _label(kind, symbol)
    picture = readers.of_png(draw_png(label, dots_per_inch), tmp_path / "label.png")
    top, bottom, left, right = _black_box(picture)
    code = picture[top:bottom, left:right]
    assert set(np.unique(code)) == {0, 255}
    dots = math.gcd(*(length for row in code for length in readers.runs(row)))
    module = dots * readers.MM_PER_INCH / dots_per_inch
    # A hundredth less, so that whole dots are possible: 3 dots of 203 to the inch are 0.375 mm.
    assert label.code.modules.least * 0.985 <= module < label.code.modules.usual + readers.MM_PER_INCH / dots_per_inch
    quiet = QUIET_ZONES[symbol] * dots
    above = 0 if label.code.bar_height is not None else quiet
    around = picture[top - above : bottom + above, left - quiet : right + quiet].copy()
    assert around.shape == (bottom - top + 2 * above, right - left + 2 * quiet), "the quiet zone ends at the edge"
    around[above : above + bottom - top, quiet : quiet + right - left] = 255
    assert around.min() == 255


@pytest.mark.parametrize(("kind", "height"), [("unit", 12), ("component", 8), ("carton", 32), ("pallet", 32)])
def test_bars_are_as_high_as_stated(kind: LabelKind, height: float, tmp_path: Path) -> None:
    picture = readers.of_png(draw_png(_label(kind, "code-128")), tmp_path / "label.png")
    top, bottom, left, _ = _black_box(picture)
    middle, white = (top + bottom) // 2, np.flatnonzero(picture[:, left])
    dots = white[white > middle][0] - white[white < middle][-1] - 1
    assert dots * readers.MM_PER_INCH / 300 == pytest.approx(height, abs=0.1)


@pytest.mark.parametrize(("kind", "size"), SIZES.items())
def test_every_form_of_a_label_has_its_size(kind: LabelKind, size: tuple[float, float]) -> None:
    label = _label(kind, "qr")
    with Image.open(BytesIO(draw_png(label, 203))) as image:
        assert image.size == tuple(round(length * 203 / readers.MM_PER_INCH) for length in size)
        assert image.info["dpi"] == pytest.approx((203, 203), abs=0.02)
    root = ET.fromstring(draw_svg(label))
    assert (root.get("width"), root.get("height")) == tuple(f"{length}mm" for length in size)
    page = pypdfium2.PdfDocument(draw_pdf([label]))[0]
    assert page.get_size() == pytest.approx([length * 72 / readers.MM_PER_INCH for length in size], abs=0.01)


# ------------------------------------------------------------------------------------------------------------
# Texts
# ------------------------------------------------------------------------------------------------------------

# Latin, Greek and Cyrillic; without the hyphens, which readers of PDF files take away at the end of a line.
_RANGES = ((0x21, 0x2C), (0x2E, 0x7E), (0xA1, 0xAC), (0xAE, 0x131), (0x391, 0x3A1), (0x3B1, 0x3C9), (0x410, 0x44F))
LETTERS = st.sampled_from([chr(code) for first, last in _RANGES for code in range(first, last + 1)])
LINES = st.lists(st.text(LETTERS, max_size=12), min_size=1, max_size=6).map(" ".join)

LONG_WORDS = st.text(LETTERS, min_size=40, max_size=60)


@settings(max_examples=40)
@given(
    kind=st.sampled_from(sorted(SIZES)),
    symbol=st.sampled_from(["code-128", "qr", "digital-link"]),
    description=LINES | LONG_WORDS,
    markings=st.lists(LINES, max_size=5).map(tuple),
    of_lot=st.none() | st.text(st.sampled_from("0123456789"), min_size=1, max_size=20),
)
def test_all_texts_are_there_and_leave_margin_and_code_alone(
    tmp_path_factory: pytest.TempPathFactory,
    kind: LabelKind,
    symbol: Symbol,
    description: str,
    markings: tuple[str, ...],
    of_lot: str | None,
) -> None:
    labelled = replace(DRYER, description=description, markings=markings, of_lot=of_lot, expires_on=date(2028, 3, 1))
    label = compose(labelled, kind, symbol)
    pdf = draw_pdf([label])
    shown = readers.without_blanks(readers.text_of_pdf(pdf))
    for line in label.lines:
        assert readers.without_blanks(line.text) in shown
    png = readers.of_png(draw_png(label, 300), tmp_path_factory.getbasetemp() / "texts.png")
    for picture in (png, readers.of_pdf(pdf, 300)):
        # J begins a twentieth of the font size left of where it stands.
        white = label.margin - 0.055 * max(line.size for line in label.lines)
        margin = math.floor(white * 300 / readers.MM_PER_INCH) - 1
        inside = np.zeros(picture.shape, bool)
        inside[margin:-margin, margin:-margin] = True
        assert picture[~inside].min() > 200
        (found,) = readers.read(picture)
        assert found.text == label.code.data


@pytest.mark.parametrize("character", "Jďgł|ĂĢ")
def test_a_character_is_drawn_whole_in_a_picture_of_dots(character: str, tmp_path: Path) -> None:
    label = compose(replace(DRYER, part=character), "pallet", "qr")
    picture = readers.of_png(draw_png(label, 300), tmp_path / "label.png")
    height = round(label.lines[0].size * 1.2 * 300 / readers.MM_PER_INCH) + round(label.margin * 300 / 25.4)
    found, expected = (
        np.flatnonzero((one[:height] < 128).any(axis=0)) for one in (picture, readers.of_pdf(draw_pdf([label]), 300))
    )
    assert (found[0], found[-1]) == pytest.approx((expected[0], expected[-1]), abs=2)


def test_a_short_text_keeps_its_size_and_a_long_one_is_smaller() -> None:
    def size_of_description(description: str) -> float:
        root = ET.fromstring(draw_svg(compose(replace(DRYER, description=description), "unit")))
        return float(next(root.iter("{http://www.w3.org/2000/svg}text")).attrib["font-size"])

    assert size_of_description("Dryer") == 4.2
    assert 1.4 <= size_of_description("Heat-pump tumble dryer " * 10) < 4.2


def test_a_picture_holds_text_as_text_and_nothing_that_runs() -> None:
    root = ET.fromstring(draw_svg(compose(replace(DRYER, description="<script>1 & 2</script> \"'"), "unit")))
    space = "{http://www.w3.org/2000/svg}"
    assert {element.tag for element in root.iter()} == {space + tag for tag in ("svg", "rect", "path", "g", "text")}
    assert "<script>1 & 2</script> \"'" in [element.text for element in root.iter(space + "text")]


# ------------------------------------------------------------------------------------------------------------
# Pages
# ------------------------------------------------------------------------------------------------------------


def _numbered(count: int) -> list[Label]:
    return [compose(replace(DRYER, code=f"HD8{number:07}"), "component", "qr") for number in range(count)]


def test_the_same_labels_give_the_same_bytes() -> None:
    first = draw_pdf(_numbered(3))
    draw_pdf([_label("pallet", "gs1-128")])
    assert draw_pdf(_numbered(3)) == first
    assert draw_pdf(_numbered(2)) != first


def test_a_sheet_holds_labels_row_by_row_where_it_says() -> None:
    labels = _numbered(29)
    sheet = Sheet(margin_x=12, margin_y=15, gap_x=5, gap_y=2)
    pdf = draw_pdf(labels, sheet)
    document = pypdfium2.PdfDocument(pdf)
    # Source: ISO 216, A4. (210 - 24 + 5) / 55 = 3 columns, (297 - 30 + 2) / 27 = 9 rows: 27 labels a page.
    assert document[0].get_size() == pytest.approx([210 * 72 / 25.4, 297 * 72 / 25.4], abs=0.01)
    assert len(document) == 2
    for number, label in enumerate(labels):
        page = readers.of_pdf(pdf, 254, number // 27)
        left, top = 12 + number % 3 * 55, 15 + number % 27 // 3 * 27
        cut = page[top * 10 : (top + 25) * 10, left * 10 : (left + 50) * 10]
        assert readers.scanned(cut) == ["]Q1" + label.code.data]


def test_crop_marks_stay_outside_of_the_labels() -> None:
    labels = _numbered(1)
    sheet = Sheet(margin_x=12, margin_y=15, gap_x=5, gap_y=2)
    plain = readers.of_pdf(draw_pdf(labels, sheet), 254)
    marked = readers.of_pdf(draw_pdf(labels, replace(sheet, crop_marks=True)), 254)
    rows, columns = np.nonzero(plain != marked)
    # 10 dots are 1 mm. Three columns and nine rows of labels have two edges each.
    assert {round(column / 10) for column in columns[rows < 140]} == {12, 62, 67, 117, 122, 172}
    assert len({round(row / 10) for row in rows[columns < 110]}) == 18
    assert not ((rows > 150) & (rows < 2560) & (columns > 120) & (columns < 1720)).any()


# ------------------------------------------------------------------------------------------------------------
# What does not fit
# ------------------------------------------------------------------------------------------------------------


def test_a_code_that_is_too_wide_is_refused_with_how_much() -> None:
    label = compose(replace(DRYER, code="A" * 29), "component", "code-128")
    # Source: ISO/IEC 15417: 11 modules for each character, start and check, 13 for the stop, 10 white on each side:
    # 374 modules, at 0.19 mm 71.06 mm, where 50 mm less two margins of 1.5 mm are there.
    with pytest.raises(LabelError, match=r"71\.1 mm wide .* 0\.19 mm, 24\.1 mm too wide for a component label"):
        draw_svg(label)


def test_a_code_becomes_smaller_before_it_is_refused(tmp_path: Path) -> None:
    label = compose(replace(DRYER, code="A" * 15), "component", "code-128")
    # 220 modules would be 55 mm wide at the usual 0.25 mm.
    picture = readers.of_svg(draw_svg(label), tmp_path / "label.png", 600)
    assert readers.scanned(picture) == ["]C0" + "A" * 15]


def test_texts_that_do_not_fit_are_refused() -> None:
    with pytest.raises(LabelError, match="shorten the description or the marking lines"):
        draw_pdf([compose(replace(DRYER, markings=("230 V ~ 50 Hz",) * 40), "unit")])


def test_a_character_without_a_picture_is_refused_by_its_name() -> None:
    with pytest.raises(LabelError, match=r"no character for '干' \(U\+5E72\) in '干衣机'"):
        draw_png(compose(replace(DRYER, description="干衣机"), "unit"))


def test_labels_of_several_sizes_do_not_share_a_sheet() -> None:
    with pytest.raises(LabelError, match="one kind only"):
        draw_pdf([_label("unit", "qr"), _label("carton", "qr")], Sheet())
    with pytest.raises(LabelError, match="No label fits"):
        draw_pdf([_label("pallet", "qr")], Sheet(margin_x=60))


@pytest.mark.parametrize("code", ["99", "9912", "99123456", "991", "99A", "9", "9A99", "A9999"])
def test_code_128_keeps_digits_that_are_also_the_value_of_a_code_set_change(code: str, tmp_path: Path) -> None:
    label = compose(replace(DRYER, code=code), "component", "code-128")
    assert readers.scanned(readers.of_png(draw_png(label), tmp_path / "label.png")) == ["]C0" + code]
