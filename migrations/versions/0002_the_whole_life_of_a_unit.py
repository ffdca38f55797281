"""The whole life of a unit: numbering, lots in containers, tests, corrections, labels, orders, shipments."""

from __future__ import annotations

from collections.abc import Mapping

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None

BIG_ID = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
CODE = sa.Text().with_variant(sa.Text(collation="C"), "postgresql")

NEW_TABLES = (
    "seal",
    "attachment",
    "attachment_piece",
    "numbering",
    "number_counter",
    "issued_number",
    "consignee",
    "instrument",
    "marking",
    "calibration",
    "test_attachment",
    "transfer",
    "disposition",
    "correction",
    "label_print",
    "build_order",
    "shipment",
    "shipment_line",
    "customer_return",
)
"""In an order in which none refers to a later one."""

DESTINATIONS = "destination IN ('stock', 'scrap', 'supplier', 'failure analysis')"

CHECKS: Mapping[str, Mapping[str, tuple[str, str]]] = {
    "item": {
        "state": (
            "state IN ('usable', 'in work', 'finished', 'scrapped', 'returned')",
            (
                "state IN ('usable', 'in work', 'finished', 'packed', 'shipped', 'came back', 'scrapped', 'returned', "
                "'in analysis')"
            ),
        ),
    },
    "removal": {"destination": ("destination IN ('stock', 'scrap', 'supplier')", DESTINATIONS)},
    "test_run": {
        "verdict": (
            "verdict IN ('pass', 'fail', 'incomplete')",
            "verdict IN ('pass', 'fail', 'incomplete', 'disputed')",
        )
    },
    "scan_point": {
        "kind": (
            "kind IN ('build', 'test', 'rework', 'store')",
            "kind IN ('build', 'test', 'rework', 'store', 'pack', 'ship')",
        )
    },
}
"""By table and name: what must hold of its rows before and after."""


NEW_INDEXES: Mapping[str, tuple[str, list[str], str | None]] = {
    "ix_entry_item_id": ("entry", ["item_id"], "item_id IS NOT NULL"),
    "ix_entry_kind_occurred_at": ("entry", ["kind", "occurred_at"], "kind IN ('hold', 'shipment')"),
    "ix_received_item_item_id": ("received_item", ["item_id"], None),
    "ix_item_in_work": ("item", ["part", "started_at"], "state = 'in work'"),
    "ix_loading_feeder": ("loading", ["point_of_use_id", "feeder", "unloaded_at"], None),
    "ix_visit_scan_point": ("visit", ["scan_point", "last_at"], None),
}
"""By name: table, columns, and which rows."""


def new_columns() -> Mapping[str, tuple[sa.Column[object], ...]]:
    """By table, made anew for each use. Defaults are for the rows that are there, and dropped again."""
    return {
        "item": (
            sa.Column("opened_at", BIG_ID, comment="of a lot or container: its floor life runs from then"),
            sa.Column("order_id", BIG_ID, comment="the order for which it was started"),
        ),
        "marriage": (
            sa.Column(
                "wrong", sa.Boolean, nullable=False, server_default=sa.false(), comment="corrected: it lasted no time"
            ),
        ),
        "removal": (
            sa.Column(
                "wrong", sa.Boolean, nullable=False, server_default=sa.false(), comment="corrected: it was not so"
            ),
        ),
        "loading": (
            sa.Column("feeder", CODE, nullable=False, server_default="1"),
            sa.Column("quantity", BIG_ID, comment="pieces in the container, where they are counted"),
            sa.Column("drawn", BIG_ID, nullable=False, server_default="0", comment="pieces that units took, as booked"),
            sa.Column("returned", BIG_ID, comment="pieces that were left and went back to stock"),
        ),
        "test_run": (
            sa.Column("tester", CODE, comment="the tester's own verdict"),
            sa.Column("revision", CODE, comment="of the plan"),
            sa.Column(
                "wrong",
                sa.Boolean,
                nullable=False,
                server_default=sa.false(),
                comment="corrected: it was not of this item",
            ),
        ),
        "measurement": (
            sa.Column("lower", sa.Double, comment="limit of that day"),
            sa.Column("upper", sa.Double, comment="limit of that day"),
        ),
        "part": (
            sa.Column("numbering", CODE),
            sa.Column("packaging", sa.Boolean, nullable=False, server_default=sa.false()),
            sa.Column("floor_life_hours", sa.Integer),
        ),
        "scan_point": (
            sa.Column(
                "warn_below", sa.Integer, nullable=False, server_default="0", comment="pieces left in a container"
            ),
        ),
        "position": (
            sa.Column(
                "packing",
                sa.Boolean,
                nullable=False,
                server_default=sa.false(),
                comment="goes into the carton with the unit",
            ),
        ),
        "test_plan": (
            sa.Column("revision", CODE),
            sa.Column("retests", sa.Integer, comment="in a row before the item goes on hold; null: any"),
        ),
    }


