"""Labels as pictures: laid out once, drawn as SVG, PNG or PDF."""

from partkin.exports.labels.drawing import Drawing, Rectangle, Text
from partkin.exports.labels.layout import lay_out
from partkin.exports.labels.pdf import Sheet, draw_pdf
from partkin.exports.labels.png import draw_png
from partkin.exports.labels.svg import draw_svg

__all__ = ["MEDIA_TYPES", "Drawing", "Rectangle", "Sheet", "Text", "draw_pdf", "draw_png", "draw_svg", "lay_out"]

MEDIA_TYPES = {"svg": "image/svg+xml", "png": "image/png", "pdf": "application/pdf"}
"""By the ending of a file's name."""
