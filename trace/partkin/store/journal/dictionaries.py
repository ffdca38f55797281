"""The store's own dictionaries: which its journal's texts are packed and unpacked with.

An opened store remembers those that it met. To read, one that is unknown is looked up through the connection at hand;
an entry is committed after its dictionary, so whoever sees the one sees the other. To write, any is good: whether
there is a newer one is looked once in a while.
"""

from __future__ import annotations

import logging
import time
from functools import cache
from hashlib import sha256
from typing import Final

from sqlalchemy import Connection, bindparam, insert, select

from partkin.rules.moments import Moment
from partkin.store.database import remembered
from partkin.store.dialects import Dialect, dialect_of
from partkin.store.journal.journal_codec import OWN, BrokenEntry, Codec, Head
from partkin.store.statements import Query
from partkin.store.tables import dictionary

log = logging.getLogger(__name__)

LOOK_EVERY: Final = 60
"""Seconds."""


class _Known:
    def __init__(self) -> None:
        self.codec = Codec()
        self.look_at = 0.0
        """By the monotonic clock."""


def unpacked(connection: Connection, head: Head, packed: bytes) -> tuple[str, str]:
    """Message and answer of an entry. Raises BrokenEntry."""
    codec = remembered(connection, _Known).codec
    if packed and packed[0] in OWN and packed[0] not in codec:
        _look_up(connection, codec, packed[0], head.id)
    return codec.unpack(head, packed)


def _look_up(connection: Connection, codec: Codec, number: int, entry: int) -> None:
    row = connection.execute(select(dictionary).where(dictionary.c.number == number)).first()
    if row is None:
        return
    if not _is_whole(row.sha256, row.content):
        raise BrokenEntry(entry, f"{_damaged(number)}: put that back from a backup")
    codec.add(number, row.content)


def codec_to_pack(connection: Connection) -> Codec:
    """What packs new entries: with the store's newest dictionary, or one that was so a minute ago."""
    known = remembered(connection, _Known)
    if time.monotonic() >= known.look_at:
        known.look_at = time.monotonic() + LOOK_EVERY
        learn_newest(connection)
    return known.codec


def learn_newest(connection: Connection) -> None:
    """Pack with the store's newest dictionary from now on; in a transaction that added none itself."""
    codec = remembered(connection, _Known).codec
    for number, hashed, content in _newer(dialect_of(connection)).rows(connection, {"than": codec.newest}):
        if _is_whole(hashed, content):
            codec.add(number, content)
            return
        log.error("%s; new entries are packed with an older one", _damaged(number))


@cache
def _newer(dialect: Dialect) -> Query:
    t = dictionary.c
    than = bindparam("than", type_=t.number.type)
    return Query(dialect, select(t.number, t.sha256, t.content).where(t.number > than).order_by(t.number.desc()))


def next_dictionary(connection: Connection) -> int | None:
    """The number of the next dictionary; None where all are taken."""
    newest = connection.scalar(select(dictionary.c.number).order_by(dictionary.c.number.desc()).limit(1))
    number = OWN.start if newest is None else newest + 1
    return number if number in OWN else None


def add_dictionary(connection: Connection, number: int, content: bytes, now: Moment) -> None:
    """Keep a dictionary. A conflict is raised where another was kept under the number meanwhile."""
    row = {"number": number, "made_at": now, "sha256": sha256(content).hexdigest(), "content": content}
    connection.execute(insert(dictionary), row)


def _is_whole(hashed: str, content: bytes) -> bool:
    return sha256(content).hexdigest() == hashed


def _damaged(number: int) -> str:
    return f"dictionary {number} of the store is not as it was made"
