"""What is attached, and whether it is still what was kept."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass

from sqlalchemy import Connection

from partkin.store import attachments
from partkin.store.attachments import PIECE_BYTES, Attachment
from partkin.store.database import Database


def attachment_of(database: Database, sha256: str) -> Attachment | None:
    """The attachment of a hash."""
    with database.read() as connection:
        return attachments.find_attachment(connection, sha256)


def content_of(database: Database, attachment: Attachment) -> Iterator[bytes]:
    """Its content, piece by piece, each in a transaction of its own: whoever reads slowly holds nobody up.

    Raises NoResultFound where a piece is missing.
    """
    for piece in range(-(-attachment.size // PIECE_BYTES)):
        with database.read() as connection:
            content = attachments.read_piece(connection, attachment.sha256, piece)
        yield content


@dataclass(frozen=True, slots=True)
class BrokenAttachment:
    """An attachment that is no longer what was kept."""

    sha256: str
    detail: str
    """What is wrong with it: a sentence."""


def broken_attachments(database: Database, progress: Callable[[int, int], None]) -> Iterator[BrokenAttachment]:
    """Every attachment whose pieces are not, together, the content that its hash names.

    `progress` is told how many were read, and of how many. Stations may go on posting.
    """
    with database.read() as connection:
        total = attachments.count_attachments(connection)
    done, after = 0, ""
    while True:
        with database.read() as connection:
            attachment = attachments.next_attachment(connection, after)
            if attachment is None:
                return
            detail = _wrong_with(connection, attachment)
        done, after = done + 1, attachment.sha256
        progress(done, max(done, total))
        if detail is not None:
            yield BrokenAttachment(attachment.sha256, detail)


def _wrong_with(connection: Connection, attachment: Attachment) -> str | None:
    pieces = attachments.pieces_kept(connection, attachment.sha256)
    for place, piece in enumerate(pieces):
        if piece != place:
            return f"Piece {place} is missing."
    found, size = hashlib.sha256(), 0
    for piece in pieces:
        content = attachments.read_piece(connection, attachment.sha256, piece)
        found.update(content)
        size += len(content)
    if size != attachment.size:
        return f"It has {size} bytes; {attachment.size} were kept."
    if found.hexdigest() != attachment.sha256:
        return f"Its content has the SHA-256 {found.hexdigest()}."
    return None
