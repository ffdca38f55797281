"""Types of columns whose order and size would otherwise depend on the engine."""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import suppress
from typing import Any, Final
from uuid import UUID

from sqlalchemy import (
    BigInteger,
    Integer,
    LargeBinary,
    SmallInteger,
    Text,
)
from sqlalchemy.engine import Dialect as SQLDialect
from sqlalchemy.types import TypeDecorator, TypeEngine

Code = Text().with_variant(Text(collation="C"), "postgresql")
"""Text that identifies: compared and ordered byte by byte on both engines."""

BigId = BigInteger().with_variant(Integer(), "sqlite")
"""A 64-bit whole number; as a primary key on SQLite it is the row number itself."""

SmallNumber = SmallInteger().with_variant(Integer(), "sqlite")
"""A whole number up to 32,767, which has two bytes on PostgreSQL."""

IN_ORDER: Final[Mapping[str, Any]] = {
    "postgresql_using": "brin",
    "postgresql_with": {"pages_per_range": "32", "autosummarize": "on"},
}
"""For an index of a large table whose rows come nearly in its order: on PostgreSQL it takes next to no room."""


class MessageId(TypeDecorator[str]):
    """A message's identifier: on PostgreSQL bytes, of which a UUID needs 16; on SQLite the text."""

    impl = Text
    cache_ok = True

    def load_dialect_impl(self, dialect: SQLDialect) -> TypeEngine[Any]:
        """The type of the column."""
        return dialect.type_descriptor(LargeBinary() if dialect.name == "postgresql" else Text())

    def process_bind_param(self, value: str | None, dialect: SQLDialect) -> Any:
        """What is kept."""
        return value if value is None or dialect.name == "sqlite" else bytes_of_id(value)

    def process_result_value(self, value: Any, dialect: SQLDialect) -> str | None:
        """The text."""
        return value if value is None or dialect.name == "sqlite" else id_of_bytes(value)


_UUID_BYTES: Final = 16


def bytes_of_id(text: str) -> bytes:
    """Sixteen bytes where the text is that of a UUID as RFC 9562 writes it; else its UTF-8, never sixteen bytes."""
    with suppress(ValueError):
        if str(uuid := UUID(text)) == text:
            return uuid.bytes
    plain = text.encode()
    return plain + b"\0" if len(plain) == _UUID_BYTES else plain


def id_of_bytes(kept: bytes) -> str:
    """The text of which `bytes_of_id` made this."""
    if len(kept) == _UUID_BYTES:
        return str(UUID(bytes=kept))
    return kept.removesuffix(b"\0").decode()
