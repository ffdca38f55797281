"""What the journal says."""

from __future__ import annotations

import json
from typing import Any

from partkin.rules.moments import text_of
from partkin.store.database import Database
from partkin.store.journal.entries import Entry, broken_entries, read_entries
from partkin.store.journal.journal_codec import BrokenEntry


def list_entries(database: Database, *, after: int, limit: int) -> list[Entry]:
    """Up to `limit` entries in order of their numbers, from the one after `after`. Raises BrokenEntry."""
    with database.read() as connection:
        return list(read_entries(connection, after=after, limit=limit))


def find_entry(database: Database, number: int) -> Entry | None:
    """The entry of a number. Raises BrokenEntry."""
    found = list_entries(database, after=number - 1, limit=1)
    return found[0] if found and found[0].id == number else None


def unreadable_entries(database: Database) -> list[BrokenEntry]:
    """The entries whose message and answer cannot be read, in order."""
    with database.read() as connection:
        return list(broken_entries(connection))


def entry_json(entry: Entry) -> dict[str, Any]:
    """An entry as JSON: when it was recorded, what was posted, and what was answered.

    Of a case's list, which nobody posted (kind `case-list`), the message says the entry that it follows, and the answer
    holds the facts.
    """
    return {
        "entry": entry.id,
        "kind": entry.kind,
        "recorded_at": text_of(entry.recorded_at),
        "outcome": entry.outcome,
        "status": entry.status,
        "message": json.loads(entry.message),
        "answer": json.loads(entry.answer),
    }
