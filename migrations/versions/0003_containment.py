"""Containment: cases, their lists, decisions, sortings and notices; stock counts; drills."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None

BIG_ID = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
CODE = sa.Text().with_variant(sa.Text(collation="C"), "postgresql")

NEW_TABLES = (
    "containment_case",
    "stock_count",
    "case_revision",
    "case_item",
    "sorting",
    "sorting_item",
    "inspection",
    "case_decision",
    "case_turn",
    "check_plan",
    "case_notice",
    "drill",
)
"""In an order in which none refers to a later one."""


def upgrade() -> None:
    _index_kinds("kind IN ('hold', 'shipment', 'catalogue')")
    lists = sa.text("kind = 'case-list'")
    op.create_index("ix_entry_case_list", "entry", ["kind", "id"], sqlite_where=lists, postgresql_where=lists)
    op.add_column("hold", sa.Column("case_id", BIG_ID, comment="the containment case that stops it"))
    held = sa.text("case_id IS NOT NULL")
    op.create_index("ix_hold_case_id", "hold", ["case_id"], sqlite_where=held, postgresql_where=held)
    op.create_table(
        "containment_case",
        sa.Column("id", BIG_ID, autoincrement=False, nullable=False),
        sa.Column("code", CODE, nullable=False),
        sa.Column("title", sa.Text(), nullable=False),
        sa.Column("status", CODE, nullable=False),
        sa.Column("revision", sa.Integer(), nullable=False, comment="of its list; 0 before the first freeze"),
        sa.Column("suspects", sa.Text(), nullable=False, comment="as JSON"),
        sa.Column("hazard", sa.Text(), nullable=True),
        sa.Column("asked", sa.Text(), nullable=True, comment="what whoever has such a unit is to do"),
        sa.Column("opened_at", BIG_ID, nullable=False),
        sa.Column("opened_by", CODE, nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.CheckConstraint("status IN ('open', 'frozen', 'closed')", name=op.f("ck_containment_case_status")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_containment_case")),
        sa.UniqueConstraint("code", name=op.f("uq_containment_case_code")),
    )
    op.create_index(
        "ix_containment_case_frozen",
        "containment_case",
        ["id"],
        unique=False,
        sqlite_where=sa.text("status = 'frozen'"),
        postgresql_where=sa.text("status = 'frozen'"),
    )
    op.create_table(
        "stock_count",
        sa.Column("id", BIG_ID, autoincrement=False, nullable=False),
        sa.Column("item_id", BIG_ID, nullable=False, comment="a lot or container"),
        sa.Column("quantity", BIG_ID, nullable=False, comment="pieces in stock and at points of use"),
        sa.Column("occurred_at", BIG_ID, nullable=False),
        sa.Column("counted_by", CODE, nullable=False),
        sa.ForeignKeyConstraint(["item_id"], ["item.id"], name=op.f("fk_stock_count_item_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_stock_count")),
    )
    op.create_index("ix_stock_count_item_id", "stock_count", ["item_id", "occurred_at"], unique=False)
    op.create_table(
        "case_revision",
        sa.Column("id", BIG_ID, autoincrement=False, nullable=False),
        sa.Column("case_id", BIG_ID, nullable=False),
        sa.Column("revision", sa.Integer(), nullable=False),
        sa.Column("suspects", sa.Text(), nullable=False, comment="as JSON"),
        sa.Column("seal", BIG_ID, nullable=True, comment="the list is what was known at it"),
        sa.Column("last_entry", BIG_ID, nullable=False, comment="the last entry that the list knows"),
        sa.Column("things", BIG_ID, nullable=False),
        sa.Column("sha256", CODE, nullable=False, comment="of the list, hexadecimal"),
        sa.Column("points", sa.Text(), nullable=False, comment="points of use where a suspect lot was up, as JSON"),
        sa.Column("frozen_at", BIG_ID, nullable=False),
        sa.Column("frozen_by", CODE, nullable=False),
        sa.Column("reason", sa.Text(), nullable=True),
        sa.ForeignKeyConstraint(["case_id"], ["containment_case.id"], name=op.f("fk_case_revision_case_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_case_revision")),
        sa.UniqueConstraint("case_id", "revision", name=op.f("uq_case_revision_case_id_revision")),
    )
    op.create_table(
        "case_item",
        sa.Column("id", BIG_ID, autoincrement=False, nullable=False),
        sa.Column("case_id", BIG_ID, nullable=False),
        sa.Column("item_id", BIG_ID, nullable=False),
        sa.Column("revision", sa.Integer(), nullable=False, comment="since which it is listed"),
        sa.Column("certainty", CODE, nullable=False),
        sa.Column("suspect", sa.Boolean(), nullable=False, comment="itself, not for what is in it"),
        sa.Column("state", CODE, nullable=False, comment="when it was listed"),
        sa.Column("gone", sa.Boolean(), nullable=False, comment="it had left when it was listed"),
        sa.Column("because", BIG_ID, nullable=True, comment="the entry that made it affected after the freeze"),
        sa.Column("dropped_in", sa.Integer(), nullable=True, comment="revision since which it is no longer suspected"),
        sa.Column("decision_id", BIG_ID, nullable=True, comment="the decision that counts"),
        sa.CheckConstraint("certainty IN ('certain', 'possible')", name=op.f("ck_case_item_certainty")),
        sa.ForeignKeyConstraint(["case_id"], ["containment_case.id"], name=op.f("fk_case_item_case_id")),
        sa.ForeignKeyConstraint(["item_id"], ["item.id"], name=op.f("fk_case_item_item_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_case_item")),
        sa.UniqueConstraint("case_id", "item_id", name=op.f("uq_case_item_case_id_item_id")),
    )
    op.create_index("ix_case_item_item_id", "case_item", ["item_id"], unique=False)
    op.create_table(
        "sorting",
        sa.Column("id", BIG_ID, autoincrement=False, nullable=False),
        sa.Column("case_id", BIG_ID, nullable=False),
        sa.Column("code", CODE, nullable=False),
        sa.Column("rule", CODE, nullable=False),
        sa.Column("confidence", sa.Double(), nullable=False),
        sa.Column("fraction", sa.Double(), nullable=False),
        sa.Column("listed", CODE, nullable=True, comment="certainty of the units that it is of"),
        sa.Column("clean", sa.Text(), nullable=True, comment="the clean point that it is of, as JSON"),
        sa.Column("part", CODE, nullable=True),
        sa.Column("population", BIG_ID, nullable=False),
        sa.Column("drawn", sa.Integer(), nullable=False),
        sa.Column("seed", sa.Text(), nullable=False),
        sa.Column("occurred_at", BIG_ID, nullable=False),
        sa.Column("drawn_by", CODE, nullable=False),
        sa.CheckConstraint("rule IN ('success run', 'hypergeometric', 'all')", name=op.f("ck_sorting_rule")),
        sa.ForeignKeyConstraint(["case_id"], ["containment_case.id"], name=op.f("fk_sorting_case_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_sorting")),
        sa.UniqueConstraint("code", name=op.f("uq_sorting_code")),
    )
    op.create_index("ix_sorting_case_id", "sorting", ["case_id"], unique=False)
    op.create_table(
        "sorting_item",
        sa.Column("sorting_id", BIG_ID, nullable=False),
        sa.Column("item_id", BIG_ID, nullable=False),
        sa.ForeignKeyConstraint(["item_id"], ["item.id"], name=op.f("fk_sorting_item_item_id")),
        sa.ForeignKeyConstraint(["sorting_id"], ["sorting.id"], name=op.f("fk_sorting_item_sorting_id")),
        sa.PrimaryKeyConstraint("sorting_id", "item_id", name=op.f("pk_sorting_item")),
    )
    op.create_index("ix_sorting_item_item_id", "sorting_item", ["item_id"], unique=False)
    op.create_table(
        "inspection",
        sa.Column("id", BIG_ID, autoincrement=False, nullable=False),
        sa.Column("sorting_id", BIG_ID, nullable=False),
        sa.Column("item_id", BIG_ID, nullable=False),
        sa.Column("good", sa.Boolean(), nullable=False),
        sa.Column("found", sa.Text(), nullable=True),
        sa.Column("attachments", sa.Text(), nullable=False, comment="SHA-256 of each, as JSON"),
        sa.Column("occurred_at", BIG_ID, nullable=False),
        sa.Column("inspected_by", CODE, nullable=False),
        sa.ForeignKeyConstraint(["item_id"], ["item.id"], name=op.f("fk_inspection_item_id")),
        sa.ForeignKeyConstraint(["sorting_id"], ["sorting.id"], name=op.f("fk_inspection_sorting_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_inspection")),
    )
    op.create_index("ix_inspection_sorting_id", "inspection", ["sorting_id"], unique=False)
    op.create_index("ix_inspection_item_id", "inspection", ["item_id"], unique=False)
    op.create_table(
        "case_decision",
        sa.Column("id", BIG_ID, autoincrement=False, nullable=False),
        sa.Column("case_id", BIG_ID, nullable=False),
        sa.Column("item_id", BIG_ID, nullable=False),
        sa.Column("decision", CODE, nullable=False),
        sa.Column("authority", sa.Text(), nullable=False),
        sa.Column("concession", CODE, nullable=True),
        sa.Column("signed_by", CODE, nullable=True),
        sa.Column("sorting_id", BIG_ID, nullable=True),
        sa.Column("proof", sa.Text(), nullable=False, comment="numbers of marriages, as JSON"),
        sa.Column("occurred_at", BIG_ID, nullable=False),
        sa.Column("decided_by", CODE, nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.CheckConstraint(
            "decision IN ('use as is', 'rework', 'return to supplier', 'scrap', 'corrected in the field', "
            "'verified good', 'not recovered')",
            name=op.f("ck_case_decision_decision"),
        ),
        sa.ForeignKeyConstraint(["case_id"], ["containment_case.id"], name=op.f("fk_case_decision_case_id")),
        sa.ForeignKeyConstraint(["item_id"], ["item.id"], name=op.f("fk_case_decision_item_id")),
        sa.ForeignKeyConstraint(["sorting_id"], ["sorting.id"], name=op.f("fk_case_decision_sorting_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_case_decision")),
    )
    op.create_index("ix_case_decision_case_id", "case_decision", ["case_id"], unique=False)
    op.create_index("ix_case_decision_item_id", "case_decision", ["item_id"], unique=False)
    op.create_table(
        "case_turn",
        sa.Column("id", BIG_ID, autoincrement=False, nullable=False),
        sa.Column("case_id", BIG_ID, nullable=False),
        sa.Column("turn", CODE, nullable=False),
        sa.Column("occurred_at", BIG_ID, nullable=False),
        sa.Column("turned_by", CODE, nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column(
            "unaccounted", sa.Text(), nullable=True, comment="why pieces that are not accounted for are accepted"
        ),
        sa.CheckConstraint("turn IN ('closed', 'reopened')", name=op.f("ck_case_turn_turn")),
        sa.ForeignKeyConstraint(["case_id"], ["containment_case.id"], name=op.f("fk_case_turn_case_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_case_turn")),
    )
    op.create_index("ix_case_turn_case_id", "case_turn", ["case_id"], unique=False)
    op.create_table(
        "check_plan",
        sa.Column("id", BIG_ID, autoincrement=False, nullable=False),
        sa.Column("case_id", BIG_ID, nullable=False),
        sa.Column("level", CODE, nullable=False),
        sa.Column("share", sa.Double(), nullable=True),
        sa.Column("seed", sa.Text(), nullable=False),
        sa.Column("consignees", sa.Text(), nullable=False, comment="those chosen, as JSON"),
        sa.Column("occurred_at", BIG_ID, nullable=False),
        sa.Column("planned_by", CODE, nullable=False),
        sa.CheckConstraint("level IN ('A', 'B', 'C', 'D', 'E')", name=op.f("ck_check_plan_level")),
        sa.ForeignKeyConstraint(["case_id"], ["containment_case.id"], name=op.f("fk_check_plan_case_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_check_plan")),
    )
    op.create_index("ix_check_plan_case_id", "check_plan", ["case_id"], unique=False)
    op.create_table(
        "case_notice",
        sa.Column("id", BIG_ID, autoincrement=False, nullable=False),
        sa.Column("case_id", BIG_ID, nullable=False),
        sa.Column("consignee", CODE, nullable=False),
        sa.Column("step", CODE, nullable=False),
        sa.Column("how", sa.Text(), nullable=True),
        sa.Column("copy", CODE, nullable=True, comment="SHA-256 of what was sent"),
        sa.Column("on_hand", BIG_ID, nullable=True),
        sa.Column("corrected", BIG_ID, nullable=True),
        sa.Column("effective", sa.Boolean(), nullable=True),
        sa.Column("found", sa.Text(), nullable=True),
        sa.Column("occurred_at", BIG_ID, nullable=False),
        sa.Column("noted_by", CODE, nullable=False),
        sa.CheckConstraint("step IN ('sent', 'answered', 'checked')", name=op.f("ck_case_notice_step")),
        sa.ForeignKeyConstraint(["case_id"], ["containment_case.id"], name=op.f("fk_case_notice_case_id")),
        sa.ForeignKeyConstraint(["consignee"], ["consignee.consignee"], name=op.f("fk_case_notice_consignee")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_case_notice")),
    )
    op.create_index("ix_case_notice_case_id", "case_notice", ["case_id"], unique=False)
    op.create_table(
        "drill",
        sa.Column("id", BIG_ID, autoincrement=False, nullable=False),
        sa.Column("seed", sa.Text(), nullable=False),
        sa.Column("suspects", sa.Text(), nullable=False, comment="as JSON"),
        sa.Column("steps", sa.Text(), nullable=False, comment="what was done, and milliseconds, as JSON"),
        sa.Column("certain", BIG_ID, nullable=False, comment="units"),
        sa.Column("possible", BIG_ID, nullable=False, comment="units"),
        sa.Column("consignees", BIG_ID, nullable=False),
        sa.Column("received", BIG_ID, nullable=True, comment="pieces"),
        sa.Column("accounted", BIG_ID, nullable=True, comment="pieces"),
        sa.Column("occurred_at", BIG_ID, nullable=False),
        sa.Column("drilled_by", CODE, nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_drill")),
    )
    # ### end Alembic commands ###


def downgrade() -> None:
    for name in reversed(NEW_TABLES):
        op.drop_table(name)
    op.drop_index("ix_hold_case_id", "hold")
    op.drop_column("hold", "case_id")
    op.drop_index("ix_entry_case_list", "entry")
    _index_kinds("kind IN ('hold', 'shipment')")


def _index_kinds(kinds: str) -> None:
    op.drop_index("ix_entry_kind_occurred_at", "entry")
    where = sa.text(kinds)
    op.create_index(
        "ix_entry_kind_occurred_at", "entry", ["kind", "occurred_at"], sqlite_where=where, postgresql_where=where
    )
