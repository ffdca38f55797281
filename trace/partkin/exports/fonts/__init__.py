"""The fonts of labels and papers, and how wide their characters are."""

from __future__ import annotations

from functools import cache
from pathlib import Path

from reportlab.pdfbase import pdfmetrics  # type: ignore[import-untyped]
from reportlab.pdfbase.ttfonts import TTFont  # type: ignore[import-untyped]

FAMILY = "DejaVu Sans Condensed"


def font_name(bold: bool) -> str:
    """As PDF files call it."""
    return "DejaVuSansCondensed-Bold" if bold else "DejaVuSansCondensed"


def font_file(bold: bool) -> Path:
    """The font as a TrueType file."""
    return Path(__file__).with_name(f"{font_name(bold)}.ttf")


@cache
def font(bold: bool) -> TTFont:
    """The font as reportlab reads it."""
    return TTFont(font_name(bold), font_file(bold))


@cache
def register_fonts() -> None:
    """Make the fonts known to what draws PDF files; once, since doing it again would undo which one is the bold one."""
    plain, bold = font_name(False), font_name(True)
    for one in (False, True):
        pdfmetrics.registerFont(font(one))
    pdfmetrics.registerFontFamily(plain, normal=plain, bold=bold, italic=plain, boldItalic=bold)


def width_of(text: str, size: float, bold: bool) -> float:
    """How long a text is, in the unit of the font size."""
    return float(font(bold).stringWidth(text, size))


def missing_from(text: str, bold: bool) -> str | None:
    """The first character that the font does not have."""
    glyphs = font(bold).face.charToGlyph
    return next((character for character in text if ord(character) not in glyphs), None)
