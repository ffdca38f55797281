"""Walks along marriages: how they look rows up, and how they write down the way they came.

A way is text: sixteen digits for each marriage on it. So both databases carry it at little cost, and order ways by the
numbers of their marriages.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from sqlalchemy import ColumnElement, FromClause, Text, cast, literal_column, select, true

from partkin.store.dialects import Dialect

BEGINNING: Final = -(10**17)
"""Earlier than any date that RFC 3339 can write, in microseconds."""

MARK_LENGTH: Final = 16
MARRIAGE_MARK: Final = 10**15
LOT_MARK: Final = 2 * 10**15
"""Numbers of marriages and lots are below 10^15: entries would have to reach 244,140,625,000 to be above."""


def looked_up(
    dialect: Dialect,
    rows: FromClause,
    table: FromClause,
    on: ColumnElement[bool],
    *columns: str,
    outer: bool = False,
) -> tuple[FromClause, FromClause]:
    """The join of `rows` with a table, and what to take those of its columns from that are named.

    PostgreSQL cannot know how few rows a recursion finds, and would read whole tables where it should look up a few
    rows; OFFSET 0 leaves it no choice. SQLite looks them up anyway.
    """
    if dialect == "postgresql":
        wanted = select(*(table.c[name] for name in columns)).where(on)
        found = wanted.offset(literal_column("0")).lateral()
        return rows.join(found, true(), isouter=outer), found
    return rows.join(table, on, isouter=outer), table


def mark(number: ColumnElement[int], kind: int = MARRIAGE_MARK) -> ColumnElement[str]:
    """Sixteen digits for a marriage, or a lot."""
    return cast(number + kind, Text)


def marks(way: str) -> Iterator[tuple[bool, int]]:
    """What `mark` wrote on a way: whether it is a lot, and its number."""
    for place in range(0, len(way), MARK_LENGTH):
        number = int(way[place : place + MARK_LENGTH])
        yield number >= LOT_MARK, number % MARRIAGE_MARK
