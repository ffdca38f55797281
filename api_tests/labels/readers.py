"""Labels as a reader meets them: rasterised, turned, with noise; and readers of other makes."""

from __future__ import annotations

import base64
import re
import subprocess
from collections.abc import Sequence
from pathlib import Path
from xml.etree import ElementTree as ET

import numpy as np
import pypdfium2  # type: ignore[import-untyped]
import resvg_py
import zxingcpp
from numpy.typing import NDArray
from PIL import Image

MM_PER_INCH = 25.4

Picture = NDArray[np.uint8]
"""Grey values by row and column."""

GRAIN = 24
"""Grey values, of 256."""

_SYMBOLS = zxingcpp.BarcodeFormats(
    (zxingcpp.BarcodeFormat.Code128, zxingcpp.BarcodeFormat.DataMatrix, zxingcpp.BarcodeFormat.QRCode)
)


def opened(file: str | Path) -> Picture:
    return np.asarray(Image.open(file).convert("L"))


def of_png(png: bytes, path: Path) -> Picture:
    path.write_bytes(png)
    return opened(path)


def of_svg(svg: str, path: Path, dots_per_inch: int) -> Picture:
    return of_png(bytes(resvg_py.svg_to_bytes(svg_string=svg, dpi=dots_per_inch)), path)


def of_pdf(pdf: bytes, dots_per_inch: int, page: int = 0) -> Picture:
    document = pypdfium2.PdfDocument(pdf)
    return np.asarray(document[page].render(scale=dots_per_inch / 72).to_pil().convert("L"))


def text_of_pdf(pdf: bytes) -> str:
    return "".join(page.get_textpage().get_text_range() for page in pypdfium2.PdfDocument(pdf))


def turned(picture: Picture, degrees: float) -> Picture:
    image = Image.fromarray(picture).rotate(degrees, Image.Resampling.BILINEAR, expand=True, fillcolor=255)
    return np.asarray(image)


def noisy(picture: Picture, random: np.random.Generator) -> Picture:
    """Ink that is not quite black on paper that is not quite white, and the grain of a camera's picture."""
    grain = random.integers(0, GRAIN, picture.shape, dtype=np.uint8)
    return 40 + picture // 2 + picture // 4 + grain


def read(picture: Picture) -> list[zxingcpp.Barcode]:
    return zxingcpp.read_barcodes(
        picture, formats=_SYMBOLS, text_mode=zxingcpp.TextMode.Plain, try_invert=False, try_downscale=False
    )


def scanned(picture: Picture) -> list[str]:
    """What a reader sends that was set to send symbology identifiers."""
    return [found.symbology_identifier + found.text for found in read(picture)]


def read_by_zbar(files: Sequence[Path]) -> list[tuple[str, str]]:
    """Kind of symbol, GS1 where FNC1 came first, and data of the one code in each file."""
    found = subprocess.run(["zbarimg", "--quiet", "--xml", *files], capture_output=True, text=True, check=True)
    # Control characters in what is not base64 are no XML.
    root = ET.fromstring(found.stdout.replace("\x1d", "&#xE01D;"))
    space = {"z": "http://zbar.sourceforge.net/2008/barcode"}
    symbols = [source.findall(".//z:symbol", space) for source in root.findall("z:source", space)]
    return [_of_zbar(one) for (one,) in symbols]


def _of_zbar(symbol: ET.Element) -> tuple[str, str]:
    (data,) = symbol
    text = data.text or ""
    if data.get("format") == "base64":
        text = base64.b64decode(text).decode("ascii")
    kind = f"{symbol.get('type')} {symbol.get('modifiers', '')}".strip()
    return kind, text.replace("\ue01d", "\x1d")


def read_by_libdmtx(file: Path) -> str:
    """The data of the one Data Matrix in a file, with GS for every FNC1, the first one, too."""
    found = subprocess.run(["dmtxread", "-N1", "-G29", file], capture_output=True, check=True)
    return found.stdout.decode("ascii")


def zint_accepts(bracketed: str, path: Path) -> bool:
    """Whether zint, which checks them by the GS1 General Specifications, draws the elements without a warning."""
    command = ["zint", "--werror", "--barcode=GS1_128", f"--output={path}", f"--data={bracketed}"]
    return subprocess.run(command, capture_output=True, check=False).returncode == 0


def runs(line: NDArray[np.uint8]) -> list[int]:
    """Lengths of the runs of black and white dots, those at both ends left out."""
    changes = np.flatnonzero(np.diff(line > 127))
    return [int(length) for length in np.diff(changes)]


def without_blanks(text: str) -> str:
    return re.sub(r"\s", "", text)
