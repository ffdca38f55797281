"""What the journal says."""

from __future__ import annotations

import json
from typing import Any

from partkin.rules.moments import text_of
from partkin.store.database import Database
from partkin.store.journal import Entry, read_entries


def list_entries(database: Database, *, after: int, limit: int) -> list[Entry]:
    """Up to `limit` entries in order of their numbers, from the one after `after`."""
    with database.read() as connection:
        return list(read_entries(connection, after=after, limit=limit))


def find_entry(database: Database, number: int) -> Entry | None:
    """The entry of a number."""
    found = list_entries(database, after=number - 1, limit=1)
    return found[0] if found and found[0].id == number else None


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
