"""Papers read back with a general PDF library: their texts, and where each stands."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pypdfium2  # type: ignore[import-untyped]
import pypdfium2.raw as pdfium  # type: ignore[import-untyped]
from numpy.typing import NDArray

HAIR = 0.3
"""Points."""
OVERHANG = 1.0
"""Points: how far a letter such as J may reach out of its place."""


@dataclass(frozen=True)
class Page:
    """A page of a PDF file."""

    text: str
    boxes: NDArray[np.float64]
    """Left, bottom, right and top of each piece of text, points."""
    size: tuple[float, float]
    fonts_embedded: bool

    def overlapping(self) -> int:
        """Pairs of texts that lie on each other by more than a hair."""
        low, high = self.boxes[:, :2], self.boxes[:, 2:]
        shared = np.minimum(high[:, None], high[None]) - np.maximum(low[:, None], low[None])
        return int(np.triu((shared > HAIR).all(axis=2), k=1).sum())

    def inside(self, across: float, upright: float) -> bool:
        """Whether all texts keep this far from the edges, points."""
        width, height = self.size
        low, high = self.boxes[:, :2] + OVERHANG, self.boxes[:, 2:] - OVERHANG
        return bool((low >= (across, upright)).all() and (high <= (width - across, height - upright)).all())


def pages(pdf: bytes) -> list[Page]:
    """All pages."""
    return [_page(one) for one in pypdfium2.PdfDocument(pdf)]


def text_of(pdf: bytes) -> str:
    """All text, with single blanks."""
    return " ".join(" ".join(page.text for page in pages(pdf)).split())


def _page(page: pypdfium2.PdfPage) -> Page:
    text = page.get_textpage()
    boxes = [text.get_rect(index) for index in range(text.count_rects())]
    drawn = page.get_objects(filter=[pdfium.FPDF_PAGEOBJ_TEXT])
    embedded = all(pdfium.FPDFFont_GetIsEmbedded(pdfium.FPDFTextObj_GetFont(one)) == 1 for one in drawn)
    return Page(text.get_text_range(), np.array(boxes), page.get_size(), embedded)
