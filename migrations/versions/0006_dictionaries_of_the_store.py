"""Dictionaries of the store's own, that its journal's texts are packed with.

On the way back entries are packed as they were before: with the dictionary of the package, and fewer marks. How that is
done is written down here as it was then; `partkin/store/journal/journal_codec.py` explains it.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from datetime import UTC, datetime, timedelta
from importlib import resources
from typing import Any

import sqlalchemy as sa
import zstandard
from alembic import op

revision = "0006"
down_revision = "0005"
branch_labels = None
depends_on = None

BIG_ID = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
CODE = sa.Text().with_variant(sa.Text(collation="C"), "postgresql")

BATCH = 1000
"""Entries that are packed again at a time."""

Columns = Mapping[str, Any]

APPEND_ONLY = {
    "postgresql": (
        """
        CREATE FUNCTION dictionary_is_append_only() RETURNS trigger LANGUAGE plpgsql AS $$
        BEGIN
            RAISE EXCEPTION 'the journal is append-only: % refused', TG_OP;
        END $$
        """,
        """
        CREATE TRIGGER dictionary_keep_rows BEFORE UPDATE OR DELETE ON dictionary
        FOR EACH ROW EXECUTE FUNCTION dictionary_is_append_only()
        """,
        """
        CREATE TRIGGER dictionary_keep_table BEFORE TRUNCATE ON dictionary
        FOR EACH STATEMENT EXECUTE FUNCTION dictionary_is_append_only()
        """,
    ),
    "sqlite": (
        """
        CREATE TRIGGER dictionary_no_update BEFORE UPDATE ON dictionary
        BEGIN SELECT RAISE(ABORT, 'the journal is append-only: UPDATE refused'); END
        """,
        """
        CREATE TRIGGER dictionary_no_replace BEFORE INSERT ON dictionary
        WHEN EXISTS (SELECT 1 FROM dictionary WHERE number = NEW.number)
        BEGIN SELECT RAISE(ABORT, 'the journal is append-only: REPLACE refused'); END
        """,
        """
        CREATE TRIGGER dictionary_no_delete BEFORE DELETE ON dictionary
        BEGIN SELECT RAISE(ABORT, 'the journal is append-only: DELETE refused'); END
        """,
    ),
}

UNLOCK = {
    "postgresql": ("ALTER TABLE entry DISABLE TRIGGER entry_keep_rows",),
    "sqlite": ("DROP TRIGGER entry_no_update",),
}
LOCK = {
    "postgresql": ("ALTER TABLE entry ENABLE TRIGGER entry_keep_rows",),
    "sqlite": (
        """
        CREATE TRIGGER entry_no_update BEFORE UPDATE ON entry
        BEGIN SELECT RAISE(ABORT, 'the journal is append-only: UPDATE refused'); END
        """,
    ),
}


def upgrade() -> None:
    op.create_table(
        "dictionary",
        sa.Column("number", sa.SmallInteger(), autoincrement=False, nullable=False),
        sa.Column("made_at", BIG_ID, nullable=False, comment="our clock"),
        sa.Column("sha256", CODE, nullable=False, comment="of its content, hexadecimal"),
        sa.Column("content", sa.LargeBinary(), nullable=False),
        sa.CheckConstraint("number BETWEEN 128 AND 255", name=op.f("ck_dictionary_number")),
        sa.PrimaryKeyConstraint("number", name=op.f("pk_dictionary")),
    )
    for statement in APPEND_ONLY[op.get_bind().dialect.name]:
        op.execute(statement)


def downgrade() -> None:
    connection = op.get_bind()
    packer = _Packer({row.number: row.content for row in connection.execute(sa.text("SELECT * FROM dictionary"))})
    entry = sa.Table("entry", sa.MetaData(), autoload_with=connection)
    for statement in UNLOCK[connection.dialect.name]:
        op.execute(statement)
    change = sa.update(entry).where(entry.c.id == sa.bindparam("of")).values(texts=sa.bindparam("packed"))
    for rows in _batches(connection, entry):
        changed = [{"of": row["id"], "packed": packer.packed_again(row)} for row in rows if row["texts"][0] != BEFORE]
        if changed:
            connection.execute(change, changed)
    for statement in LOCK[connection.dialect.name]:
        op.execute(statement)
    op.drop_table("dictionary")
    if connection.dialect.name == "postgresql":
        op.execute("DROP FUNCTION dictionary_is_append_only()")


def _batches(connection: sa.Connection, table: sa.Table) -> Iterator[Sequence[Columns]]:
    last = 0
    while True:
        query = sa.select(table).where(table.c.id > last).order_by(table.c.id).limit(BATCH)
        rows = [row._asdict() for row in connection.execute(query)]
        if not rows:
            return
        yield rows
        last = rows[-1]["id"]


# -- message and answer, packed as before

BEFORE = 1
"""The first byte of what was packed with the package's dictionary and the first marks."""


class _Packer:
    """From any dictionary and all marks to that of the package and the first marks."""

    def __init__(self, dictionaries: Mapping[int, bytes]) -> None:
        before = (resources.files("partkin.store.journal") / "journal_1.dictionary").read_bytes()
        contents = {2: before, **dictionaries}
        self._decompressors = {
            number: zstandard.ZstdDecompressor(
                dict_data=zstandard.ZstdCompressionDict(content), format=zstandard.FORMAT_ZSTD1_MAGICLESS
            )
            for number, content in contents.items()
        }
        parameters = zstandard.ZstdCompressionParameters.from_level(
            6, format=zstandard.FORMAT_ZSTD1_MAGICLESS, write_content_size=1, write_checksum=0, write_dict_id=0
        )
        self._compressor = zstandard.ZstdCompressor(
            dict_data=zstandard.ZstdCompressionDict(before), compression_params=parameters
        )

    def packed_again(self, row: Columns) -> bytes:
        """What the entry's texts were before."""
        kept = row["texts"]
        text = self._decompressors[kept[0]].decompress(kept[1:]).decode()
        for mark, words in _later_marks(row):
            text = text.replace(mark, words)
        return bytes((BEFORE,)) + self._compressor.compress(text.encode())


def _later_marks(row: Columns) -> Iterator[tuple[str, str]]:
    """The marks that are new; the others stay."""
    at = row["occurred_at"]
    if at is not None:
        moment = datetime(1970, 1, 1, tzinfo=UTC) + timedelta(microseconds=at)
        written = moment.isoformat(timespec="microseconds").replace("+00:00", "Z")
        if at % 1_000_000 == 0:
            yield "\x08", f"{written[:-8]}Z"
        yield "\x07", written[:-4] if at % 1000 == 0 else written[:-1]
    for mark, name in (("\x06", "operator"), ("\x05", "scan_point")):
        if row[name] is not None:
            yield mark, f'"{name}":"{row[name]}"'
