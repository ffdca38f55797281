"""Which data the code of a label carries.

Sources: GS1 General Specifications 3 and 4.13 (identifiers, and what may stand together), 7.8 (separators); GS1 Digital
Link Standard: URI Syntax.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import date
from urllib.parse import quote

from partkin.rules.identification import Element, ScanError
from partkin.rules.identification.application_identifiers import APPLICATION_IDENTIFIERS
from partkin.rules.identification.digital_link import read_digital_link
from partkin.rules.identification.element_strings import read_element_string
from partkin.rules.identification.readings import GS
from partkin.rules.labels.model import LabelError, Labelled

_IN_PATH = ("00", "01", "8010", "10", "21", "8011")
"""Keys and their qualifiers, in the order of a GS1 Digital Link; all else stands in the query."""


def plain_text(labelled: Labelled) -> str:
    """The serial number or lot itself. Raises LabelError where the label could not be read back."""
    _need_pattern(labelled, ", or give it a GTIN and print a GS1 symbol")
    if not (labelled.code.isascii() and labelled.code.isprintable()):
        raise LabelError(f"{labelled.code!r} cannot be a plain code: it has characters that are not printable ASCII.")
    return labelled.code


def _need_pattern(labelled: Labelled, other_way: str = "") -> None:
    if not labelled.plain:
        raise LabelError(
            f"No label pattern of part {labelled.part} reads {labelled.code!r}, so this code would name nothing: "
            f"give the part a label pattern that fits{other_way}."
        )


def elements_of(labelled: Labelled, *, short: bool) -> tuple[Element, ...]:
    """The GS1 elements of an item, those of predefined length first.

    In short without its production date and, if it is serial, without its lot: a row of bars has less room.

    Raises LabelError.
    """
    elements = tuple(_elements(labelled, short))
    try:
        read_element_string(element_string(elements), 0)
    except ScanError as error:
        raise LabelError(
            f"{labelled.code!r} of part {labelled.part} cannot be printed in a GS1 symbol. {_sentence(error)}"
        ) from error
    return elements


def _elements(labelled: Labelled, short: bool) -> Iterator[Element]:
    if labelled.sscc:
        # An SSCC says nothing of its part.
        _need_pattern(labelled)
        yield Element("00", labelled.code)
    elif labelled.gtin is not None:
        yield from _trade_item(labelled, labelled.gtin, short)
    elif labelled.cpid is not None and labelled.kind == "serial":
        yield Element("8010", labelled.cpid)
        yield Element("8011", labelled.code)
    else:
        raise LabelError(
            f"Part {labelled.part} has no GTIN, and without one no GS1 symbol can name {labelled.code!r}: "
            "give the part a GTIN, or a label pattern and print code-128 or qr."
        )


def _trade_item(labelled: Labelled, gtin: str, short: bool) -> Iterator[Element]:
    yield Element("01", gtin)
    if labelled.produced_on and not short:
        yield Element("11", _yymmdd(labelled.produced_on))
    if labelled.expires_on:
        yield Element("17", _yymmdd(labelled.expires_on))
    if labelled.kind == "serial":
        yield Element("21", labelled.code)
        if labelled.of_lot and not short:
            yield Element("10", labelled.of_lot)
        return
    yield Element("10", labelled.code)
    # (37) must not stand with (01).
    if labelled.quantity is not None:
        yield Element("30", str(labelled.quantity))


def _yymmdd(day: date) -> str:
    return day.strftime("%y%m%d")


def element_string(elements: Sequence[Element]) -> str:
    """Elements in a row, with GS after each value that needs a separator."""
    text = ""
    for element in elements:
        text += element.key + element.value
        if not APPLICATION_IDENTIFIERS[element.key].predefined_length:
            text += GS
    return text.removesuffix(GS)


def digital_link(elements: Sequence[Element], stem: str) -> str:
    """The elements as a GS1 Digital Link URI under a web address such as https://id.gs1.org. Raises LabelError."""
    in_path = sorted((one for one in elements if one.key in _IN_PATH), key=lambda one: _IN_PATH.index(one.key))
    in_query = [one for one in elements if one.key not in _IN_PATH]
    path = "".join(f"/{one.key}/{quote(one.value, safe='')}" for one in in_path)
    query = "&".join(f"{one.key}={one.value}" for one in in_query)
    uri = stem.rstrip("/") + path + (f"?{query}" if query else "")
    try:
        read_digital_link(uri, 0)
    except ScanError as error:
        raise LabelError(f"{uri!r} is no GS1 Digital Link. {_sentence(error)}") from error
    return uri


def _sentence(error: ScanError) -> str:
    """Without the place, as nobody has scanned anything."""
    return error.detail.removeprefix(f"At character {error.place}: ")
