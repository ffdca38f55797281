"""Whether criteria name an item by itself: what a scan alone can tell, before the books know anything of it."""

from __future__ import annotations

from datetime import date
from functools import lru_cache

from partkin.rules.catalogue import Catalogue
from partkin.rules.check_characters import SCHEMES
from partkin.rules.facts import ItemKey
from partkin.rules.messages.criteria import AnyOf, Produced, SerialRange, Suspects
from partkin.rules.messages.criteria_json import suspects_of_json


@lru_cache(maxsize=256)
def suspects_of(text: str) -> Suspects:
    """What a case suspects, from the JSON text that the books keep."""
    return suspects_of_json(text)


def names_alone(suspects: Suspects, key: ItemKey, of_lot: str | None, made: date | None, catalogue: Catalogue) -> bool:
    """Whether an item is suspected for what its label says, with no further condition."""
    if suspects.all_of or suspects.except_ is not None:
        return False
    return names_item(suspects, key, of_lot, made, catalogue)


def names_item(any_of: AnyOf, key: ItemKey, of_lot: str | None, made: date | None, catalogue: Catalogue) -> bool:
    """Whether an item is one of those that criteria name by number, lot or day of production."""
    codes = {("serial" if one.serial is not None else "lot", one.part, one.serial or one.lot) for one in any_of.items}
    if (key.kind, key.part, key.code) in codes or (of_lot is not None and ("lot", key.part, of_lot) in codes):
        return True
    return any(_in_range(serials, key, catalogue) for serials in any_of.serial_ranges) or any(
        _made_then(produced, key, made, catalogue) for produced in any_of.produced
    )


def _in_range(serials: SerialRange, key: ItemKey, catalogue: Catalogue) -> bool:
    if key.kind != "serial" or key.part != serials.part:
        return False
    numbering = catalogue.numbering_of(key.part)
    has_check = serials.without_check and numbering is not None and numbering.check is not None
    checks = SCHEMES[numbering.check].length if has_check and numbering is not None and numbering.check else 0
    length = len(serials.from_)
    return len(key.code) == length + checks and serials.from_ <= key.code[:length] <= serials.to


def _made_then(produced: Produced, key: ItemKey, made: date | None, catalogue: Catalogue) -> bool:
    if made is None or key.part != produced.part or not produced.from_ <= made <= produced.to:
        return False
    return produced.supplier in (None, catalogue.part[key.part].supplier)
