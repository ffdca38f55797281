"""Labels as PNG."""

from __future__ import annotations

from io import BytesIO

from PIL import Image, ImageDraw, ImageFont

from partkin.exports.fonts import font_file
from partkin.exports.labels.drawing import Text
from partkin.exports.labels.layout import lay_out
from partkin.rules.labels import Label

_MM_PER_INCH = 25.4
_FINER = 4
"""Texts are drawn so much larger, then reduced: characters then stand where they belong, not on whole dots."""


def draw_png(label: Label, dots_per_inch: int = 300) -> bytes:
    """Draw a label in grey scale; the modules of its code are whole dots. Raises LabelError."""
    dot = _MM_PER_INCH / dots_per_inch
    drawing = lay_out(label, dot)
    image = Image.new("L", (round(drawing.width / dot), round(drawing.height / dot)), 255)
    canvas = ImageDraw.Draw(image)
    for one in drawing.rectangles:
        left, top = round(one.x / dot), round(one.y / dot)
        right, bottom = round((one.x + one.width) / dot), round((one.y + one.height) / dot)
        # Pillow counts the last dot in.
        canvas.rectangle((left, top, right - 1, bottom - 1), fill=0)
    for text in drawing.texts:
        _draw_text(image, text, dot)
    file = BytesIO()
    image.save(file, "PNG", dpi=(dots_per_inch, dots_per_inch))
    return file.getvalue()


def _draw_text(image: Image.Image, text: Text, dot: float) -> None:
    size = text.size / dot
    # Room around for what reaches beyond the width and the baseline: J, ď, Ģ.
    width, above, around = round(text.width / dot), round(size), round(size * 0.3)
    font = ImageFont.truetype(font_file(text.bold), size * _FINER, layout_engine=ImageFont.Layout.BASIC)
    ink_width = round(font.getlength(text.text)) + 2 * around * _FINER
    ink = Image.new("L", (ink_width, (above + around) * _FINER), 0)
    ImageDraw.Draw(ink).text((around * _FINER, above * _FINER), text.text, fill=255, font=font, anchor="ls")
    mask = ink.resize((width + 2 * around, above + around), Image.Resampling.BOX)
    image.paste(0, (round(text.x / dot) - around, round(text.y / dot) - above), mask)
