"""How the journal keeps an entry's message and answer: the one place of these benchmarks that knows it."""

from __future__ import annotations

from collections.abc import Sequence

from partkin.store.column_types import bytes_of_id
from partkin.store.database import Database
from partkin.store.dialects import Dialect
from partkin.store.journal.dictionaries import add_dictionary
from partkin.store.journal.entries import Entry, marked
from partkin.store.journal.journal_codec import OWN, Codec, trained

TEXTS = ("texts",)
"""The columns that hold them."""


def texts_of(entry: Entry) -> tuple[str, ...]:
    """What is kept in these columns, before it is packed."""
    return (marked(entry),)


class Packing:
    """The dictionary that a store of some age would have, and what packs with it."""

    def __init__(self, texts: Sequence[str]) -> None:
        """Train it on texts as `texts_of` gives them; where they are too few, the package's is used."""
        self._content = trained(texts)
        self._codec = Codec({} if self._content is None else {OWN.start: self._content})

    def keep(self, database: Database) -> None:
        """Put the dictionary in a store."""
        if self._content is not None:
            with database.write() as connection:
                add_dictionary(connection, OWN.start, self._content, 0)

    def packed(self, texts: Sequence[str]) -> Sequence[bytes]:
        """Texts of many entries, as they are kept."""
        return self._codec.compressed(texts)


def kept_id(message_id: str | None, dialect: Dialect) -> str | bytes | None:
    """The identifier of a message, as it is kept."""
    return message_id if message_id is None or dialect == "sqlite" else bytes_of_id(message_id)
