"""The modules of a code: which of them are black."""

from __future__ import annotations

import zxingcpp
from barcode.codex import Code128, Gs1_128  # type: ignore[import-untyped]

from partkin.rules.identification.readings import GS
from partkin.rules.labels import Code

Pattern = tuple[str, ...]
"""Rows of 0 (white) and 1 (black) without quiet zones; one row for a symbol made of bars."""

_FNC1 = Gs1_128.FNC1_CHAR


class _Code128(Code128):  # type: ignore[misc]
    def _try_to_optimize(self, encoded: list[int]) -> list[int]:
        """Leave the digits 99 in front alone: python-barcode 0.16.1 takes them for a change of code set."""
        if encoded[1] == 99:
            return encoded
        optimised: list[int] = super()._try_to_optimize(encoded)
        return optimised


def pattern_of(code: Code) -> Pattern:
    """Encode the data of a code."""
    match code.symbol:
        case "code-128":
            return tuple(_Code128(code.data).build())
        case "gs1-128":
            return tuple(Gs1_128(code.data.replace(GS, _FNC1)).build())
        case "gs1-datamatrix":
            # Rectangular symbols and their extension are beyond many readers.
            return _rows(zxingcpp.create_barcode(_bracketed(code), _DATA_MATRIX, gs1=True, forceSquare=True))
        case "gs1-qr":
            return _rows(zxingcpp.create_barcode(_bracketed(code), _QR_CODE, gs1=True, ecLevel="M"))
        case "qr" | "digital-link":
            return _rows(zxingcpp.create_barcode(code.data, _QR_CODE, ecLevel="M"))


_DATA_MATRIX = zxingcpp.BarcodeFormat.DataMatrix
_QR_CODE = zxingcpp.BarcodeFormat.QRCode


def _bracketed(code: Code) -> str:
    """Elements as zxing-cpp takes them: square brackets cannot stand in a value, round ones can."""
    return "".join(f"[{element.key}]{element.value}" for element in code.elements)


def _rows(barcode: zxingcpp.Barcode) -> Pattern:
    image = barcode.to_image(scale=1, add_quiet_zones=False)
    rows: list[list[int]] = memoryview(image).tolist()  # type: ignore[arg-type, assignment]
    return tuple("".join("0" if white else "1" for white in row) for row in rows)
