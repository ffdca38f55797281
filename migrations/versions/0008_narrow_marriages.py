"""Narrow rows of marriages on PostgreSQL, and the same order of columns in the index of slots on both."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import sqlalchemy as sa
from alembic import op

revision = "0008"
down_revision = "0007"
branch_labels = None
depends_on = None

BIG_ID = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
CODE = sa.Text().with_variant(sa.Text(collation="C"), "postgresql")

OPEN_AND_SURE = "ended = 9000000000000000000 AND NOT disputed"

ONE_IN_SLOT = "ux_marriage_one_in_slot"
SLOTS = f"{OPEN_AND_SURE} AND slot > 0"

OTHER_INDEXES: Mapping[str, tuple[Sequence[str], bool, str | None]] = {
    "ix_marriage_child_id": (["child_id"], False, None),
    "ix_marriage_parent_id": (["parent_id", "ended"], False, None),
    "ux_marriage_one_parent": (["child_id"], True, f"{OPEN_AND_SURE} AND child_is_serial"),
    "ix_marriage_point_of_use_id": (["point_of_use_id", "started"], False, "point_of_use_id IS NOT NULL"),
}
"""Those that stay as they were: by name, columns, whether it is unique, and of which rows."""

NARROW = (
    *("id", "child_id", "parent_id", "started", "ended", "point_of_use_id", "quantity", "slot", "disputed"),
    *("child_is_serial", "parent_is_unit", "position", "wrong"),
)
BEFORE = (
    *("id", "child_id", "parent_id", "position", "slot", "quantity", "started", "ended", "disputed"),
    *("child_is_serial", "parent_is_unit", "point_of_use_id", "wrong"),
)

LEADS_TO: Mapping[str, str] = {"child_id": "item", "parent_id": "item", "point_of_use_id": "point_of_use"}


def upgrade() -> None:
    _lay_out(NARROW, sa.SmallInteger(), ["parent_id", "slot", "position"])


def downgrade() -> None:
    _lay_out(BEFORE, sa.Integer(), ["parent_id", "position", "slot"])


def _lay_out(columns: Sequence[str], slot: sa.types.TypeEngine[Any], seat: Sequence[str]) -> None:
    """Copy marriages into a table with its columns in another order, where that makes a difference."""
    if op.get_bind().dialect.name == "sqlite":
        op.drop_index(ONE_IN_SLOT, "marriage")
        _index(ONE_IN_SLOT, seat, True, SLOTS)
        return
    op.rename_table("marriage", "marriage_before")
    for name in (ONE_IN_SLOT, *OTHER_INDEXES):
        op.drop_index(name, "marriage_before")
    op.execute("ALTER TABLE marriage_before RENAME CONSTRAINT pk_marriage TO pk_marriage_before")
    by_name = {column.name: column for column in _columns(slot)}
    op.create_table("marriage", *(by_name[name] for name in columns))
    names = ", ".join(columns)
    op.execute(f"INSERT INTO marriage ({names}) SELECT {names} FROM marriage_before ORDER BY id")  # noqa: S608 - ours
    op.drop_table("marriage_before")
    op.create_primary_key("pk_marriage", "marriage", ["id"])
    op.create_check_constraint(op.f("ck_marriage_started_before_ended"), "marriage", "started <= ended")
    op.create_check_constraint(op.f("ck_marriage_quantity"), "marriage", "quantity >= 1")
    _index(ONE_IN_SLOT, seat, True, SLOTS)
    for name, (indexed, unique, where) in OTHER_INDEXES.items():
        _index(name, indexed, unique, where)
    for column, table in LEADS_TO.items():
        op.create_foreign_key(op.f(f"fk_marriage_{column}"), "marriage", table, [column], ["id"])
    settings = ", ".join(f"autovacuum_{what}_scale_factor = 0.02" for what in ("vacuum_insert", "analyze"))
    op.execute(f"ALTER TABLE marriage SET ({settings})")


def _index(name: str, columns: Sequence[str], unique: bool, where: str | None) -> None:
    some = None if where is None else sa.text(where)
    op.create_index(name, "marriage", list(columns), unique=unique, sqlite_where=some, postgresql_where=some)


def _columns(slot: sa.types.TypeEngine[Any]) -> list[sa.Column[Any]]:
    return [
        sa.Column("id", BIG_ID, nullable=False),
        sa.Column("child_id", BIG_ID, comment="null: drawn while no lot was known to be loaded"),
        sa.Column("parent_id", BIG_ID, nullable=False),
        sa.Column("position", CODE, nullable=False, comment="empty: in none of the bill's positions"),
        sa.Column("slot", slot, nullable=False, comment="from 1; 0: in no slot of its own"),
        sa.Column("quantity", sa.Integer(), nullable=False),
        sa.Column("started", BIG_ID, nullable=False),
        sa.Column("ended", BIG_ID, nullable=False),
        sa.Column("disputed", sa.Boolean(), nullable=False, comment="said, but against what the books hold"),
        sa.Column("child_is_serial", sa.Boolean(), nullable=False),
        sa.Column("parent_is_unit", sa.Boolean(), nullable=False),
        sa.Column("point_of_use_id", BIG_ID, comment="where a loaded lot was drawn from"),
        sa.Column("wrong", sa.Boolean(), nullable=False, comment="corrected: it lasted no time"),
    ]
