"""Labels as SVG."""

from __future__ import annotations

from xml.sax.saxutils import escape

from partkin.exports.fonts import FAMILY
from partkin.exports.labels.drawing import Rectangle, Text
from partkin.exports.labels.layout import lay_out
from partkin.rules.labels import Label


def draw_svg(label: Label) -> str:
    """Draw a label; its size is stated in mm, and a viewer without the font keeps the lengths of the texts.

    Raises LabelError.
    """
    drawing = lay_out(label)
    width, height = f"{drawing.width:g}", f"{drawing.height:g}"
    modules = "".join(map(_path, drawing.rectangles))
    size = f'width="{width}mm" height="{height}mm" viewBox="0 0 {width} {height}"'
    parts = (
        f'<svg xmlns="http://www.w3.org/2000/svg" {size}>',
        f'<rect width="{width}" height="{height}" fill="#fff"/>',
        f'<path fill="#000" shape-rendering="crispEdges" d="{modules}"/>',
        f"<g fill=\"#000\" font-family=\"'{FAMILY}', 'DejaVu Sans', sans-serif\">",
        *map(_text, drawing.texts),
        "</g>",
        "</svg>",
    )
    return "\n".join(parts) + "\n"


def _path(rectangle: Rectangle) -> str:
    width = _number(rectangle.width)
    return f"M{_number(rectangle.x)} {_number(rectangle.y)}h{width}v{_number(rectangle.height)}h-{width}z"


def _text(text: Text) -> str:
    weight = ' font-weight="bold"' if text.bold else ""
    return (
        f'<text x="{_number(text.x)}" y="{_number(text.y)}" font-size="{_number(text.size)}"{weight} '
        f'textLength="{_number(text.width)}" lengthAdjust="spacingAndGlyphs" xml:space="preserve">'
        f"{escape(text.text)}</text>"
    )


def _number(length: float) -> str:
    """To a tenth of a micrometre."""
    return f"{length:.4f}".rstrip("0").rstrip(".")
