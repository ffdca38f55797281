"""What is put on the label of an item, from the catalogue and the books."""

from __future__ import annotations

from datetime import date

from partkin.rules.catalogue import Catalogue, Part
from partkin.rules.check_characters import SCHEMES
from partkin.rules.facts import ItemKey
from partkin.rules.identification import Labels, ScanError, name_item, read_scan
from partkin.rules.labels.model import Labelled

_SSCC = 18
"""Digits of a serial shipping container code (GS1 General Specifications, 3.3.1)."""


def labelled_item(
    catalogue: Catalogue,
    key: ItemKey,
    of_lot: str | None,
    produced_on: date | None,
    expires_on: date | None,
    quantity: int | None,
) -> Labelled:
    """An item, ready to be put on a label; `quantity` is of what bears it, in pieces."""
    part = catalogue.part[key.part]
    return Labelled(
        part=part.part,
        description=part.description,
        kind=key.kind,
        code=key.code,
        gtin=part.gtin,
        cpid=part.cpid,
        of_lot=of_lot,
        produced_on=produced_on,
        expires_on=expires_on,
        quantity=quantity if key.kind == "lot" else None,
        plain=_reads_plainly(part, key),
        sscc=part.packaging and _is_sscc(key.code),
        markings=tuple(marking.text for marking in catalogue.marking.get(part.part, ())),
    )


def _reads_plainly(part: Part, key: ItemKey) -> bool:
    try:
        named = name_item(read_scan(key.code), Labels([part]), today=date.min)
    except ScanError:
        return False
    return any(getattr(one, key.kind) == key.code for one in named)


def _is_sscc(code: str) -> bool:
    digits = len(code) == _SSCC and code.isascii() and code.isdigit()
    return digits and SCHEMES["gs1-mod-10"].compute(code[:-1]) == code[-1]