def upgrade() -> None:
    op.create_table(
        "seal",
        sa.Column("seal", BIG_ID, autoincrement=False, nullable=False, comment="from 1, without gaps"),
        sa.Column("last_entry", BIG_ID, nullable=False, comment="it covers the entries after those of the seal before"),
        sa.Column("entries", BIG_ID, nullable=False, comment="how many it covers"),
        sa.Column("sealed_at", BIG_ID, nullable=False, comment="our clock"),
        sa.Column("root", CODE, nullable=False, comment="Merkle root over its entries, hexadecimal"),
        sa.Column("chained", CODE, nullable=False, comment="hash of the seal before and of this root, hexadecimal"),
        sa.PrimaryKeyConstraint("seal", name=op.f("pk_seal")),
    )
    op.create_table(
        "attachment",
        sa.Column("sha256", CODE, nullable=False, comment="hexadecimal"),
        sa.Column("media_type", CODE, nullable=False),
        sa.Column("size", BIG_ID, nullable=False, comment="bytes"),
        sa.Column("kept_at", BIG_ID, nullable=False, comment="our clock"),
        sa.PrimaryKeyConstraint("sha256", name=op.f("pk_attachment")),
    )
    op.create_table(
        "attachment_piece",
        sa.Column("sha256", CODE, nullable=False),
        sa.Column("piece", sa.Integer(), nullable=False, comment="from 0"),
        sa.Column("content", sa.LargeBinary(), nullable=False),
        sa.ForeignKeyConstraint(["sha256"], ["attachment.sha256"], name=op.f("fk_attachment_piece_sha256")),
        sa.PrimaryKeyConstraint("sha256", "piece", name=op.f("pk_attachment_piece")),
    )
    op.create_table(
        "numbering",
        sa.Column("scheme", CODE, nullable=False),
        sa.Column("body", CODE, nullable=False),
        sa.Column("digits", sa.Integer(), nullable=False),
        sa.Column("prefix", CODE, nullable=True),
        sa.Column("date", CODE, nullable=True),
        sa.Column("check", CODE, nullable=True),
        sa.CheckConstraint("body IN ('running', 'random')", name=op.f("ck_numbering_body")),
        sa.CheckConstraint(
            "date IN ('year', 'year-month', 'year-week', 'year-day', 'date')", name=op.f("ck_numbering_date")
        ),
        sa.PrimaryKeyConstraint("scheme", name=op.f("pk_numbering")),
    )
    op.create_table(
        "number_counter",
        sa.Column("scheme", CODE, nullable=False),
        sa.Column("period", CODE, nullable=False, comment="the date element; empty without one"),
        sa.Column("last", BIG_ID, nullable=False, comment="highest running number issued"),
        sa.PrimaryKeyConstraint("scheme", "period", name=op.f("pk_number_counter")),
    )
    op.create_table(
        "issued_number",
        sa.Column("scheme", CODE, nullable=False),
        sa.Column("number", CODE, nullable=False, comment="a random one"),
        sa.PrimaryKeyConstraint("scheme", "number", name=op.f("pk_issued_number")),
    )
    op.create_table(
        "consignee",
        sa.Column("consignee", CODE, nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("consignee", name=op.f("pk_consignee")),
    )
    op.create_table(
        "instrument",
        sa.Column("instrument", CODE, nullable=False),
        sa.Column("description", sa.Text(), nullable=False),
        sa.Column(
            "calibrated", sa.Boolean(), nullable=False, comment="measures only while a good calibration is not overdue"
        ),
        sa.PrimaryKeyConstraint("instrument", name=op.f("pk_instrument")),
    )
    op.create_table(
        "marking",
        sa.Column("part", CODE, nullable=False),
        sa.Column("line", sa.Integer(), nullable=False),
        sa.Column("text", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["part"], ["part.part"], name=op.f("fk_marking_part")),
        sa.PrimaryKeyConstraint("part", "line", name=op.f("pk_marking")),
    )
    op.create_table(
        "calibration",
        sa.Column("id", BIG_ID, autoincrement=False, nullable=False),
        sa.Column("instrument", CODE, nullable=False),
        sa.Column("occurred_at", BIG_ID, nullable=False),
        sa.Column("good", sa.Boolean(), nullable=False, comment="found within its limits"),
        sa.Column("due_on", sa.Date(), nullable=True, comment="last day on which it may be used"),
        sa.Column("certificate", sa.Text(), nullable=True),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_calibration")),
    )
    op.create_index("ix_calibration_instrument", "calibration", ["instrument", "occurred_at"], unique=False)
    op.create_table(
        "test_attachment",
        sa.Column("test_run_id", BIG_ID, nullable=False),
        sa.Column("sha256", CODE, nullable=False),
        sa.ForeignKeyConstraint(["test_run_id"], ["test_run.id"], name=op.f("fk_test_attachment_test_run_id")),
        sa.PrimaryKeyConstraint("test_run_id", "sha256", name=op.f("pk_test_attachment")),
    )
    op.create_table(
        "transfer",
        sa.Column("id", BIG_ID, autoincrement=False, nullable=False),
        sa.Column("source_id", BIG_ID, nullable=False),
        sa.Column("target_id", BIG_ID, nullable=False, comment="the container"),
        sa.Column("quantity", BIG_ID, nullable=False),
        sa.Column("occurred_at", BIG_ID, nullable=False),
        sa.ForeignKeyConstraint(["source_id"], ["item.id"], name=op.f("fk_transfer_source_id")),
        sa.ForeignKeyConstraint(["target_id"], ["item.id"], name=op.f("fk_transfer_target_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_transfer")),
    )
    op.create_index("ix_transfer_source_id", "transfer", ["source_id"], unique=False)
    op.create_index("ix_transfer_target_id", "transfer", ["target_id"], unique=False)
    op.create_table(
        "disposition",
        sa.Column("id", BIG_ID, autoincrement=False, nullable=False),
        sa.Column("item_id", BIG_ID, nullable=False),
        sa.Column("quantity", BIG_ID, nullable=True, comment="pieces of a lot"),
        sa.Column("destination", CODE, nullable=False),
        sa.Column("occurred_at", BIG_ID, nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.CheckConstraint(
            "destination IN ('stock', 'scrap', 'supplier', 'failure analysis')", name=op.f("ck_disposition_destination")
        ),
        sa.ForeignKeyConstraint(["item_id"], ["item.id"], name=op.f("fk_disposition_item_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_disposition")),
    )
    op.create_index("ix_disposition_item_id", "disposition", ["item_id"], unique=False)
    op.create_table(
        "correction",
        sa.Column("id", BIG_ID, autoincrement=False, nullable=False),
        sa.Column("wrong_id", BIG_ID, nullable=False, comment="marriage, removal, loading or test run"),
        sa.Column("instead_id", BIG_ID, nullable=True, comment="the row that stands in its place"),
        sa.Column("occurred_at", BIG_ID, nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_correction")),
    )
    op.create_index("ix_correction_wrong_id", "correction", ["wrong_id"], unique=False)
    op.create_table(
        "label_print",
        sa.Column("id", BIG_ID, autoincrement=False, nullable=False),
        sa.Column("item_id", BIG_ID, nullable=False),
        sa.Column("label", CODE, nullable=False),
        sa.Column("symbol", CODE, nullable=False),
        sa.Column("copy", sa.Integer(), nullable=False, comment="from 1"),
        sa.Column("occurred_at", BIG_ID, nullable=False),
        sa.Column("reason", sa.Text(), nullable=True, comment="why it was printed again"),
        sa.CheckConstraint("label IN ('unit', 'component', 'carton', 'pallet')", name=op.f("ck_label_print_label")),
        sa.ForeignKeyConstraint(["item_id"], ["item.id"], name=op.f("fk_label_print_item_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_label_print")),
        sa.UniqueConstraint("item_id", "label", "copy", name=op.f("uq_label_print_item_id_label_copy")),
    )
    op.create_table(
        "build_order",
        sa.Column("id", BIG_ID, autoincrement=False, nullable=False),
        sa.Column("code", CODE, nullable=False),
        sa.Column("line", CODE, nullable=False),
        sa.Column("sequence", BIG_ID, nullable=False),
        sa.Column("part", CODE, nullable=False),
        sa.Column("serial", CODE, nullable=True),
        sa.Column("quantity", sa.Integer(), nullable=False),
        sa.Column("due", sa.Date(), nullable=True),
        sa.Column("parts", sa.Text(), nullable=False, comment="position to the one part ordered there, as JSON"),
        sa.Column("started", sa.Integer(), nullable=False, comment="units started for it"),
        sa.ForeignKeyConstraint(["part"], ["part.part"], name=op.f("fk_build_order_part")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_build_order")),
        sa.UniqueConstraint("code", name=op.f("uq_build_order_code")),
    )
    op.create_index(
        "ix_build_order_open",
        "build_order",
        ["line", "sequence", "code"],
        unique=False,
        sqlite_where=sa.text("started < quantity"),
        postgresql_where=sa.text("started < quantity"),
    )
    op.create_index("ix_build_order_serial", "build_order", ["part", "serial"], unique=False)
    op.create_table(
        "shipment",
        sa.Column("id", BIG_ID, autoincrement=False, nullable=False),
        sa.Column("code", CODE, nullable=False),
        sa.Column("consignee", CODE, nullable=False),
        sa.Column("opened_at", BIG_ID, nullable=False),
        sa.Column("despatched_at", BIG_ID, nullable=False),
        sa.Column("delivery_note", sa.Text(), nullable=True),
        sa.ForeignKeyConstraint(["consignee"], ["consignee.consignee"], name=op.f("fk_shipment_consignee")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_shipment")),
        sa.UniqueConstraint("code", name=op.f("uq_shipment_code")),
    )
    op.create_index("ix_shipment_consignee", "shipment", ["consignee", "despatched_at"], unique=False)
    op.create_table(
        "shipment_line",
        sa.Column("id", BIG_ID, autoincrement=False, nullable=False),
        sa.Column("shipment_id", BIG_ID, nullable=False),
        sa.Column("item_id", BIG_ID, nullable=False),
        sa.Column("loaded_at", BIG_ID, nullable=False),
        sa.Column("unloaded_at", BIG_ID, nullable=False),
        sa.Column("reason", sa.Text(), nullable=True, comment="why it is no longer on it"),
        sa.ForeignKeyConstraint(["item_id"], ["item.id"], name=op.f("fk_shipment_line_item_id")),
        sa.ForeignKeyConstraint(["shipment_id"], ["shipment.id"], name=op.f("fk_shipment_line_shipment_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_shipment_line")),
    )
    op.create_index("ix_shipment_line_item_id", "shipment_line", ["item_id"], unique=False)
    op.create_index("ix_shipment_line_shipment_id", "shipment_line", ["shipment_id"], unique=False)
    op.create_index(
        "ux_shipment_line_one_shipment",
        "shipment_line",
        ["item_id"],
        unique=True,
        sqlite_where=sa.text("unloaded_at = 9000000000000000000"),
        postgresql_where=sa.text("unloaded_at = 9000000000000000000"),
    )
    op.create_table(
        "customer_return",
        sa.Column("id", BIG_ID, autoincrement=False, nullable=False),
        sa.Column("item_id", BIG_ID, nullable=False),
        sa.Column("consignee", CODE, nullable=True),
        sa.Column("occurred_at", BIG_ID, nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["item_id"], ["item.id"], name=op.f("fk_customer_return_item_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_customer_return")),
    )
    op.create_index("ix_customer_return_item_id", "customer_return", ["item_id"], unique=False)
    for table in new_columns():
        _alter(table, up=True)
    _number_by_schemes()
    for name, (table, columns, where) in NEW_INDEXES.items():
        condition = None if where is None else sa.text(where)
        op.create_index(name, table, columns, sqlite_where=condition, postgresql_where=condition)


OLD_WORDS = (
    "UPDATE item SET state = 'finished' WHERE state IN ('packed', 'shipped', 'came back')",
    "UPDATE item SET state = 'scrapped' WHERE state = 'in analysis'",
    "UPDATE removal SET destination = 'scrap' WHERE destination = 'failure analysis'",
    "UPDATE test_run SET verdict = 'fail' WHERE verdict = 'disputed'",
    "UPDATE scan_point SET kind = 'build' WHERE kind = 'pack'",
    "UPDATE scan_point SET kind = 'store' WHERE kind = 'ship'",
)
"""What comes nearest, in the words that there were before."""


def downgrade() -> None:
    for statement in OLD_WORDS:
        op.execute(statement)
    for name, (table, _, _) in NEW_INDEXES.items():
        op.drop_index(name, table)
    _number_by_parts()
    for table in reversed(list(new_columns())):
        _alter(table, up=False)
    for table in reversed(NEW_TABLES):
        op.drop_table(table)


def _alter(table: str, *, up: bool) -> None:
    """Add or drop the new columns, and change the checks."""
    checks = {op.f(f"ck_{table}_{name}"): texts[int(up)] for name, texts in CHECKS.get(table, {}).items()}
    columns = new_columns()[table]
    with op.batch_alter_table(table) as batch:
        for name in checks:
            batch.drop_constraint(name, type_="check")
        for column in columns:
            if up:
                batch.add_column(column)
            else:
                batch.drop_column(column.name)
        for name, condition in checks.items():
            batch.create_check_constraint(name, sa.text(condition))
    defaults = [column.name for column in columns if column.server_default is not None]
    if up and defaults:
        with op.batch_alter_table(table) as batch:
            for defaulted in defaults:
                batch.alter_column(defaulted, server_default=None)


def _number_by_schemes() -> None:
    """The running numbers of a part become a scheme of its name."""
    op.execute(
        """
        INSERT INTO numbering (scheme, body, digits, prefix, "check")
        SELECT part, 'running', serial_digits, serial_prefix, label_check FROM part WHERE serial_digits IS NOT NULL
        """
    )
    op.execute("UPDATE part SET numbering = part WHERE serial_digits IS NOT NULL")
    op.execute("INSERT INTO number_counter (scheme, period, last) SELECT part, '', last FROM serial_number")
    op.drop_table("serial_number")
    with op.batch_alter_table("part") as batch:
        batch.drop_column("serial_prefix")
        batch.drop_column("serial_digits")
        batch.create_foreign_key(op.f("fk_part_numbering"), "numbering", ["numbering"], ["scheme"])


def _number_by_parts() -> None:
    """Back to the running numbers of parts, as far as these are what a scheme gives."""
    with op.batch_alter_table("part") as batch:
        batch.drop_constraint(op.f("fk_part_numbering"), type_="foreignkey")
        batch.add_column(sa.Column("serial_prefix", CODE))
        batch.add_column(sa.Column("serial_digits", sa.Integer))
    op.create_table(
        "serial_number",
        sa.Column("part", CODE, nullable=False),
        sa.Column("last", BIG_ID, nullable=False, comment="last running number issued"),
        sa.ForeignKeyConstraint(["part"], ["part.part"], name=op.f("fk_serial_number_part")),
        sa.PrimaryKeyConstraint("part", name=op.f("pk_serial_number")),
    )
    op.execute(
        """
        UPDATE part SET
            serial_digits = (SELECT digits FROM numbering WHERE scheme = part.numbering),
            serial_prefix = (SELECT coalesce(prefix, '') FROM numbering WHERE scheme = part.numbering)
        WHERE numbering IN (SELECT scheme FROM numbering WHERE body = 'running' AND date IS NULL)
        """
    )
    op.execute(
        """
        INSERT INTO serial_number (part, last)
        SELECT part.part, number_counter.last FROM part JOIN number_counter ON number_counter.scheme = part.numbering
        WHERE number_counter.period = ''
        """
    )
