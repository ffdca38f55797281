"""Which rows of some books were changed, and by which entries: whoever holds these books as arrays follows it.

Rows that were only added need no mention: their numbers are made from those of their entries.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, Final

from sqlalchemy import Connection, Select, delete, select

from partkin.rules.known import Changes
from partkin.rules.rows import ItemRow, MarriageRow, ShipmentLineRow, ShipmentRow
from partkin.store.statements import insert_rows
from partkin.store.tables import changed_row, item, marriage, shipment, shipment_line

KEPT_ENTRIES: Final = 1_000_000
"""Changes by older entries than the newest so many are forgotten: who is that far behind reads the books anew."""

_FORGET_EVERY: Final = 10_000

_Numbered = ItemRow | MarriageRow | ShipmentRow | ShipmentLineRow

_BOOKS: Final[dict[type[_Numbered], str]] = {
    ItemRow: item.name,
    MarriageRow: marriage.name,
    ShipmentRow: shipment.name,
    ShipmentLineRow: shipment_line.name,
}


def note_changes(connection: Connection, changes: Changes, first: int, last: int) -> None:
    """Note the rows that are changed with the entries of these numbers, and forget what is old now and then."""
    noted = [(last, book, number) for book, number in _changed(changes)]
    insert_rows(connection, changed_row, ("entry", "book", "row"), noted)
    if (first - 1) // _FORGET_EVERY < last // _FORGET_EVERY:
        connection.execute(delete(changed_row).where(changed_row.c.entry < last - KEPT_ENTRIES))


def _changed(changes: Changes) -> Iterator[tuple[str, int]]:
    for kind, book in _BOOKS.items():
        for row in changes.changed.get(kind, {}).values():
            # Of a lot only how much of it was used changes: nobody holds that.
            if isinstance(row, _Numbered) and not (isinstance(row, ItemRow) and row.kind == "lot"):
                yield book, row.id


def changed_since(entry: int) -> Select[Any]:
    """Rows that were changed after an entry: the book, and the row's number."""
    t = changed_row.c
    return select(t.book, t.row).where(t.entry > entry)
