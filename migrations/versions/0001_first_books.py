"""First books: the journal, the books and the catalogue."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None

BIG_ID = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
CODE = sa.Text().with_variant(sa.Text(collation="C"), "postgresql")

APPEND_ONLY = {
    "postgresql": (
        """
        CREATE FUNCTION entry_is_append_only() RETURNS trigger LANGUAGE plpgsql AS $$
        BEGIN
            RAISE EXCEPTION 'the journal is append-only: % refused', TG_OP;
        END $$
        """,
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

TABLES = (
    "catalogue",
    "entry",
    "point_of_use",
    "scan_point",
    "supplier",
    "test_plan",
    "characteristic",
    "part",
    "alternate",
    "item",
    "position",
    "route_step",
    "serial_number",
    "hold",
    "loading",
    "marriage",
    "receipt",
    "removal",
    "stale",
    "test_run",
    "visit",
    "measurement",
    "received_item",
)
"""In the order of their making: none refers to a later one."""


def upgrade() -> None:
    op.create_table(
        "catalogue",
        sa.Column("id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("revision", BIG_ID, nullable=False, comment="the entry that last changed the catalogue"),
        sa.CheckConstraint("id = 1", name=op.f("ck_catalogue_one_row")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_catalogue")),
    )
    op.create_table(
        "entry",
        sa.Column("id", BIG_ID, autoincrement=False, nullable=False),
        sa.Column("message_id", CODE, nullable=True, comment="null where no message could be read"),
        sa.Column("kind", CODE, nullable=False),
        sa.Column("mode", CODE, nullable=True),
        sa.Column("outcome", CODE, nullable=False),
        sa.Column("scan_point", CODE, nullable=True),
        sa.Column("operator", CODE, nullable=True),
        sa.Column("occurred_at", BIG_ID, nullable=True, comment="the station's clock"),
        sa.Column("recorded_at", BIG_ID, nullable=False, comment="our clock"),
        sa.Column("item_id", BIG_ID, nullable=True, comment="the unit or subassembly worked on"),
        sa.Column("status", sa.SmallInteger(), nullable=False, comment="of the HTTP answer"),
        sa.Column("message", sa.Text(), nullable=False, comment="as posted, canonical JSON"),
        sa.Column(
            "answer",
            sa.Text(),
            nullable=False,
            comment="as first given, canonical JSON; its facts are what the books hold",
        ),
        sa.CheckConstraint("outcome IN ('recorded', 'refused', 'unreadable')", name=op.f("ck_entry_outcome")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_entry")),
        sa.UniqueConstraint("message_id", name=op.f("uq_entry_message_id")),
    )
    op.create_index("ix_entry_operator_occurred_at", "entry", ["operator", "occurred_at"])
    op.create_index("ix_entry_recorded_at", "entry", ["recorded_at"])
    op.create_index("ix_entry_scan_point_occurred_at", "entry", ["scan_point", "occurred_at"])

    op.create_table(
        "point_of_use",
        sa.Column("id", BIG_ID, autoincrement=False, nullable=False),
        sa.Column("scan_point", CODE, nullable=False),
        sa.Column("position", CODE, nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_point_of_use")),
        sa.UniqueConstraint("scan_point", "position", name=op.f("uq_point_of_use_scan_point_position")),
    )
    op.create_table(
        "scan_point",
        sa.Column("scan_point", CODE, nullable=False),
        sa.Column("line", CODE, nullable=False),
        sa.Column("description", sa.Text(), nullable=False),
        sa.Column("kind", CODE, nullable=False),
        sa.Column("changeover_slack", sa.Integer(), nullable=False),
        sa.CheckConstraint("kind IN ('build', 'test', 'rework', 'store')", name=op.f("ck_scan_point_kind")),
        sa.PrimaryKeyConstraint("scan_point", name=op.f("pk_scan_point")),
    )
    op.create_table(
        "supplier",
        sa.Column("supplier", CODE, nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("supplier", name=op.f("pk_supplier")),
    )
    op.create_table(
        "test_plan",
        sa.Column("plan", CODE, nullable=False),
        sa.Column("description", sa.Text(), nullable=False),
        sa.Column("caution", sa.Text(), nullable=True),
        sa.PrimaryKeyConstraint("plan", name=op.f("pk_test_plan")),
    )
    op.create_table(
        "characteristic",
        sa.Column("plan", CODE, nullable=False),
        sa.Column("characteristic", CODE, nullable=False),
        sa.Column("description", sa.Text(), nullable=False),
        sa.Column("kind", CODE, nullable=False),
        sa.Column("unit", sa.Text(), nullable=True),
        sa.Column("lower", sa.Double(), nullable=True),
        sa.Column("upper", sa.Double(), nullable=True),
        sa.Column("source", sa.Text(), nullable=True),
        sa.CheckConstraint("kind IN ('numeric', 'attribute')", name=op.f("ck_characteristic_kind")),
        sa.ForeignKeyConstraint(["plan"], ["test_plan.plan"], name=op.f("fk_characteristic_plan")),
        sa.PrimaryKeyConstraint("plan", "characteristic", name=op.f("pk_characteristic")),
    )
    op.create_table(
        "part",
        sa.Column("part", CODE, nullable=False),
        sa.Column("description", sa.Text(), nullable=False),
        sa.Column("trace", CODE, nullable=False),
        sa.Column("made", sa.Boolean(), nullable=False),
        sa.Column("sold", sa.Boolean(), nullable=False),
        sa.Column("supplier", CODE, nullable=True),
        sa.Column("supplier_part", CODE, nullable=True),
        sa.Column("gtin", CODE, nullable=True),
        sa.Column("cpid", CODE, nullable=True),
        sa.Column("label_pattern", sa.Text(), nullable=True),
        sa.Column("label_check", CODE, nullable=True),
        sa.Column("receipts", sa.Boolean(), nullable=False),
        sa.Column("serial_prefix", CODE, nullable=True),
        sa.Column("serial_digits", sa.Integer(), nullable=True),
        sa.CheckConstraint("trace IN ('serial', 'lot', 'none')", name=op.f("ck_part_trace")),
        sa.ForeignKeyConstraint(["supplier"], ["supplier.supplier"], name=op.f("fk_part_supplier")),
        sa.PrimaryKeyConstraint("part", name=op.f("pk_part")),
    )
    op.create_table(
        "alternate",
        sa.Column("part", CODE, nullable=False),
        sa.Column("position", CODE, nullable=False),
        sa.Column("component", CODE, nullable=False),
        sa.Column("effective_from", sa.Date(), nullable=False),
        sa.Column("effective_to", sa.Date(), nullable=True),
        sa.ForeignKeyConstraint(["component"], ["part.part"], name=op.f("fk_alternate_component")),
        sa.ForeignKeyConstraint(["part"], ["part.part"], name=op.f("fk_alternate_part")),
        sa.PrimaryKeyConstraint("part", "position", "component", "effective_from", name=op.f("pk_alternate")),
    )
    op.create_table(
        "item",
        sa.Column("id", BIG_ID, autoincrement=False, nullable=False),
        sa.Column("part", CODE, nullable=False),
        sa.Column("kind", CODE, nullable=False),
        sa.Column("code", CODE, nullable=False, comment="serial number or lot"),
        sa.Column("lot_id", BIG_ID, nullable=True, comment="the lot that a serial item's label or receipt names"),
        sa.Column("receipt_id", BIG_ID, nullable=True, comment="the last receipt of a serial item"),
        sa.Column("produced_on", sa.Date(), nullable=True),
        sa.Column("expires_on", sa.Date(), nullable=True, comment="last day on which it may be used"),
        sa.Column("state", CODE, nullable=False),
        sa.Column("started_at", BIG_ID, nullable=True, comment="of what is built here"),
        sa.Column("received", BIG_ID, nullable=True, comment="pieces; null where nothing was received"),
        sa.Column(
            "used",
            BIG_ID,
            nullable=False,
            comment="pieces of a received lot that are in something, or were scrapped or sent back",
        ),
        sa.CheckConstraint("kind IN ('serial', 'lot')", name=op.f("ck_item_kind")),
        sa.CheckConstraint(
            "state IN ('usable', 'in work', 'finished', 'scrapped', 'returned')", name=op.f("ck_item_state")
        ),
        sa.ForeignKeyConstraint(["lot_id"], ["item.id"], name=op.f("fk_item_lot_id")),
        sa.ForeignKeyConstraint(["part"], ["part.part"], name=op.f("fk_item_part")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_item")),
        sa.UniqueConstraint("part", "kind", "code", name=op.f("uq_item_part_kind_code")),
    )
    op.create_index(
        "ix_item_lot_id",
        "item",
        ["lot_id"],
        sqlite_where=sa.text("lot_id IS NOT NULL"),
        postgresql_where=sa.text("lot_id IS NOT NULL"),
    )
    op.create_index(
        "ix_item_started_at",
        "item",
        ["started_at"],
        sqlite_where=sa.text("started_at IS NOT NULL"),
        postgresql_where=sa.text("started_at IS NOT NULL"),
    )

    op.create_table(
        "position",
        sa.Column("part", CODE, nullable=False),
        sa.Column("position", CODE, nullable=False),
        sa.Column("description", sa.Text(), nullable=False),
        sa.Column("quantity", sa.Integer(), nullable=False),
        sa.Column("scan_points", sa.Text(), nullable=False, comment="separated by blanks"),
        sa.Column("makes_stale", sa.Text(), nullable=False, comment="separated by blanks"),
        sa.Column("effective_from", sa.Date(), nullable=False),
        sa.Column("effective_to", sa.Date(), nullable=True),
        sa.ForeignKeyConstraint(["part"], ["part.part"], name=op.f("fk_position_part")),
        sa.PrimaryKeyConstraint("part", "position", "effective_from", name=op.f("pk_position")),
    )
    op.create_table(
        "route_step",
        sa.Column("part", CODE, nullable=False),
        sa.Column("step", sa.Integer(), nullable=False),
        sa.Column("scan_point", CODE, nullable=False),
        sa.Column("needs_complete", sa.Boolean(), nullable=False),
        sa.Column("needs_tests", sa.Text(), nullable=False, comment="separated by blanks"),
        sa.ForeignKeyConstraint(["part"], ["part.part"], name=op.f("fk_route_step_part")),
        sa.ForeignKeyConstraint(["scan_point"], ["scan_point.scan_point"], name=op.f("fk_route_step_scan_point")),
        sa.PrimaryKeyConstraint("part", "step", "scan_point", name=op.f("pk_route_step")),
    )
    op.create_table(
        "serial_number",
        sa.Column("part", CODE, nullable=False),
        sa.Column("last", BIG_ID, nullable=False, comment="last running number issued"),
        sa.ForeignKeyConstraint(["part"], ["part.part"], name=op.f("fk_serial_number_part")),
        sa.PrimaryKeyConstraint("part", name=op.f("pk_serial_number")),
    )
    op.create_table(
        "hold",
        sa.Column("id", BIG_ID, autoincrement=False, nullable=False),
        sa.Column("item_id", BIG_ID, nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("discrepancy", sa.Boolean(), nullable=False, comment="placed by the service on a contradiction"),
        sa.Column("placed_at", BIG_ID, nullable=False),
        sa.Column("placed_by", CODE, nullable=False),
        sa.Column("released_at", BIG_ID, nullable=False),
        sa.Column("released_by", CODE, nullable=True),
        sa.Column("release_reason", sa.Text(), nullable=True),
        sa.ForeignKeyConstraint(["item_id"], ["item.id"], name=op.f("fk_hold_item_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_hold")),
    )
    op.create_index("ix_hold_item_id", "hold", ["item_id"])

    op.create_table(
        "loading",
        sa.Column("id", BIG_ID, autoincrement=False, nullable=False),
        sa.Column("point_of_use_id", BIG_ID, nullable=False),
        sa.Column("lot_id", BIG_ID, nullable=True, comment="null: emptied"),
        sa.Column("loaded_at", BIG_ID, nullable=False),
        sa.Column("unloaded_at", BIG_ID, nullable=False),
        sa.ForeignKeyConstraint(["lot_id"], ["item.id"], name=op.f("fk_loading_lot_id")),
        sa.ForeignKeyConstraint(["point_of_use_id"], ["point_of_use.id"], name=op.f("fk_loading_point_of_use_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_loading")),
    )
    op.create_index("ix_loading_lot_id", "loading", ["lot_id"])
    op.create_index("ix_loading_point_of_use_id", "loading", ["point_of_use_id", "unloaded_at"])

    op.create_table(
        "marriage",
        sa.Column("id", BIG_ID, autoincrement=False, nullable=False),
        sa.Column("child_id", BIG_ID, nullable=True, comment="null: drawn while no lot was known to be loaded"),
        sa.Column("parent_id", BIG_ID, nullable=False),
        sa.Column("position", CODE, nullable=False, comment="empty: in none of the bill's positions"),
        sa.Column("slot", sa.Integer(), nullable=False, comment="from 1; 0: in no slot of its own"),
        sa.Column("quantity", sa.Integer(), nullable=False),
        sa.Column("started", BIG_ID, nullable=False),
        sa.Column("ended", BIG_ID, nullable=False),
        sa.Column("disputed", sa.Boolean(), nullable=False, comment="said, but against what the books hold"),
        sa.Column("child_is_serial", sa.Boolean(), nullable=False),
        sa.Column("parent_is_unit", sa.Boolean(), nullable=False),
        sa.Column("point_of_use_id", BIG_ID, nullable=True, comment="where a loaded lot was drawn from"),
        sa.CheckConstraint("quantity >= 1", name=op.f("ck_marriage_quantity")),
        sa.CheckConstraint("started <= ended", name=op.f("ck_marriage_started_before_ended")),
        sa.ForeignKeyConstraint(["child_id"], ["item.id"], name=op.f("fk_marriage_child_id")),
        sa.ForeignKeyConstraint(["parent_id"], ["item.id"], name=op.f("fk_marriage_parent_id")),
        sa.ForeignKeyConstraint(["point_of_use_id"], ["point_of_use.id"], name=op.f("fk_marriage_point_of_use_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_marriage")),
    )
    op.create_index(
        "ix_marriage_child_id",
        "marriage",
        ["child_id", "started", "ended", "parent_id", "parent_is_unit", "disputed", "id"],
    )
    op.create_index("ix_marriage_parent_id", "marriage", ["parent_id", "ended"])
    op.create_index(
        "ix_marriage_point_of_use_id",
        "marriage",
        ["point_of_use_id", "started"],
        sqlite_where=sa.text("point_of_use_id IS NOT NULL"),
        postgresql_where=sa.text("point_of_use_id IS NOT NULL"),
    )
    op.create_index(
        "ux_marriage_one_in_slot",
        "marriage",
        ["parent_id", "position", "slot"],
        unique=True,
        sqlite_where=sa.text("ended = 9000000000000000000 AND NOT disputed AND slot > 0"),
        postgresql_where=sa.text("ended = 9000000000000000000 AND NOT disputed AND slot > 0"),
    )
    op.create_index(
        "ux_marriage_one_parent",
        "marriage",
        ["child_id"],
        unique=True,
        sqlite_where=sa.text("ended = 9000000000000000000 AND NOT disputed AND child_is_serial"),
        postgresql_where=sa.text("ended = 9000000000000000000 AND NOT disputed AND child_is_serial"),
    )

    op.create_table(
        "receipt",
        sa.Column("id", BIG_ID, autoincrement=False, nullable=False),
        sa.Column("part", CODE, nullable=False),
        sa.Column("supplier", CODE, nullable=False),
        sa.Column("lot_id", BIG_ID, nullable=True),
        sa.Column("quantity", BIG_ID, nullable=False),
        sa.Column("received_at", BIG_ID, nullable=False),
        sa.Column("delivery_note", sa.Text(), nullable=True),
        sa.ForeignKeyConstraint(["lot_id"], ["item.id"], name=op.f("fk_receipt_lot_id")),
        sa.ForeignKeyConstraint(["part"], ["part.part"], name=op.f("fk_receipt_part")),
        sa.ForeignKeyConstraint(["supplier"], ["supplier.supplier"], name=op.f("fk_receipt_supplier")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_receipt")),
    )
    op.create_index("ix_receipt_lot_id", "receipt", ["lot_id"])
    op.create_index("ix_receipt_supplier", "receipt", ["supplier", "received_at"])

    op.create_table(
        "removal",
        sa.Column("id", BIG_ID, autoincrement=False, nullable=False),
        sa.Column("parent_id", BIG_ID, nullable=False),
        sa.Column("child_id", BIG_ID, nullable=False),
        sa.Column("position", CODE, nullable=True, comment="null: wherever it was"),
        sa.Column("occurred_at", BIG_ID, nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("destination", CODE, nullable=False),
        sa.CheckConstraint("destination IN ('stock', 'scrap', 'supplier')", name=op.f("ck_removal_destination")),
        sa.ForeignKeyConstraint(["child_id"], ["item.id"], name=op.f("fk_removal_child_id")),
        sa.ForeignKeyConstraint(["parent_id"], ["item.id"], name=op.f("fk_removal_parent_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_removal")),
    )
    op.create_index("ix_removal_child_id", "removal", ["child_id"])
    op.create_index("ix_removal_parent_id", "removal", ["parent_id"])

    op.create_table(
        "stale",
        sa.Column("item_id", BIG_ID, nullable=False),
        sa.Column("plan", CODE, nullable=False),
        sa.Column("at", BIG_ID, nullable=False, comment="runs of the plan before this moment no longer count"),
        sa.ForeignKeyConstraint(["item_id"], ["item.id"], name=op.f("fk_stale_item_id")),
        sa.PrimaryKeyConstraint("item_id", "plan", name=op.f("pk_stale")),
    )
    op.create_table(
        "test_run",
        sa.Column("id", BIG_ID, autoincrement=False, nullable=False),
        sa.Column("item_id", BIG_ID, nullable=False),
        sa.Column("plan", CODE, nullable=False),
        sa.Column("instrument", CODE, nullable=False),
        sa.Column("occurred_at", BIG_ID, nullable=False),
        sa.Column("verdict", CODE, nullable=False),
        sa.CheckConstraint("verdict IN ('pass', 'fail', 'incomplete')", name=op.f("ck_test_run_verdict")),
        sa.ForeignKeyConstraint(["item_id"], ["item.id"], name=op.f("fk_test_run_item_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_test_run")),
    )
    op.create_index("ix_test_run_instrument", "test_run", ["instrument", "occurred_at"])
    op.create_index("ix_test_run_item_id", "test_run", ["item_id", "plan", "occurred_at"])

    op.create_table(
        "visit",
        sa.Column("item_id", BIG_ID, nullable=False),
        sa.Column("scan_point", CODE, nullable=False),
        sa.Column("first_at", BIG_ID, nullable=False),
        sa.Column("last_at", BIG_ID, nullable=False),
        sa.ForeignKeyConstraint(["item_id"], ["item.id"], name=op.f("fk_visit_item_id")),
        sa.PrimaryKeyConstraint("item_id", "scan_point", name=op.f("pk_visit")),
    )
    op.create_table(
        "measurement",
        sa.Column("test_run_id", BIG_ID, nullable=False),
        sa.Column("characteristic", CODE, nullable=False),
        sa.Column("value", sa.Double(), nullable=True),
        sa.Column("good", sa.Boolean(), nullable=True),
        sa.Column("within", sa.Boolean(), nullable=False, comment="within its limits, or judged good"),
        sa.ForeignKeyConstraint(["test_run_id"], ["test_run.id"], name=op.f("fk_measurement_test_run_id")),
        sa.PrimaryKeyConstraint("test_run_id", "characteristic", name=op.f("pk_measurement")),
    )
    op.create_table(
        "received_item",
        sa.Column("receipt_id", BIG_ID, nullable=False),
        sa.Column("item_id", BIG_ID, nullable=False, comment="a serial item that the receipt names"),
        sa.ForeignKeyConstraint(["item_id"], ["item.id"], name=op.f("fk_received_item_item_id")),
        sa.ForeignKeyConstraint(["receipt_id"], ["receipt.id"], name=op.f("fk_received_item_receipt_id")),
        sa.PrimaryKeyConstraint("receipt_id", "item_id", name=op.f("pk_received_item")),
    )

    if op.get_bind().dialect.supports_sequences:
        op.execute(sa.schema.CreateSequence(sa.Sequence("entry_numbers")))
    for statement in APPEND_ONLY[op.get_bind().dialect.name]:
        op.execute(statement)


def downgrade() -> None:
    for table in reversed(TABLES):
        op.drop_table(table)
    if op.get_bind().dialect.supports_sequences:
        op.execute(sa.schema.DropSequence(sa.Sequence("entry_numbers")))
        op.execute("DROP FUNCTION entry_is_append_only()")
