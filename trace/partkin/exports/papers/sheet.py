"""The page that all papers share: A4, a plain head and foot, paragraphs, tables that run over pages.

Lengths are points.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime
from functools import partial
from html import escape
from io import BytesIO
from typing import Any

from reportlab.lib.colors import HexColor, black  # type: ignore[import-untyped]
from reportlab.lib.pagesizes import A4  # type: ignore[import-untyped]
from reportlab.lib.styles import ParagraphStyle  # type: ignore[import-untyped]
from reportlab.lib.units import mm  # type: ignore[import-untyped]
from reportlab.pdfgen.canvas import Canvas  # type: ignore[import-untyped]
from reportlab.platypus import (  # type: ignore[import-untyped]
    BaseDocTemplate,
    Flowable,
    Frame,
    PageTemplate,
    Paragraph,
)

from partkin.exports.fonts import font_name, register_fonts, width_of
from partkin.exports.papers.model import CaseHead, Plant

PAGE = A4
MARGIN = 20 * mm
"""On every side of the text; head and foot stand in it."""
WIDTH = PAGE[0] - 2 * MARGIN
"""Of the text."""
HEIGHT = PAGE[1] - 2 * MARGIN
"""Of the text on a page, where the plant's name takes one line."""

_PLAIN, _BOLD = font_name(False), font_name(True)
register_fonts()

DASH = "\N{EN DASH}"
"""Stands where nothing is known."""
RULE = HexColor(0x8A8A8A)
"""Colour of the thin lines."""
_SIZE, _LINE = 9.0, 12.0
BODY = ParagraphStyle("body", fontName=_PLAIN, fontSize=_SIZE, leading=_LINE, spaceAfter=5, bulletFontName=_PLAIN)
TITLE = ParagraphStyle("title", BODY, fontName=_BOLD, fontSize=18, leading=22, spaceBefore=4, spaceAfter=8)
HEADING = ParagraphStyle(
    "heading", BODY, fontName=_BOLD, fontSize=11, leading=14, spaceBefore=10, spaceAfter=4, room_below=70
)
INTRO = ParagraphStyle("intro", BODY, room_below=45)
"""Before a table, on its page."""
SMALL = ParagraphStyle("small", BODY, fontSize=7.5, leading=10, spaceAfter=4)
POINT = ParagraphStyle("point", BODY, leftIndent=14, bulletIndent=2, spaceAfter=3)
_PADDING = 6
BOX = ParagraphStyle(
    "box",
    BODY,
    borderWidth=1.2,
    borderColor=black,
    borderPadding=_PADDING,
    leftIndent=_PADDING + 1,
    rightIndent=_PADDING + 1,
    spaceBefore=_PADDING + 8,
    spaceAfter=_PADDING + 8,
)

_CELL_SIZE, _CELL_LINE, _CELL_GAP, _ROW_GAP = 8.0, 10.0, 10.0, 5.0
_MOST_LINES = 8
"""Of a row that stay together on a page."""
_MOST_OF_WIDTH = 0.35
"""That a word may claim, so that a long one leaves room for the other columns."""
_MOST_OF_HEADING = 60.0
"""That a heading may claim for a line of its own."""
_MONTHS = "January February March April May June July August September October November December".split()


def day(moment: date | None) -> str:
    """A day as ISO 8601 writes it, or a dash."""
    return DASH if moment is None else moment.strftime("%Y-%m-%d")


def day_in_words(moment: date) -> str:
    """Such as 3 October 2026: nobody takes the day for the month."""
    return f"{moment.day} {_MONTHS[moment.month - 1]} {moment.year}"


def minute(moment: datetime | None) -> str:
    """A moment to the minute, in UTC, or a dash."""
    return DASH if moment is None else f"{moment.astimezone(UTC):%Y-%m-%d %H:%M} UTC"


def paragraph(text: str, style: ParagraphStyle = BODY, lead: str = "") -> Paragraph:
    """Plain text, set as it is: no markup is read in it, its line ends are kept. `lead` comes first, bold."""
    return _Paragraph(f"<b>{_markup(lead)}</b> {_markup(text)}" if lead else _markup(text), style)


