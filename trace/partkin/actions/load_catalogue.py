"""A new catalogue takes the place of the present one: only what differs is written, and journalled."""

from __future__ import annotations

from collections.abc import Iterator
from uuid import uuid4

from sqlalchemy import Connection

from partkin.rules.canonical_json import canonical
from partkin.rules.catalogue import Catalogue, Part, Supplier
from partkin.rules.catalogue.changes import CatalogueChanges, changes_as_json, changes_between
from partkin.rules.moments import Moment, text_of
from partkin.store.catalogue import apply_changes, lock_catalogue, read_catalogue
from partkin.store.database import Database
from partkin.store.items import parts_in_use, suppliers_in_use
from partkin.store.journal.entries import Entry, add_entries, next_numbers


class CatalogueInUse(Exception):
    """The books refer to what the new catalogue leaves out or redefines."""

    def __init__(self, mistakes: tuple[str, ...]) -> None:
        super().__init__("\n".join(mistakes))
        self.mistakes = mistakes


def load_catalogue(database: Database, new: Catalogue, *, operator: str, now: Moment) -> CatalogueChanges:
    """Make the store's catalogue equal to a checked one, in one transaction; nothing is journalled when it already is.

    Raises CatalogueInUse, with every mistake, when the books have items of a part, or receipts of a supplier, that
    would go; or items of a part whose trace level would change.
    """
    with database.write() as connection:
        lock_catalogue(connection)
        changes = changes_between(read_catalogue(connection), new)
        if not changes:
            return changes
        mistakes = tuple(_in_use(connection, changes))
        if mistakes:
            raise CatalogueInUse(mistakes)
        (number,) = next_numbers(connection, 1)
        add_entries(connection, [_entry(number, changes, operator, now)])
        apply_changes(connection, changes, revision=number)
        return changes


def _in_use(connection: Connection, changes: CatalogueChanges) -> Iterator[str]:
    gone = [row.part for row in changes.removed if isinstance(row, Part)]
    for part in sorted(parts_in_use(connection, gone)):
        yield f"part {part} is left out, but the books have items of it: leave it in"
    redefined = [
        change.old.part
        for change in changes.changed
        if isinstance(change.old, Part) and isinstance(change.new, Part) and change.old.trace != change.new.trace
    ]
    for part in sorted(parts_in_use(connection, redefined)):
        yield f"part {part} gets another trace level, but the books have items of it: give it a new part number"
    suppliers = [row.supplier for row in changes.removed if isinstance(row, Supplier)]
    for supplier in sorted(suppliers_in_use(connection, suppliers)):
        yield f"supplier {supplier} is left out, but the books have receipts from it: leave it in"


def _entry(number: int, changes: CatalogueChanges, operator: str, now: Moment) -> Entry:
    message_id = str(uuid4())
    written = changes_as_json(changes)
    answer = {
        "entry": number,
        "message_id": message_id,
        "outcome": "recorded",
        "recorded_at": text_of(now),
        "changes": written,
    }
    message = {
        "kind": "catalogue",
        "message_id": message_id,
        "operator": operator,
        "occurred_at": text_of(now),
    }
    return Entry(
        id=number,
        message_id=message_id,
        kind="catalogue",
        mode="tell",
        outcome="recorded",
        scan_point=None,
        operator=operator,
        occurred_at=now,
        recorded_at=now,
        item_id=None,
        status=201,
        message=canonical(message),
        answer=canonical(answer),
    )
