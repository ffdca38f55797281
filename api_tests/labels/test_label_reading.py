"""What is printed names the item again when it is read: thousands of random labels, drawn as small as they may be."""

from __future__ import annotations

import shutil
import string
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import date, timedelta
from itertools import islice
from pathlib import Path
from random import Random

import numpy as np
import pytest
from stdnum import ean

from api_tests.labels import readers
from partkin.exports.labels import draw_pdf, draw_png, draw_svg
from partkin.rules.catalogue import Part
from partkin.rules.facts import LabelKind, Symbol
from partkin.rules.identification import Labels, Named, name_item, read_scan
from partkin.rules.labels import SYMBOLS, Label, Labelled, compose
from partkin.rules.labels.model import Modules

TODAY = date(2026, 3, 2)
VALUES = 500

CSET_82 = "!\"%&'()*+,-./0123456789:;<=>?" + string.ascii_uppercase + "_" + string.ascii_lowercase
"""Source: GS1 General Specifications 7.11."""
PRINTABLE = "".join(map(chr, range(0x21, 0x7F)))

IDENTIFIERS = {
    "code-128": "]C0",
    "gs1-128": "]C1",
    "gs1-datamatrix": "]d2",
    "qr": "]Q1",
    "gs1-qr": "]Q3",
    "digital-link": "]Q1",
}
"""Source: ISO/IEC 15424."""

KINDS: dict[Symbol, LabelKind] = {"code-128": "unit", "gs1-128": "unit"}
"""Wide enough for the longest value; component labels for the others."""


def _gtin(random: Random) -> str:
    body = f"{random.randrange(10**13):013}"
    return body + ean.calc_check_digit(body)


def _sscc(random: Random) -> str:
    body = f"{random.randrange(10**17):017}"
    return body + ean.calc_check_digit(body)


_RANDOM = Random(1)
GTINS = {_gtin(_RANDOM): f"G-{number}" for number in range(20)}
CPIDS = {f"290000{number}{'#-/Z'[number % 4]}A" for number in range(8)}

CATALOGUE = Labels(
    [
        *(Part(part, "Drum motor", "serial", made=False, sold=False, gtin=gtin) for gtin, part in GTINS.items()),
        *(Part(f"C-{cpid}", "Fan", "serial", made=False, sold=False, cpid=cpid) for cpid in CPIDS),
        Part("PLAIN", "Drum module", "serial", made=True, sold=False, label_pattern="(?P<serial>P.*)"),
        Part("DIGITS", "Drive module", "serial", made=True, sold=False, label_pattern="(?P<serial>[0-9]{1,17})"),
        Part("PALLET", "Pallet", "serial", made=True, sold=False, label_pattern="(?P<serial>[0-9]{18})"),
    ]
)


# ------------------------------------------------------------------------------------------------------------
# Random items
# ------------------------------------------------------------------------------------------------------------


def _text(random: Random, characters: str, most: int) -> str:
    """Often digits and letters in runs, where encoders change their code sets."""
    alphabets = random.choices((characters, string.digits, string.ascii_uppercase), (1, 2, 1), k=most)
    length = random.randint(1, most)
    return "".join("".join(random.choices(alphabet, k=random.randint(1, 6))) for alphabet in alphabets)[:length]


def _plain(random: Random) -> Labelled:
    if random.random() < 0.5:
        code = _text(random, string.digits, 17).translate(str.maketrans(string.ascii_uppercase, "9" * 26))
        return Labelled("DIGITS", "Drive module", "serial", code, plain=True)
    return Labelled("PLAIN", "Drum module", "serial", "P" + _text(random, PRINTABLE, 13), plain=True)


def _day(random: Random) -> date | None:
    return random.choice((None, date(2020, 1, 1) + timedelta(days=random.randrange(4000))))


def _trade_item(random: Random, symbol: Symbol) -> Labelled:
    gtin = random.choice(list(GTINS))
    serial = symbol == "gs1-128" or random.random() < 0.5
    most = 12 if symbol == "gs1-128" else 20
    return Labelled(
        GTINS[gtin],
        "Drum motor",
        "serial" if serial else "lot",
        _text(random, CSET_82, most),
        gtin=gtin,
        of_lot=random.choice((None, _text(random, CSET_82, 20))) if serial else None,
        produced_on=_day(random),
        expires_on=_day(random),
        quantity=None if serial else random.choice((None, 1, 37, 99_999_999)),
    )


def _component(random: Random) -> Labelled:
    cpid = random.choice(sorted(CPIDS))
    return Labelled(f"C-{cpid}", "Fan", "serial", str(random.randrange(1, 10**12)), cpid=cpid)


def items(symbol: Symbol) -> Iterator[Labelled]:
    random = Random(f"labels {symbol}")
    for number in range(VALUES):
        if symbol in ("code-128", "qr"):
            yield _plain(random)
        elif number % 10 == 0:
            yield Labelled("PALLET", "Pallet", "serial", _sscc(random), plain=True, sscc=True)
        elif number % 10 == 1:
            yield _component(random)
        else:
            yield _trade_item(random, symbol)


