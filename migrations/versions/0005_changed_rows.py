"""Rows that were changed, so that whoever holds books in memory can follow."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"
branch_labels = None
depends_on = None

BIG_ID = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
CODE = sa.Text().with_variant(sa.Text(collation="C"), "postgresql")


def upgrade() -> None:
    op.create_table(
        "changed_row",
        sa.Column("entry", BIG_ID, nullable=False, comment="with which the row was written anew"),
        sa.Column("book", CODE, nullable=False),
        sa.Column("row", BIG_ID, nullable=False, comment="its number in that table"),
        sa.PrimaryKeyConstraint("entry", "book", "row", name=op.f("pk_changed_row")),
    )


def downgrade() -> None:
    op.drop_table("changed_row")
