"""Labels as PDF."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from io import BytesIO

from reportlab.lib.units import mm  # type: ignore[import-untyped]
from reportlab.pdfgen.canvas import Canvas  # type: ignore[import-untyped]

from partkin.exports.fonts import font_name, register_fonts
from partkin.exports.labels.drawing import Drawing, Rectangle
from partkin.exports.labels.layout import lay_out
from partkin.rules.labels import Label, LabelError

_MARK_LENGTH, _MARK_DISTANCE, _MARK_WIDTH = 3.0, 1.0, 0.1


@dataclass(frozen=True, slots=True)
class Sheet:
    """A page with as many labels as fit on it, row by row from the upper left. Lengths are mm."""

    width: float = 210
    height: float = 297
    margin_x: float = 10
    """Left of the first column; at least so much stays free on the right."""
    margin_y: float = 10
    """Above the first row; at least so much stays free at the bottom."""
    gap_x: float = 0
    gap_y: float = 0
    crop_marks: bool = False
    """Short lines in the margins that show where to cut."""

    def columns(self, width: float) -> list[float]:
        """Where labels of a width begin."""
        return _places(self.width, self.margin_x, self.gap_x, width)

    def rows(self, height: float) -> list[float]:
        """Where labels of a height begin."""
        return _places(self.height, self.margin_y, self.gap_y, height)


def _places(page: float, margin: float, gap: float, label: float) -> list[float]:
    count = int((page - 2 * margin + gap + 1e-6) / (label + gap))
    return [margin + index * (label + gap) for index in range(count)]


def draw_pdf(labels: Sequence[Label], sheet: Sheet | None = None) -> bytes:
    """Draw one label a page of its own size, or labels of one size on sheets; the same labels give the same bytes.

    Raises LabelError.
    """
    drawings = [lay_out(label) for label in labels]
    register_fonts()
    file = BytesIO()
    canvas = Canvas(file, invariant=1)
    canvas.setTitle("Labels")
    for size, page in _pages(drawings, sheet):
        canvas.setPageSize([length * mm for length in size])
        for left, top, drawing in page:
            _draw(canvas, drawing, left, size[1] - top)
        if sheet is not None and sheet.crop_marks:
            _fill(canvas, _crop_marks(sheet, drawings[0]), 0, sheet.height)
        canvas.showPage()
    canvas.save()
    return file.getvalue()


_Page = list[tuple[float, float, Drawing]]
"""Drawings with where each begins."""


def _pages(drawings: Sequence[Drawing], sheet: Sheet | None) -> Iterator[tuple[tuple[float, float], _Page]]:
    """Sizes of pages, and what is on them."""
    if sheet is None:
        for one in drawings:
            yield (one.width, one.height), [(0, 0, one)]
        return
    sizes = {(one.width, one.height) for one in drawings}
    if len(sizes) > 1:
        raise LabelError("A sheet takes labels of one kind only: print each kind by itself.")
    places = [(x, y) for width, height in sizes for y in sheet.rows(height) for x in sheet.columns(width)]
    if not places:
        raise LabelError("No label fits on the sheet: give it smaller margins, or print one label a page.")
    for start in range(0, len(drawings), len(places)):
        page = [(x, y, one) for (x, y), one in zip(places, drawings[start:], strict=False)]
        yield (sheet.width, sheet.height), page


def _draw(canvas: Canvas, drawing: Drawing, left: float, top: float) -> None:
    _fill(canvas, drawing.rectangles, left, top)
    for text in drawing.texts:
        canvas.setFont(font_name(text.bold), text.size * mm)
        canvas.drawString((left + text.x) * mm, (top - text.y) * mm, text.text)


def _fill(canvas: Canvas, rectangles: Sequence[Rectangle], left: float, top: float) -> None:
    """As one path: between rectangles that touch, viewers then show no hairline."""
    path = canvas.beginPath()
    for one in rectangles:
        bottom = top - one.y - one.height
        path.rect((left + one.x) * mm, bottom * mm, one.width * mm, one.height * mm)
    canvas.drawPath(path, stroke=0, fill=1)


def _crop_marks(sheet: Sheet, drawing: Drawing) -> list[Rectangle]:
    """In the margins only, so that none lies in a neighbour."""
    columns, rows = sheet.columns(drawing.width), sheet.rows(drawing.height)
    right, bottom = columns[-1] + drawing.width, rows[-1] + drawing.height
    upright = [
        Rectangle(x - _MARK_WIDTH / 2, y, _MARK_WIDTH, _MARK_LENGTH)
        for x in _edges(columns, drawing.width)
        for y in (rows[0] - _MARK_DISTANCE - _MARK_LENGTH, bottom + _MARK_DISTANCE)
    ]
    level = [
        Rectangle(x, y - _MARK_WIDTH / 2, _MARK_LENGTH, _MARK_WIDTH)
        for y in _edges(rows, drawing.height)
        for x in (columns[0] - _MARK_DISTANCE - _MARK_LENGTH, right + _MARK_DISTANCE)
    ]
    return upright + level


def _edges(begins: Sequence[float], size: float) -> list[float]:
    return sorted({round(place, 4) for begin in begins for place in (begin, begin + size)})
