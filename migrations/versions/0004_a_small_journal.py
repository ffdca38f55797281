"""A small journal: message and answer in one packed column, message ids as bytes, and indexes by time that are small.

Entries are copied to a new table; SQLite gives the room of the old one back at the next VACUUM. How they are packed is
written down here as it was then; `partkin/store/journal/journal_codec.py` explains it.
"""

from __future__ import annotations

import json
import uuid
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import suppress
from datetime import UTC, datetime, timedelta
from functools import cache
from importlib import resources
from typing import Any

import sqlalchemy as sa
import zstandard
from alembic import op

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None

BIG_ID = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
CODE = sa.Text().with_variant(sa.Text(collation="C"), "postgresql")

MESSAGE_ID = sa.Text().with_variant(sa.LargeBinary(), "postgresql")

BATCH = 1000
"""Entries that are copied at a time."""

Columns = Mapping[str, Any]

INDEXES: Mapping[str, tuple[list[str], str]] = {
    "ix_entry_item_id": (["item_id"], "item_id IS NOT NULL"),
    "ix_entry_kind_occurred_at": (["kind", "occurred_at"], "kind IN ('hold', 'shipment', 'catalogue')"),
    "ix_entry_case_list": (["kind", "id"], "kind = 'case-list'"),
}
"""Those that stay as they were: by name, columns, and of which rows."""

IN_ORDER: Mapping[str, Any] = {
    "postgresql_using": "brin",
    "postgresql_with": {"pages_per_range": "32", "autosummarize": "on"},
}

BY_TIME: Mapping[str, list[str]] = {
    "ix_entry_scan_point_occurred_at": ["scan_point", "occurred_at"],
    "ix_entry_operator_occurred_at": ["operator", "occurred_at"],
    "ix_entry_recorded_at": ["recorded_at"],
}

APPEND_ONLY = {
    "postgresql": (
        """
        CREATE TRIGGER entry_keep_rows BEFORE UPDATE OR DELETE ON entry
        FOR EACH ROW EXECUTE FUNCTION entry_is_append_only()
        """,
        """
        CREATE TRIGGER entry_keep_table BEFORE TRUNCATE ON entry
        FOR EACH STATEMENT EXECUTE FUNCTION entry_is_append_only()
        """,
    ),
    "sqlite": (
        """
        CREATE TRIGGER entry_no_update BEFORE UPDATE ON entry
        BEGIN SELECT RAISE(ABORT, 'the journal is append-only: UPDATE refused'); END
        """,
        """
        CREATE TRIGGER entry_no_replace BEFORE INSERT ON entry
        WHEN EXISTS (SELECT 1 FROM entry WHERE id = NEW.id OR message_id = NEW.message_id)
        BEGIN SELECT RAISE(ABORT, 'the journal is append-only: REPLACE refused'); END
        """,
        """
        CREATE TRIGGER entry_no_delete BEFORE DELETE ON entry
        BEGIN SELECT RAISE(ABORT, 'the journal is append-only: DELETE refused'); END
        """,
    ),
}


def upgrade() -> None:
    texts = sa.Column(
        "texts", sa.LargeBinary, nullable=False, comment="message and answer, packed: see journal_codec.py"
    )
    because = sa.Column("because", BIG_ID, comment="the entry that a list of a case follows")
    _copy([because, texts], MESSAGE_ID, _packed, IN_ORDER)


def downgrade() -> None:
    message = sa.Column("message", sa.Text, nullable=False, comment="as posted, canonical JSON")
    answer = sa.Column(
        "answer",
        sa.Text,
        nullable=False,
        comment="as first given, canonical JSON; its facts are what the books hold",
    )
    _copy([message, answer], CODE, _unpacked, {})


def _packed(row: Columns) -> Columns:
    return {
        **{name: value for name, value in row.items() if name not in ("message", "answer")},
        "message_id": _kept_id(row["message_id"]),
        "because": json.loads(row["message"])["because"] if row["kind"] == "case-list" else None,
        "texts": bytes((DICTIONARY,)) + _compressor().compress(_marked(row).encode()),
    }


def _unpacked(row: Columns) -> Columns:
    said = {**row, "message_id": _read_id(row["message_id"])}
    packed = said.pop("texts")
    del said["because"]
    message, answer = _whole(said, _decompressor(packed[0]).decompress(packed[1:]).decode()).split("\x00")
    return {**said, "message": message, "answer": answer}


# -- message ids on PostgreSQL: a UUID is sixteen bytes, no other text is


def _kept_id(text: str | None) -> str | bytes | None:
    if text is None or op.get_bind().dialect.name != "postgresql":
        return text
    with suppress(ValueError):
        if str(one := uuid.UUID(text)) == text:
            return one.bytes
    plain = text.encode()
    return plain + b"\0" if len(plain) == 16 else plain


def _read_id(kept: str | bytes | None) -> str | None:
    if kept is None or isinstance(kept, str):
        return kept
    return str(uuid.UUID(bytes=kept)) if len(kept) == 16 else kept.removesuffix(b"\0").decode()


# -- message and answer

DICTIONARY = 1
NUMBER = '"number":'


