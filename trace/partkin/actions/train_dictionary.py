"""The journal gets a dictionary of its own, and a better one now and then: then it takes less room."""

from __future__ import annotations

import logging

from sqlalchemy.exc import DBAPIError

from partkin.rules.moments import Moment
from partkin.store.database import Database
from partkin.store.errors import is_conflict
from partkin.store.journal.dictionaries import add_dictionary, codec_to_pack, learn_newest, next_dictionary
from partkin.store.journal.entries import sampled_texts
from partkin.store.journal.journal_codec import OWN, BrokenEntry, Codec, trained
from partkin.store.journal.seals import Seal

log = logging.getLogger(__name__)

FEWEST = 10_000
"""Entries from which one is trained."""

SELDOM = 10_000_000
"""Entries after which a better one is tried for at the latest."""

SAMPLED = 8_000
"""Entries that it is trained and tried on; about a second's work."""

HELD_OUT = 8
"""The newest, one in so many, are only tried on: it must fit what comes later, whose serial numbers are others."""

WORTH = 0.9
"""Of the bytes until now: a dictionary is kept if it leaves no more."""


def train_dictionary(database: Database, seal: Seal, *, now: Moment) -> int | None:
    """Train a dictionary on recent entries once a seal was made, if it is time, and keep it if it pays; its number.

    It is time while there is none, and whenever the first digit of the number of entries changed, up to `SELDOM`. No
    recorder waits for it. Where all numbers are taken, the last dictionary is used for ever; where entries are broken,
    none is trained until they are mended.
    """
    with database.read(limited=False) as connection:
        number = next_dictionary(connection)
        if number is None or not _is_time(seal, first=number == OWN.start):
            return None
        try:
            texts = sampled_texts(connection, seal.last_entry, SAMPLED)
        except BrokenEntry as broken:
            log.error("no dictionary was trained: %s", broken)
            return None
        now_used = codec_to_pack(connection)
    content = _better(texts, now_used, number)
    return number if content is not None and _keep(database, number, content, now) else None


def _is_time(seal: Seal, *, first: bool) -> bool:
    last = seal.last_entry
    step = min(10 ** (len(str(last)) - 1), SELDOM)
    return last >= FEWEST and (first or (last - seal.entries) // step < last // step)


def _better(texts: list[str], now_used: Codec, number: int) -> bytes | None:
    """A dictionary that packs texts so much better that it pays."""
    newest = len(texts) - len(texts) // HELD_OUT
    held_out = texts[newest:]
    content = trained(texts[:newest])
    if content is None:
        return None
    sizes = [sum(map(len, codec.compressed(held_out))) for codec in (Codec({number: content}), now_used)]
    return content if sizes[0] <= WORTH * sizes[1] else None


def _keep(database: Database, number: int, content: bytes, now: Moment) -> bool:
    """Whether nobody was faster."""
    try:
        with database.write() as connection:
            if next_dictionary(connection) != number:
                return False
            add_dictionary(connection, number, content, now)
    except DBAPIError as error:
        if not is_conflict(error):
            raise
        return False
    with database.read() as connection:
        learn_newest(connection)
    return True
