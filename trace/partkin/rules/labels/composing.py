"""Composing a label: its lines of text and its code."""

from __future__ import annotations

from collections.abc import Iterator

from partkin.rules.facts import LabelKind, Symbol
from partkin.rules.labels.carried import digital_link, element_string, elements_of, plain_text
from partkin.rules.labels.forms import BARS, FORMS, PLAIN, QUIET_ZONES, Form
from partkin.rules.labels.model import Code, Label, LabelError, Labelled, Line

_NO_BREAK = "\N{NO-BREAK SPACE}"


def compose(
    labelled: Labelled, kind: LabelKind, symbol: Symbol | None = None, *, link_stem: str = "https://id.gs1.org"
) -> Label:
    """The label of an item; `link_stem` is the web address that a GS1 Digital Link begins with.

    Without a symbol it is the usual one: where the item has a GTIN, CPID or SSCC GS1-128 for cartons and pallets and
    GS1 DataMatrix for the others, else Code 128.

    Raises LabelError where the code could not name the item when it is read.
    """
    if kind == "unit" and labelled.kind == "lot":
        raise LabelError(f"A rating plate is for a serial number, and {labelled.code!r} is a lot: print another label.")
    if labelled.quantity is not None and labelled.quantity < 1:
        raise LabelError(f"A label cannot say that there are {labelled.quantity} pieces: give at least 1, or nothing.")
    form = FORMS[kind]
    code = _code(labelled, symbol or _usual_symbol(labelled, kind), form, link_stem)
    lines = _rating_plate(labelled, form) if kind == "unit" else _other_label(labelled, form)
    return Label(kind, form.width, form.height, form.margin, tuple(lines), code, form.small)


def _usual_symbol(labelled: Labelled, kind: LabelKind) -> Symbol:
    gs1 = labelled.sscc or labelled.gtin is not None or (labelled.cpid is not None and not labelled.plain)
    if not gs1:
        return "code-128"
    return "gs1-128" if kind in ("carton", "pallet") else "gs1-datamatrix"


def _code(labelled: Labelled, symbol: Symbol, form: Form, link_stem: str) -> Code:
    elements = () if symbol in PLAIN else elements_of(labelled, short=symbol in BARS)
    if symbol in PLAIN:
        data = plain_text(labelled)
    elif symbol == "digital-link":
        data = digital_link(elements, link_stem)
    else:
        data = element_string(elements)
    modules, bar_height = (form.bars, form.bar_height) if symbol in BARS else (form.squares, None)
    return Code(symbol, data, elements, modules, QUIET_ZONES[symbol], bar_height)


def _rating_plate(labelled: Labelled, form: Form) -> Iterator[Line]:
    yield Line(labelled.description, form.heading, bold=True)
    yield Line(f"Part {labelled.part}", form.body)
    yield Line(_name(labelled), form.body, bold=True)
    for marking in labelled.markings:
        yield Line(marking, form.small)


def _other_label(labelled: Labelled, form: Form) -> Iterator[Line]:
    yield Line(labelled.part, form.heading, bold=True)
    yield Line(labelled.description, form.body)
    yield Line(_name(labelled), form.body, bold=True)
    if labelled.quantity is not None:
        yield Line(f"Quantity {labelled.quantity}", form.body)
    if details := ", ".join(_details(labelled)):
        yield Line(details[0].upper() + details[1:], form.small)


def _details(labelled: Labelled) -> Iterator[str]:
    """Each of them stays on one line."""
    if labelled.of_lot:
        yield f"of{_NO_BREAK}lot{_NO_BREAK}{labelled.of_lot}"
    if labelled.produced_on:
        yield f"made{_NO_BREAK}on{_NO_BREAK}{labelled.produced_on}"
    if labelled.expires_on:
        yield f"use{_NO_BREAK}by{_NO_BREAK}{labelled.expires_on}"


def _name(labelled: Labelled) -> str:
    if labelled.sscc:
        return f"SSCC {labelled.code}"
    return f"{'Serial number' if labelled.kind == 'serial' else 'Lot'} {labelled.code}"
