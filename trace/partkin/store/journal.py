"""The journal: entries are added, found again by message, and read in order."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, fields
from typing import Any

from sqlalchemy import Connection, func, insert, select

from partkin.rules.moments import Moment
from partkin.store.database import among
from partkin.store.tables import entry, entry_numbers


@dataclass(frozen=True, slots=True)
class Entry:
    """One line of the journal; its fields are the columns of the table."""

    id: int
    message_id: str | None
    kind: str
    mode: str | None
    outcome: str
    scan_point: str | None
    operator: str | None
    occurred_at: Moment | None
    recorded_at: Moment
    item_id: int | None
    status: int
    message: str
    answer: str


def next_numbers(connection: Connection, count: int) -> Sequence[int]:
    """Numbers for new entries, ascending.

    Ask for them after all locks are taken: then entries about one item are numbered in the order they are committed.
    """
    if connection.dialect.name == "postgresql":
        drawn = select(entry_numbers.next_value()).select_from(func.generate_series(1, count).alias("each"))
        return sorted(connection.scalars(drawn))
    last = connection.scalar(select(func.max(entry.c.id))) or 0
    return range(last + 1, last + 1 + count)


def add_entries(connection: Connection, entries: Iterable[Entry]) -> None:
    """Append entries; in one order of message ids, so that two processes never wait for each other."""
    rows = [_columns(one) for one in sorted(entries, key=lambda one: one.message_id or "")]
    if rows:
        connection.execute(insert(entry), rows)


def _columns(one: Entry) -> dict[str, Any]:
    return {name: getattr(one, name) for name in _NAMES}


_NAMES = [field.name for field in fields(Entry)]


def entries_of_messages(connection: Connection, message_ids: Sequence[str]) -> dict[str, Entry]:
    """The entries that answered these messages before."""
    found = connection.execute(select(entry).where(among(connection, entry.c.message_id, message_ids)))
    return {row.message_id: Entry(*row) for row in found}


def read_entries(
    connection: Connection, *, after: int = 0, limit: int | None = None, chunk: int = 1000
) -> Iterator[Entry]:
    """Entries in order of their numbers, a chunk at a time."""
    query = select(entry).where(entry.c.id > after).order_by(entry.c.id)
    if limit is not None:
        query = query.limit(limit)
    for row in connection.execution_options(yield_per=chunk).execute(query):
        yield Entry(*row)


def count_entries(connection: Connection) -> int:
    """How many entries the journal has."""
    return connection.scalar(select(func.count()).select_from(entry)) or 0
