"""What is on hold."""

from __future__ import annotations

from typing import Any

from partkin.rules.facts import ItemKey
from partkin.rules.facts_json import item_json
from partkin.rules.moments import end_text, text_of
from partkin.store.database import Database
from partkin.store.items import holds_after


def list_holds(database: Database, *, released: bool, after: int, limit: int) -> list[dict[str, Any]]:
    """Holds in the order they were placed: those in force, or with the released ones."""
    with database.read() as connection:
        rows = holds_after(connection, released=released, after=after, limit=limit)
    return [
        {
            "hold": row.id,
            "item": item_json(ItemKey(row.part, row.kind, row.code)),
            "reason": row.reason,
            "discrepancy": row.discrepancy,
            "placed_at": text_of(row.placed_at),
            "placed_by": row.placed_by,
            "released_at": end_text(row.released_at),
            "released_by": row.released_by,
            "release_reason": row.release_reason,
        }
        for row in rows
    ]
