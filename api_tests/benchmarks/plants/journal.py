"""How the journal keeps an entry's message and answer: the one place of these benchmarks that knows it."""

from __future__ import annotations

from collections.abc import Sequence

from partkin.store.database import Dialect
from partkin.store.journal import Entry

TEXTS = ("message", "answer")
"""The columns that hold them."""


def texts_of(entry: Entry) -> tuple[str, ...]:
    """What is kept in these columns, before it is packed."""
    return entry.message, entry.answer


def packed(texts: Sequence[str]) -> Sequence[str | bytes]:
    """Such texts of many entries, as they are kept."""
    return texts


def kept_id(message_id: str | None, dialect: Dialect) -> str | bytes | None:  # noqa: ARG001 - the same on both so far
    """The identifier of a message, as it is kept."""
    return message_id