class _Paragraph(Paragraph):  # type: ignore[misc]
    """Goes to the next page where its style wants more room below it than there is.

    Instead of reportlab's `keepWithNext`, which begins a page for every table that is longer than what is left of one.
    """

    def wrap(self, width: float, room: float) -> tuple[float, float]:
        """The height, or more than there is room for."""
        height = super().wrap(width, room)[1]
        return width, room + 1 if room - self._below() < height <= room else height

    def split(self, width: float, room: float) -> list[Flowable]:
        """Nothing, where it is to go to the next page as it is."""
        return [] if self._below() else super().split(width, room)

    def _below(self) -> float:
        """What is as long as half a page is nothing that goes before something."""
        return getattr(self.style, "room_below", 0) if self.height < HEIGHT / 2 else 0


def points(texts: Iterable[str]) -> list[Paragraph]:
    """A list with a dash before each."""
    return [Paragraph(_markup(text), POINT, bulletText=DASH) for text in texts]


def _markup(text: str) -> str:
    return escape(_clean(text)).replace("\n", "<br/>")


def _clean(said: object) -> str:
    """Without characters that have no shape, but for the ends of lines."""
    text = str(said).replace("\r\n", "\n")
    if text.isprintable():
        return text
    return "".join(character if character.isprintable() or character == "\n" else " " for character in text)


@dataclass(frozen=True, slots=True)
class Column:
    """A column of a table."""

    heading: str
    right: bool = False
    """Numbers are set to the right."""
    bold: bool = False
    width: float | None = None
    """As wide as it needs, if not given."""


def table(columns: Sequence[Column], rows: Iterable[Sequence[object]], row_height: float = 0) -> Flowable:
    """Rows under headings that are repeated on each page; as wide as the text; any number of rows.

    Cells are set as `str` gives them, with their line ends; None as a dash. What is too long is wrapped at blanks, a
    word that is longer than its column anywhere in it and without a hyphen, which would be read as part of a number.
    Without any heading there is no head.
    """
    cells = [[DASH if cell is None else _clean(cell) for cell in row] for row in rows]
    widths = _widths(columns, cells)
    head = [_lines(one.heading, width - _CELL_GAP, True) for one, width in zip(columns, widths, strict=True)]
    laid = [piece for row in cells for piece in _row(columns, widths, row, row_height)]
    height = max(map(len, head)) * _CELL_LINE + _ROW_GAP
    heads = [_Row(head, height, True)] if any(one.heading for one in columns) else []
    return _Table(_Look(columns, widths, heads), laid)


def facts(pairs: Iterable[tuple[str, object]]) -> Flowable:
    """Names and values, one a line."""
    return table([Column("", bold=True, width=0.32 * WIDTH), Column("")], pairs)


def blanks(asked: Iterable[str]) -> Flowable:
    """Questions, each with a line to write on."""
    return table([Column("", width=0.45 * WIDTH), Column("")], ([one, ""] for one in asked), row_height=30)


@dataclass(frozen=True, slots=True)
class _Row:
    cells: Sequence[Sequence[str]]
    """Lines of each cell."""
    height: float
    ruled: bool
    """A rule stands below."""


@dataclass(frozen=True, slots=True)
class _Look:
    columns: Sequence[Column]
    widths: Sequence[float]
    head: Sequence[_Row]


def _row(columns: Sequence[Column], widths: Sequence[float], row: Sequence[str], least: float) -> Iterator[_Row]:
    cells = [_lines(cell, width - _CELL_GAP, one.bold) for one, width, cell in zip(columns, widths, row, strict=True)]
    longest = max(map(len, cells))
    for start in range(0, longest, _MOST_LINES):
        piece = [lines[start : start + _MOST_LINES] for lines in cells]
        last = start + _MOST_LINES >= longest
        height = max(map(len, piece)) * _CELL_LINE + (_ROW_GAP if last else 0)
        yield _Row(piece, max(height, least), last)


