"""Attachments: kept once under the SHA-256 of their content, in pieces; added and read, never changed."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import asdict, dataclass

from sqlalchemy import Connection, func, insert, select

from partkin.rules.moments import Moment
from partkin.store.tables import attachment, attachment_piece

PIECE_BYTES = 1 << 18
"""Size of every piece but the last."""


@dataclass(frozen=True, slots=True)
class Attachment:
    """What is known of a kept attachment; the fields are the columns of the table."""

    sha256: str
    """64 hexadecimal digits, in small letters."""
    media_type: str
    """As declared when it was kept first."""
    size: int
    """Bytes."""
    kept_at: Moment


def find_attachment(connection: Connection, sha256: str) -> Attachment | None:
    """The attachment of a hash."""
    row = connection.execute(select(attachment).where(attachment.c.sha256 == sha256)).one_or_none()
    return None if row is None else Attachment(*row)


def add_attachment(connection: Connection, new: Attachment, pieces: Iterable[bytes]) -> None:
    """Add an attachment, taking one piece after another. The database refuses a hash that is known."""
    connection.execute(insert(attachment), asdict(new))
    for place, content in enumerate(pieces):
        piece = {"sha256": new.sha256, "piece": place, "content": content}
        connection.execute(insert(attachment_piece), piece)


def read_piece(connection: Connection, sha256: str, piece: int) -> bytes:
    """One piece, from 0. Raises NoResultFound where it is missing."""
    t = attachment_piece.c
    content: bytes = connection.execute(select(t.content).where(t.sha256 == sha256, t.piece == piece)).scalar_one()
    return content


def pieces_kept(connection: Connection, sha256: str) -> list[int]:
    """The numbers of the pieces that there are, ascending."""
    t = attachment_piece.c
    return list(connection.scalars(select(t.piece).where(t.sha256 == sha256).order_by(t.piece)))


def next_attachment(connection: Connection, after: str) -> Attachment | None:
    """The attachment with the next hash."""
    query = select(attachment).where(attachment.c.sha256 > after).order_by(attachment.c.sha256).limit(1)
    row = connection.execute(query).one_or_none()
    return None if row is None else Attachment(*row)


def count_attachments(connection: Connection) -> int:
    """How many attachments are kept."""
    return connection.scalar(select(func.count()).select_from(attachment)) or 0
