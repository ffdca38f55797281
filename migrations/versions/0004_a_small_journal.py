"""A small journal: message and answer in one packed column, message ids as bytes, and indexes by time that are small.

Entries are copied to a new table, so that nothing is left of the room that the old one took. They are packed by
journal_codec.py, which reads for ever what it once wrote.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import Any

import sqlalchemy as sa
from alembic import op

from partkin.store.database import IN_ORDER, MessageId
from partkin.store.journal_codec import pack, unpack

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None

BIG_ID = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
CODE = sa.Text().with_variant(sa.Text(collation="C"), "postgresql")

BATCH = 1000
"""Entries that are copied at a time."""

Columns = Mapping[str, Any]

INDEXES: Mapping[str, tuple[list[str], str]] = {
    "ix_entry_item_id": (["item_id"], "item_id IS NOT NULL"),
    "ix_entry_kind_occurred_at": (["kind", "occurred_at"], "kind IN ('hold', 'shipment', 'catalogue')"),
    "ix_entry_case_list": (["kind", "id"], "kind = 'case-list'"),
}
"""Those that stay as they were: by name, columns, and of which rows."""

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
    _copy([because, texts], CODE, MessageId(), _packed, IN_ORDER)


def downgrade() -> None:
    message = sa.Column("message", sa.Text, nullable=False, comment="as posted, canonical JSON")
    answer = sa.Column(
        "answer",
        sa.Text,
        nullable=False,
        comment="as first given, canonical JSON; its facts are what the books hold",
    )
    _copy([message, answer], MessageId(), CODE, _unpacked, {})


def _packed(row: Columns) -> Columns:
    message, answer = row["message"], row["answer"]
    return {
        "because": json.loads(message)["because"] if row["kind"] == "case-list" else None,
        "texts": pack(row["id"], row["message_id"], row["recorded_at"], message, answer),
    }


def _unpacked(row: Columns) -> Columns:
    message, answer = unpack(row["id"], row["message_id"], row["recorded_at"], row["texts"])
    return {"message": message, "answer": answer}


def _copy(
    columns: list[sa.Column[Any]],
    id_before: sa.types.TypeEngine[Any],
    id_after: sa.types.TypeEngine[Any],
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
    before = sa.Table("entry_before", sa.MetaData(), sa.Column("message_id", id_before), autoload_with=connection)
    after = _make(columns, id_after)
    kept = [column.name for column in before.c if column.name in after.c]
    for rows in _batches(connection, before):
        connection.execute(sa.insert(after), [{**{name: row[name] for name in kept}, **changed(row)} for row in rows])
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
