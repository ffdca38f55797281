"""The journal: entries are added, found again by message, and read in order."""

from __future__ import annotations

from collections.abc import Callable, Generator, Iterable, Iterator, Sequence
from dataclasses import dataclass, fields
from functools import cache
from itertools import count
from operator import attrgetter, itemgetter
from random import Random
from typing import Any

from sqlalchemy import Connection, Integer, bindparam, func, select, true

from partkin.rules.canonical_json import canonical
from partkin.rules.moments import Moment, text_of
from partkin.store.database import recorders_lock
from partkin.store.dialects import Dialect, among, among_values, dialect_of, value_parameters
from partkin.store.journal.dictionaries import codec_to_pack, unpacked
from partkin.store.journal.journal_codec import BrokenEntry, Head, with_marks
from partkin.store.statements import Query, insert_rows
from partkin.store.tables import entry, entry_numbers

LAST = (1 << 63) - 1
"""The largest number that an entry could have."""


@dataclass(frozen=True, slots=True)
class Entry:
    """One line of the journal; its fields are the columns of the table, but for the texts, which share one."""

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
    because: int | None = None


def next_numbers(connection: Connection, count: int) -> Sequence[int]:
    """Numbers for new entries, ascending.

    Ask for them after all locks are taken: then entries about one item are numbered in the order they are committed.
    Whoever calls `lock_out_recorders` waits until this transaction ends.
    """
    return ask_numbers(connection, count)()


def ask_numbers(connection: Connection, count: int) -> Callable[[], Sequence[int]]:
    """As `next_numbers`, to be read later."""
    if connection.dialect.name == "postgresql":
        answer = _drawn().ask(connection, {"count": count})
        return lambda: sorted(number for (number,) in answer())
    ((last,),) = _highest().rows(connection, {})
    return lambda: range((last or 0) + 1, (last or 0) + 1 + count)


@cache
def _highest() -> Query:
    return Query("sqlite", select(func.max(entry.c.id)))


@cache
def _drawn() -> Query:
    each = func.generate_series(1, bindparam("count", type_=Integer)).alias("each")
    return Query("postgresql", select(entry_numbers.next_value()).select_from(recorders_lock().join(each, true())))


def numbers_one_by_one(connection: Connection) -> Iterator[int]:
    """As `next_numbers`, when it is not known how many are needed."""
    if connection.dialect.name == "postgresql":
        while True:
            yield from next_numbers(connection, 1)
    yield from count(last_entry(connection) + 1)


def add_entries(connection: Connection, entries: Iterable[Entry]) -> None:
    """Append entries; in one order of message ids, so that two processes never wait for each other."""
    rows = sorted(entries, key=lambda one: one.message_id or "")
    texts = codec_to_pack(connection).compressed([marked(one) for one in rows])
    values = [(*_COLUMNS(one), packed) for one, packed in zip(rows, texts, strict=True)]
    insert_rows(connection, entry, (*_NAMES, "texts"), values)


_TEXTS = ("message", "answer")
_NAMES = tuple(field.name for field in fields(Entry) if field.name not in _TEXTS)
_COLUMNS = attrgetter(*_NAMES)
_HEAD = attrgetter(*Head._fields)


def head_of(one: Any) -> Head:
    """What the columns of an entry say of it, of an Entry or a row."""
    return Head._make(_HEAD(one))


def marked(one: Entry) -> str:
    """Message and answer as they are compressed."""
    return with_marks(head_of(one), one.message, one.answer)


def entry_of_row(connection: Connection, row: Iterable[Any]) -> Entry:
    """An entry, from all columns of the table. Raises BrokenEntry."""
    columns = dict(zip(_ALL_COLUMNS, row, strict=True))
    packed = columns.pop("texts")
    message, answer = unpacked(connection, Head._make(_HEAD_OF_COLUMNS(columns)), packed)
    return Entry(**columns, message=message, answer=answer)


_ALL_COLUMNS = tuple(entry.c.keys())
_HEAD_OF_COLUMNS = itemgetter(*Head._fields)


def entries_of_messages(connection: Connection, message_ids: Sequence[str]) -> dict[str, Entry]:
    """The entries that answered these messages before."""
    return ask_entries_of_messages(connection, message_ids)()


def ask_entries_of_messages(connection: Connection, message_ids: Sequence[str]) -> Callable[[], dict[str, Entry]]:
    """As `entries_of_messages`, to be read later."""
    answer = _answering(dialect_of(connection)).ask(connection, value_parameters(connection, message_ids))
    return lambda: {str(one.message_id): one for one in (entry_of_row(connection, row) for row in answer())}


@cache
def _answering(dialect: Dialect) -> Query:
    return Query(dialect, select(entry).where(among_values(dialect, entry.c.message_id)))


def read_entries(
    connection: Connection, *, after: int = 0, up_to: int = LAST, limit: int | None = None, chunk: int = 1000
) -> Generator[Entry, None, None]:
    """Entries in order of their numbers, a chunk at a time; close it where not all are read. Raises BrokenEntry."""
    query = select(entry).where(entry.c.id > after, entry.c.id <= up_to).order_by(entry.c.id)
    if limit is not None:
        query = query.limit(limit)
    with connection.execute(query.execution_options(yield_per=chunk)) as rows:
        for row in rows:
            yield entry_of_row(connection, row)


def sampled_texts(connection: Connection, last: int, count: int) -> list[str]:
    """Of up to so many entries of the last before a number, by chance, in order: their texts as they are compressed.

    Without those that are lists. Raises BrokenEntry.
    """
    first = max(1, last - _RECENT)
    # By chance: a line's messages come in a rhythm, so each so-manieth might always be of one kind.
    numbers = sorted(Random(last).sample(range(first, last + 1), min(count, last + 1 - first)))  # noqa: S311
    query = select(entry).where(among(connection, entry.c.id, numbers)).order_by(entry.c.id)
    entries = (entry_of_row(connection, row) for row in connection.execute(query))
    return [marked(one) for one in entries if len(one.message) + len(one.answer) <= _USUAL]


_RECENT = 200_000
"""Entries."""

_USUAL = 8_000
"""Characters."""


def canonical_entry(one: Entry) -> str:
    """An entry as canonical JSON (RFC 8785); message and answer are in that form, and put in as they are.

    The night's export has it as a line, and seals are made of it.
    """
    message_id = "" if one.message_id is None else f'"message_id":{canonical(one.message_id)},'
    return (
        f'{{"answer":{one.answer},"entry":{one.id},"kind":{canonical(one.kind)},"message":{one.message},'
        f'{message_id}"outcome":{canonical(one.outcome)},"recorded_at":"{text_of(one.recorded_at)}",'
        f'"status":{one.status}}}'
    )


def broken_entries(connection: Connection) -> Iterator[BrokenEntry]:
    """The entries whose message and answer cannot be read, in order."""
    t = entry.c
    query = select(*(t[name] for name in Head._fields), t.texts).order_by(t.id)
    for *head, packed in connection.execute(query, execution_options={"yield_per": 1000}):
        try:
            unpacked(connection, Head._make(head), packed)
        except BrokenEntry as broken:
            yield broken


def last_entry(connection: Connection) -> int:
    """The highest number of an entry; 0 where there is none."""
    return connection.scalar(select(func.max(entry.c.id))) or 0


def count_entries(connection: Connection) -> int:
    """How many entries the journal has."""
    return connection.scalar(select(func.count()).select_from(entry)) or 0
