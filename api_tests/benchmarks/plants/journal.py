"""How the journal keeps an entry's message and answer: the one place of these benchmarks that knows it."""

from __future__ import annotations

from collections.abc import Sequence

from partkin.store.database import Dialect, bytes_of_id
from partkin.store.journal import Entry, marked
from partkin.store.journal_codec import compressed

TEXTS = ("texts",)
"""The columns that hold them."""


def texts_of(entry: Entry) -> tuple[str, ...]:
    """What is kept in these columns, before it is packed."""
    return (marked(entry),)


def packed(texts: Sequence[str]) -> Sequence[str | bytes]:
    """Such texts of many entries, as they are kept."""
    return compressed(texts)


def kept_id(message_id: str | None, dialect: Dialect) -> str | bytes | None:
    """The identifier of a message, as it is kept."""
    return message_id if message_id is None or dialect == "sqlite" else bytes_of_id(message_id)