def smallest(labelled: Labelled, symbol: Symbol) -> Label:
    """Its label, with the narrowest modules."""
    label = compose(labelled, KINDS.get(symbol, "component"), symbol)
    least = label.code.modules.least
    return replace(label, code=replace(label.code, modules=Modules(least, least)))


def resolution(label: Label) -> int:
    """Dots per inch, so that a bar is two dots wide, a square three."""
    dots = 3 if label.code.bar_height is None else 2
    return round(dots * readers.MM_PER_INCH / label.code.modules.least)


def named(labelled: Labelled, symbol: Symbol) -> Named:
    """What the label names: a row of bars leaves out the day of production, and the lot of a serial item."""
    if labelled.gtin is None or labelled.sscc:
        return Named(labelled.part, labelled.code)
    short = symbol == "gs1-128"
    serial, lot = (labelled.code, labelled.of_lot) if labelled.kind == "serial" else (None, labelled.code)
    if labelled.kind == "serial" and short:
        lot = None
    produced_on = None if short else labelled.produced_on
    return Named(labelled.part, serial, lot, produced_on, labelled.expires_on, labelled.quantity)


# ------------------------------------------------------------------------------------------------------------
# Read back
# ------------------------------------------------------------------------------------------------------------

Picture = readers.Picture
TURNS: tuple[Callable[[Picture, np.random.Generator], Picture], ...] = (
    lambda picture, _: picture,
    lambda picture, _: np.rot90(picture).copy(),
    lambda picture, random: readers.noisy(np.rot90(picture, 2), random),
    lambda picture, _: np.rot90(picture, 3).copy(),
    lambda picture, random: readers.noisy(readers.turned(picture, random.uniform(-6, 6)), random),
)


def _picture(label: Label, number: int, folder: Path) -> Picture:
    """As PNG; one in ten each as SVG and PDF."""
    match number % 10:
        case 3:
            return readers.of_svg(draw_svg(label), folder / "svg.png", resolution(label))
        case 7:
            return readers.of_pdf(draw_pdf([label]), resolution(label))
        case _:
            return readers.of_png(draw_png(label, resolution(label)), folder / "label.png")


@pytest.mark.parametrize("symbol", SYMBOLS)
def test_a_label_names_the_item_that_it_was_printed_for(symbol: Symbol, tmp_path: Path) -> None:
    random = np.random.default_rng(1)
    for number, labelled in enumerate(items(symbol)):
        label = smallest(labelled, symbol)
        turn = TURNS[number // 10 % len(TURNS)]
        scans = readers.scanned(turn(_picture(label, number, tmp_path), random))
        assert scans == [IDENTIFIERS[symbol] + label.code.data], labelled
        assert name_item(read_scan(scans[0]), CATALOGUE, today=TODAY) == (named(labelled, symbol),)


# ------------------------------------------------------------------------------------------------------------
# Readers of other makes, and another judge of GS1 data
# ------------------------------------------------------------------------------------------------------------

ZBAR_KINDS = {"code-128": "CODE-128", "gs1-128": "CODE-128 GS1", "qr": "QR-Code", "gs1-qr": "QR-Code GS1"}


def _need(program: str, package: str) -> None:
    if shutil.which(program) is None:
        pytest.skip(f"{program} is not installed (Debian package {package})")


def _some(symbol: Symbol) -> Iterator[Label]:
    return (smallest(labelled, symbol) for labelled in islice(items(symbol), 60))


def _files(labels: list[Label], folder: Path) -> list[Path]:
    files = [folder / f"{number}.png" for number in range(len(labels))]
    for label, file in zip(labels, files, strict=True):
        file.write_bytes(draw_png(label, resolution(label)))
    return files


@pytest.mark.parametrize(("symbol", "kind"), ZBAR_KINDS.items())
def test_zbar_reads_the_same_from_bars_and_qr_codes(symbol: Symbol, kind: str, tmp_path: Path) -> None:
    _need("zbarimg", "zbar-tools")
    labels = list(_some(symbol))
    assert readers.read_by_zbar(_files(labels, tmp_path)) == [(kind, label.code.data) for label in labels]


def test_libdmtx_reads_the_same_from_gs1_datamatrix(tmp_path: Path) -> None:
    _need("dmtxread", "dmtx-utils")
    labels = list(_some("gs1-datamatrix"))
    for label, file in zip(labels, _files(labels, tmp_path), strict=True):
        assert readers.read_by_libdmtx(file) == "\x1d" + label.code.data


def test_zint_finds_the_elements_right(tmp_path: Path) -> None:
    _need("zint", "zint")
    for label in _some("gs1-128"):
        bracketed = "".join(f"[{element.key}]{element.value}" for element in label.code.elements)
        assert readers.zint_accepts(bracketed, tmp_path / "zint.png"), bracketed
    assert not readers.zint_accepts("[01]97259354555088", tmp_path / "zint.png")
