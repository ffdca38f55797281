"""An attachment is kept: first all of it is taken in, hashed and counted; then it is written in one transaction.

So no transaction waits for a slow network, and nothing is kept of an upload that was cut off.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from contextlib import contextmanager
from tempfile import SpooledTemporaryFile

from sqlalchemy.exc import DBAPIError

from partkin.rules.moments import Moment
from partkin.store.attachments import PIECE_BYTES, Attachment, add_attachment, find_attachment
from partkin.store.database import Database
from partkin.store.errors import is_conflict


class AttachmentTooLarge(Exception):
    """More bytes than allowed."""

    def __init__(self, limit: int) -> None:
        super().__init__(f"an attachment may have {limit:,} bytes, and this one has more")
        self.limit = limit


class Incoming:
    """The content of an attachment on its way in."""

    def __init__(self, file: SpooledTemporaryFile[bytes], limit: int) -> None:
        self._file = file
        self._limit = limit
        self._hash = hashlib.sha256()
        self.size = 0
        """Bytes so far."""

    def add(self, chunk: bytes) -> None:
        """Take in the next bytes. Raises AttachmentTooLarge beyond the limit."""
        self.size += len(chunk)
        if self.size > self._limit:
            raise AttachmentTooLarge(self._limit)
        self._hash.update(chunk)
        self._file.write(chunk)

    @property
    def sha256(self) -> str:
        """The hash of the content so far, hexadecimal."""
        return self._hash.hexdigest()

    def pieces(self) -> Iterator[bytes]:
        """The content from its start, piece by piece."""
        self._file.seek(0)
        while piece := self._file.read(PIECE_BYTES):
            yield piece


@contextmanager
def incoming(limit: int) -> Iterator[Incoming]:
    """Takes in an attachment of up to `limit` bytes; beyond one piece it is in a temporary file, gone in the end."""
    with SpooledTemporaryFile(max_size=PIECE_BYTES) as file:
        yield Incoming(file, limit)


def keep_attachment(database: Database, content: Incoming, media_type: str, *, now: Moment) -> tuple[Attachment, bool]:
    """Keep an attachment durably, and say whether it is new; of one that is known nothing is written.

    Raises DBAPIError, for which `is_conflict` holds, where other writers left no room for it in time.
    """
    known = _find(database, content.sha256)
    if known is not None:
        return known, False
    new = Attachment(content.sha256, media_type, content.size, now)
    try:
        with database.write() as connection:
            add_attachment(connection, new, content.pieces())
    except DBAPIError as error:
        known = _find(database, content.sha256) if is_conflict(error) else None
        if known is None:
            raise
        return known, False
    return new, True


def _find(database: Database, sha256: str) -> Attachment | None:
    with database.read() as connection:
        return find_attachment(connection, sha256)
