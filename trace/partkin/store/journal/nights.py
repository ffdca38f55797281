"""What was recorded in a span of time, complete and in order: for exports of a day."""

from __future__ import annotations

import time
from collections.abc import Iterator
from dataclasses import dataclass

from sqlalchemy import ColumnElement, Connection, Text, and_, cast, func, literal_column, select

from partkin.rules.moments import Moment
from partkin.store.catalogue import read_revision
from partkin.store.database import Database
from partkin.store.journal.entries import Entry, entry_of_row
from partkin.store.tables import entry

_LOOK_EVERY = 0.05  # seconds


class StillRecording(RuntimeError):
    """A transaction that may be recording does not end."""


@dataclass(frozen=True, slots=True)
class Span:
    """The entries recorded in [start, end); first and last are None where there are none."""

    start: Moment
    end: Moment
    entries: int
    first: int | None
    last: int | None


def wait_for_recorders(database: Database, *, seconds: float) -> None:
    """Return once everything that was being recorded when this was called is committed or given up.

    Recorders read the clock before they commit, so without this an entry could appear in a span that is
    exported already. On PostgreSQL nobody who records is kept waiting; StillRecording is raised when a
    transaction there stays open longer.
    """
    if database.dialect == "sqlite":
        with database.write():  # SQLite has one writer at a time: whoever came before has ended
            return
    with database.write() as connection:
        newest = connection.scalars(select(cast(func.pg_current_xact_id(), Text))).one()
    deadline = time.monotonic() + seconds
    while _oldest_open_transaction(database) <= int(newest):
        if time.monotonic() > deadline:
            raise StillRecording(
                f"a transaction on the PostgreSQL server has been open for more than {seconds:.0f} s: "
                "it may be recording; end it, or try again later"
            )
        time.sleep(_LOOK_EVERY)


def _oldest_open_transaction(database: Database) -> int:
    """Its number on the PostgreSQL server; where none is open, that of the next."""
    with database.read() as connection:
        oldest = func.pg_snapshot_xmin(func.pg_current_snapshot())
        return int(connection.scalars(select(cast(oldest, Text))).one())


def span_of(connection: Connection, start: Moment, end: Moment) -> Span:
    """How much was recorded in [start, end)."""
    t = entry.c
    query = select(func.count(), func.min(t.id), func.max(t.id)).where(_recorded(start, end))
    return Span(start, end, *connection.execute(query).one())


def entries_of_span(connection: Connection, span: Span) -> Iterator[Entry]:
    """Its entries in order of their numbers, a chunk at a time."""
    if span.first is None or span.last is None:
        return
    # Between two numbers, so that the rows come in order from the primary key, unsorted.
    numbered = entry.c.id.between(span.first, span.last)
    query = select(entry).where(numbered, _recorded(span.start, span.end)).order_by(entry.c.id)
    for row in connection.execute(query, execution_options={"yield_per": 1000}):
        yield entry_of_row(connection, row)


def catalogue_revision_at(connection: Connection, end: Moment) -> int:
    """The entry that last changed the catalogue before a moment; 0 for none."""
    t = entry.c
    newest = read_revision(connection)
    if connection.scalar(select(t.recorded_at).where(t.id == newest, t.recorded_at < end)) is not None:
        return newest
    # The kind as the condition of its index says it: the few catalogues are found without reading the journal.
    is_catalogue = t.kind == literal_column("'catalogue'")
    earlier = select(func.max(t.id)).where(is_catalogue, t.id < newest, t.recorded_at < end)
    return connection.scalar(earlier) or 0


def _recorded(start: Moment, end: Moment) -> ColumnElement[bool]:
    return and_(entry.c.recorded_at >= start, entry.c.recorded_at < end)