def _marked(row: Columns) -> str:
    if any(chr(mark) in row["message"] + row["answer"] for mark in range(5)):
        raise ValueError(f"entry {row['id']} is no canonical JSON: it has a control character")
    text = f"{row['message']}\x00{row['answer']}"
    for mark, words in _marks(row):
        text = text.replace(words, mark)
    before, *parts = text.split(NUMBER)
    marked, following = [before], row["id"] * 4096
    for part in parts:
        digits = str(following)
        if part.startswith(digits) and not part[len(digits) : len(digits) + 1].isdigit():
            marked.append("\x04" + part[len(digits) :])
            following += 1
        else:
            marked.append(NUMBER + part)
    return "".join(marked)


def _whole(row: Columns, text: str) -> str:
    before, *parts = text.split("\x04")
    text = before + "".join(f"{NUMBER}{number}{part}" for number, part in enumerate(parts, row["id"] * 4096))
    for mark, words in _marks(row):
        text = text.replace(mark, words)
    return text


def _marks(row: Columns) -> tuple[tuple[str, str], ...]:
    at = datetime(1970, 1, 1, tzinfo=UTC) + timedelta(microseconds=row["recorded_at"])
    written = at.isoformat(timespec="microseconds").replace("+00:00", "Z")
    return (
        ("\x01", f'"message_id":"{row["message_id"]}"'),
        ("\x02", f'"recorded_at":"{written}"'),
        ("\x03", f'"entry":{row["id"]},'),
    )


@cache
def _compressor() -> zstandard.ZstdCompressor:
    parameters = zstandard.ZstdCompressionParameters.from_level(
        6, format=zstandard.FORMAT_ZSTD1_MAGICLESS, write_content_size=1, write_checksum=0, write_dict_id=0
    )
    return zstandard.ZstdCompressor(dict_data=_dictionary(DICTIONARY), compression_params=parameters)


@cache
def _decompressor(number: int) -> zstandard.ZstdDecompressor:
    return zstandard.ZstdDecompressor(dict_data=_dictionary(number), format=zstandard.FORMAT_ZSTD1_MAGICLESS)


def _dictionary(number: int) -> zstandard.ZstdCompressionDict:
    file = resources.files("partkin.store.journal") / f"journal_{number}.dictionary"
    return zstandard.ZstdCompressionDict(file.read_bytes())


# -- the table


def _copy(
    columns: list[sa.Column[Any]],
    id_type: sa.types.TypeEngine[Any],
    changed: Callable[[Columns], Columns],
    by_time: Mapping[str, Any],
) -> None:
    """Make the table anew, with other columns in the place of the texts, and copy all entries to it."""
    connection = op.get_bind()
    for name in (*INDEXES, *BY_TIME):
        op.drop_index(name, "entry")
    op.rename_table("entry", "entry_before")
    if connection.dialect.name == "postgresql":
        for name in ("pk_entry", "uq_entry_message_id"):
            op.execute(f"ALTER TABLE entry_before RENAME CONSTRAINT {name} TO {name}_before")
    before = sa.Table("entry_before", sa.MetaData(), autoload_with=connection)
    after = _make(columns, id_type)
    for rows in _batches(connection, before):
        connection.execute(sa.insert(after), [changed(row) for row in rows])
    op.drop_table("entry_before")
    for name, (indexed, where) in INDEXES.items():
        some = sa.text(where)
        op.create_index(name, "entry", indexed, sqlite_where=some, postgresql_where=some)
    for name, indexed in BY_TIME.items():
        op.create_index(name, "entry", indexed, **by_time)
    for statement in APPEND_ONLY[connection.dialect.name]:
        op.execute(statement)


def _batches(connection: sa.Connection, table: sa.Table) -> Iterator[Sequence[Columns]]:
    last = 0
    while True:
        query = sa.select(table).where(table.c.id > last).order_by(table.c.id).limit(BATCH)
        rows = [row._asdict() for row in connection.execute(query)]
        if not rows:
            return
        yield rows
        last = rows[-1]["id"]


def _make(columns: list[sa.Column[Any]], id_type: sa.types.TypeEngine[Any]) -> sa.Table:
    return op.create_table(
        "entry",
        sa.Column("id", BIG_ID, autoincrement=False, nullable=False),
        sa.Column("message_id", id_type, nullable=True, comment="null where no message could be read"),
        sa.Column("kind", CODE, nullable=False),
        sa.Column("mode", CODE, nullable=True),
        sa.Column("outcome", CODE, nullable=False),
        sa.Column("scan_point", CODE, nullable=True),
        sa.Column("operator", CODE, nullable=True),
        sa.Column("occurred_at", BIG_ID, nullable=True, comment="the station's clock"),
        sa.Column("recorded_at", BIG_ID, nullable=False, comment="our clock"),
        sa.Column("item_id", BIG_ID, nullable=True, comment="the unit or subassembly worked on"),
        sa.Column("status", sa.SmallInteger(), nullable=False, comment="of the HTTP answer"),
        *columns,
        sa.CheckConstraint("outcome IN ('recorded', 'refused', 'unreadable')", name=op.f("ck_entry_outcome")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_entry")),
        sa.UniqueConstraint("message_id", name=op.f("uq_entry_message_id")),
    )
