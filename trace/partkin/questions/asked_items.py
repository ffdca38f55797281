"""How a question names an item: by its serial number, its lot, its SSCC, or the text of its label."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from sqlalchemy import Connection

from partkin.questions.birth_record import AmbiguousItem, NoSuchItem
from partkin.rules.facts import ItemKey, ItemKind
from partkin.rules.identification import name_item, read_scan
from partkin.rules.reading import Rulebook
from partkin.store.genealogy.whereabouts import items_of_keys, part_numbers


@dataclass(frozen=True, slots=True)
class AskedItem:
    """An item of a code: of one part, or of whichever part has it."""

    code: str
    kinds: tuple[ItemKind, ...] = ("serial",)
    part: str | None = None
    packaging: bool = False
    """Only cartons and pallets: the code is an SSCC."""


@dataclass(frozen=True, slots=True)
class ScannedItem:
    """An item of a label: what the label may name, and its text."""

    text: str
    keys: tuple[ItemKey, ...]


Asked = AskedItem | ScannedItem


def scanned_item(text: str, rulebook: Rulebook, today: date) -> ScannedItem:
    """The item of a label, read as a station reads it. Raises ScanError where it cannot be read."""
    named = name_item(read_scan(text), rulebook.labels, today=today)
    serials = [ItemKey(one.part, "serial", one.serial) for one in named if one.serial is not None]
    lots = [ItemKey(one.part, "lot", one.lot) for one in named if one.lot is not None]
    return ScannedItem(text, (*serials, *lots))


def find_item(connection: Connection, asked: Asked) -> int:
    """The number of the item that is asked for; where a serial item and a lot are of the same code, the serial item.

    Raises NoSuchItem and AmbiguousItem.
    """
    keys = asked.keys if isinstance(asked, ScannedItem) else _keys(connection, asked)
    found = items_of_keys(connection, keys) if keys else {}
    serials = {key: number for key, number in found.items() if key.kind == "serial"}
    numbers = serials or found
    if not numbers:
        raise NoSuchItem(_nothing(asked))
    if len(numbers) > 1:
        raise AmbiguousItem(next(iter(numbers)).code, [key.part for key in numbers])
    return next(iter(numbers.values()))


def _keys(connection: Connection, asked: AskedItem) -> Sequence[ItemKey]:
    parts = [asked.part] if asked.part is not None else part_numbers(connection, packaging=asked.packaging)
    return [ItemKey(part, kind, asked.code) for part in parts for kind in asked.kinds]


def _nothing(asked: Asked) -> str:
    if isinstance(asked, ScannedItem):
        named = " or ".join(map(str, asked.keys)) or "neither a serial number nor a lot"
        return f"The label {asked.text!r} names {named}, which the books do not have."
    what = "SSCC" if asked.packaging else " or ".join(asked.kinds)
    return f"The books have no {asked.part or 'item'} {what} {asked.code}."
