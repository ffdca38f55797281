"""What a line builds next."""

from __future__ import annotations

import json
from typing import Any

from partkin.store.build_orders import open_orders_after
from partkin.store.database import Readable


def list_open_orders(database: Readable, *, line: str, after: tuple[int, str], limit: int) -> list[dict[str, Any]]:
    """The open orders of a line, in the order in which they are to be built, from the one after `after`."""
    with database.read() as connection:
        rows = open_orders_after(connection, line=line, after=after, limit=limit)
    return [
        {
            "order": row.code,
            "line": row.line,
            "sequence": row.sequence,
            "part": row.part,
            "description": row.description,
            "serial": row.serial,
            "quantity": row.quantity,
            "started": row.started,
            "due": None if row.due is None else row.due.isoformat(),
            "parts": json.loads(row.parts),
        }
        for row in rows
    ]