def _widths(columns: Sequence[Column], cells: Sequence[Sequence[str]]) -> list[float]:
    """Each column's longest word is kept whole if there is room; what is left goes where lines are longest."""
    texts = [{line for row in cells for line in row[index].split("\n")} for index in range(len(columns))]
    words = [
        max(_longest({word for text in of for word in text.split()}, one.bold), _longest(one.heading.split(), True))
        for one, of in zip(columns, texts, strict=True)
    ]
    words = [min(one, _MOST_OF_WIDTH * WIDTH) for one in words]
    heads = [min(_longest([one.heading], True), _MOST_OF_HEADING) for one in columns]
    whole = [max(*sizes, _longest(of, one.bold)) for one, of, *sizes in zip(columns, texts, words, heads, strict=True)]
    fixed = [one.width for one in columns]
    room = WIDTH - sum(width or 0 for width in fixed)
    free = [index for index, width in enumerate(fixed) if width is None]
    shared = _share(room, [words[index] + _CELL_GAP for index in free], [whole[index] + _CELL_GAP for index in free])
    _stretch(room - sum(shared), shared, [columns[index].right for index in free])
    given = dict(zip(free, shared, strict=True))
    return [given[index] if width is None else width for index, width in enumerate(fixed)]


def _share(room: float, least: Sequence[float], most: Sequence[float]) -> list[float]:
    if sum(least) >= room:
        return _capped(room, least)
    more = _capped(room - sum(least), [high - low for low, high in zip(least, most, strict=True)])
    return [low + one for low, one in zip(least, more, strict=True)]


def _stretch(left: float, widths: list[float], right: Sequence[bool]) -> None:
    """Room that nobody needs goes to the columns of texts, so that numbers stand together."""
    texts = [index for index, one in enumerate(right) if not one] or list(range(len(right)))
    for index in texts:
        widths[index] += left / len(texts)


def _capped(room: float, wishes: Sequence[float]) -> list[float]:
    """Wishes as they are while there is room, else the greatest ones cut down to the same."""
    left, cap, waiting = room, 0.0, len(wishes)
    for wish in sorted(wishes):
        cap = left / waiting
        if wish > cap:
            break
        left, waiting = left - wish, waiting - 1
    else:
        return list(wishes)
    return [min(wish, cap) for wish in wishes]


def _longest(texts: Iterable[str], bold: bool) -> float:
    return max((width_of(text, _CELL_SIZE, bold) for text in texts), default=0.0)


def _lines(text: str, width: float, bold: bool) -> list[str]:
    return [line for one in text.split("\n") for line in lines_of(one, width + 0.01, _CELL_SIZE, bold)]


def lines_of(text: str, width: float, size: float, bold: bool = False) -> list[str]:
    """A text as lines that are no wider; at least one."""
    if width_of(text, size, bold) <= width:
        return [text]
    lines, line = [], ""
    for word in text.split():
        longer = f"{line} {word}" if line else word
        if width_of(longer, size, bold) <= width:
            line = longer
            continue
        *full, line = [*([line] if line else []), *_broken(word, width, size, bold)]
        lines += full
    return [*lines, line]


def _broken(word: str, width: float, size: float, bold: bool) -> list[str]:
    pieces, piece = [], ""
    for character in word:
        if piece and width_of(piece + character, size, bold) > width:
            pieces.append(piece)
            piece = ""
        piece += character
    return [*pieces, piece]


class _Table(Flowable):  # type: ignore[misc]
    """Instead of reportlab's own table, whose time grows with the square of the rows."""

    def __init__(self, look: _Look, rows: Sequence[_Row], start: int = 0, end: int | None = None) -> None:
        super().__init__()
        self._look, self._rows = look, rows
        self._start, self._end = start, len(rows) if end is None else end
        self.spaceBefore, self.spaceAfter = 2, 8

    def _shown(self) -> Iterator[_Row]:
        yield from self._look.head
        for index in range(self._start, self._end):
            yield self._rows[index]

    def wrap(self, _width: float, room: float) -> tuple[float, float]:
        """The height, or more than there is room for."""
        height = 0.0
        for row in self._shown():
            height += row.height
            if height > room:
                break
        return WIDTH, height

    def split(self, _width: float, room: float) -> list[Flowable]:
        """What fits, and the rest; nothing if not a single row fits."""
        left = room - sum(row.height for row in self._look.head)
        end = self._start
        while end < self._end and self._rows[end].height <= left:
            left -= self._rows[end].height
            end += 1
        if end == self._start:
            return []
        return [_Table(self._look, self._rows, self._start, end), _Table(self._look, self._rows, end, self._end)]

    def draw(self) -> None:
        """Texts first, then the rules below them."""
        rows = list(self._shown())
        top = sum(row.height for row in rows)
        self.canv.setStrokeColor(RULE)
        for index, row in enumerate(rows):
            self._write(row, top, head=index < len(self._look.head))
            top -= row.height
            if row.ruled:
                self.canv.setLineWidth(0.9 if index < len(self._look.head) else 0.3)
                self.canv.line(0, top, WIDTH, top)

    def _write(self, row: _Row, top: float, head: bool) -> None:
        left = 0.0
        for column, width, lines in zip(self._look.columns, self._look.widths, row.cells, strict=True):
            self.canv.setFont(_BOLD if head or column.bold else _PLAIN, _CELL_SIZE)
            for index, line in enumerate(lines):
                below = top - _CELL_LINE * (index + 1)
                if column.right:
                    self.canv.drawRightString(left + width - _CELL_GAP, below, line)
                else:
                    self.canv.drawString(left, below, line)
            left += width


@dataclass(frozen=True, slots=True)
class _Frame:
    """What is the same on every page."""

    plant: str
    case: str
    mark: str
    made_on: str

    @property
    def left(self) -> list[str]:
        """The plant's name."""
        return lines_of(_clean(self.plant), 0.55 * WIDTH, _SIZE, True)

    @property
    def right(self) -> list[str]:
        """The case."""
        return lines_of(_clean(self.case), 0.25 * WIDTH, _SIZE)

    @property
    def more(self) -> float:
        """How much more room than usual the head takes."""
        return (max(len(self.left), len(self.right)) - 1) * _LINE

    def draw(self, canvas: Canvas, page: int, pages: int) -> None:
        """Head and foot of a page."""
        left, right, top = MARGIN, PAGE[0] - MARGIN, PAGE[1] - MARGIN + 8
        canvas.setStrokeColor(RULE)
        canvas.setFillColor(black)
        canvas.setLineWidth(0.6)
        canvas.line(left, top - self.more, right, top - self.more)
        canvas.line(left, MARGIN - 10, right, MARGIN - 10)
        for index, line in enumerate(self.left):
            canvas.setFont(_BOLD, _SIZE)
            canvas.drawString(left, top + 5 - _LINE * index, line)
        for index, line in enumerate(self.right):
            canvas.setFont(_PLAIN, _SIZE)
            canvas.drawRightString(right, top + 5 - _LINE * index, line)
        canvas.drawString(left, MARGIN - 22, self.made_on)
        canvas.drawRightString(right, MARGIN - 22, f"Page {page} of {pages}")
        self._draw_mark(canvas, left + 0.66 * WIDTH, top)

    def _draw_mark(self, canvas: Canvas, middle: float, top: float) -> None:
        if self.mark:
            width = width_of(self.mark, _SIZE, True) + 10
            canvas.setStrokeColor(black)
            canvas.rect(middle - width / 2, top + 2, width, _LINE)
            canvas.setFont(_BOLD, _SIZE)
            canvas.drawCentredString(middle, top + 5, self.mark)


class _CountedCanvas(Canvas):  # type: ignore[misc]
    """Keeps its pages until it knows how many there are."""

    def __init__(self, frame: _Frame, *arguments: Any, **options: Any) -> None:
        super().__init__(*arguments, **options)
        self._frame = frame
        self._kept: list[Mapping[str, Any]] = []

    def showPage(self) -> None:  # noqa: N802 - reportlab's name
        """Keep the page."""
        self._kept.append(dict(self.__dict__))
        self._startPage()

    def save(self) -> None:
        """Write the pages, each with its number."""
        kept = self._kept
        for number, page in enumerate(kept, 1):
            self.__dict__.update(page)
            self._frame.draw(self, number, len(kept))
            super().showPage()
        super().save()


def build(
    story: Sequence[Flowable], plant: Plant, head: CaseHead, title: str, made_at: datetime, mark: str = ""
) -> bytes:
    """A PDF file of a story; the same story gives the same bytes. `mark`, such as DRAFT, stands on every page."""
    frame = _Frame(plant.name, head.case, mark, day(made_at.astimezone(UTC)))
    file = BytesIO()
    document = BaseDocTemplate(file, pagesize=PAGE, title=title, author=plant.name, lang="en", invariant=1)
    text = Frame(
        MARGIN, MARGIN, WIDTH, HEIGHT - frame.more, leftPadding=0, rightPadding=0, topPadding=0, bottomPadding=0
    )
    document.addPageTemplates([PageTemplate("page", [text])])
    document.build(list(story), canvasmaker=partial(_CountedCanvas, frame))
    return file.getvalue()
