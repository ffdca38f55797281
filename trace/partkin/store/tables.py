"""All tables: the journal, the books kept from it, and the catalogue.

Identifiers of books are made from the journal: entry number * FACTS_PER_ENTRY + place within the entry. So every row
says which entry made it, and a rebuild from the journal gives the same identifiers.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from sqlalchemy import (
    Boolean,
    CheckConstraint,
    Column,
    Connection,
    Date,
    Double,
    ForeignKey,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    PrimaryKeyConstraint,
    Sequence,
    SmallInteger,
    Table,
    Text,
    UniqueConstraint,
    event,
    text,
)

from partkin.rules.moments import FOREVER
from partkin.store.column_types import IN_ORDER, BigId, Code, MessageId, SmallNumber

metadata = MetaData(
    naming_convention={
        "pk": "pk_%(table_name)s",
        "fk": "fk_%(table_name)s_%(column_0_N_name)s",
        "uq": "uq_%(table_name)s_%(column_0_N_name)s",
        "ck": "ck_%(table_name)s_%(constraint_name)s",
        "ix": "ix_%(table_name)s_%(column_0_N_name)s",
    }
)

_GROWS: Final[Mapping[str, str]] = {
    "autovacuum_vacuum_insert_scale_factor": "0.02",
    "autovacuum_analyze_scale_factor": "0.02",
}
"""For a large table on PostgreSQL: it is vacuumed and analyzed when a fiftieth was added, not a fifth and a tenth."""

_CHANGES: Final[Mapping[str, str]] = {**_GROWS, "autovacuum_vacuum_scale_factor": "0.05"}
"""The same for one whose rows are changed often."""

# ---------------------------------------------------------------------------------------------------------------------
# The journal

entry = Table(
    "entry",
    metadata,
    Column("id", BigId, primary_key=True, autoincrement=False),
    Column("message_id", MessageId, unique=True, comment="null where no message could be read"),
    Column("kind", Code, nullable=False),
    Column("mode", Code),
    Column("outcome", Code, nullable=False),
    Column("scan_point", Code),
    Column("operator", Code),
    Column("occurred_at", BigId, comment="the station's clock"),
    Column("recorded_at", BigId, nullable=False, comment="our clock"),
    Column("item_id", BigId, comment="the unit or subassembly worked on"),
    Column("status", SmallInteger, nullable=False, comment="of the HTTP answer"),
    Column("because", BigId, comment="the entry that a list of a case follows"),
    Column("texts", LargeBinary, nullable=False, comment="message and answer, packed: see journal_codec.py"),
    CheckConstraint("outcome IN ('recorded', 'refused', 'unreadable')", name="outcome"),
    # Entries come nearly in the order of both clocks: on PostgreSQL it is enough to know the times in each few pages.
    Index("ix_entry_scan_point_occurred_at", "scan_point", "occurred_at", **IN_ORDER),
    Index("ix_entry_operator_occurred_at", "operator", "occurred_at", **IN_ORDER),
    Index("ix_entry_recorded_at", "recorded_at", **IN_ORDER),
    Index(
        "ix_entry_kind_occurred_at",
        *("kind", "occurred_at"),
        sqlite_where=text("kind IN ('hold', 'shipment', 'catalogue')"),
        postgresql_where=text("kind IN ('hold', 'shipment', 'catalogue')"),
    ),
    Index(
        "ix_entry_case_list",
        *("kind", "id"),
        sqlite_where=text("kind = 'case-list'"),
        postgresql_where=text("kind = 'case-list'"),
    ),
    Index(
        "ix_entry_item_id",
        "item_id",
        sqlite_where=text("item_id IS NOT NULL"),
        postgresql_where=text("item_id IS NOT NULL"),
    ),
    postgresql_with=_GROWS,
)

entry_numbers = Sequence("entry_numbers", metadata=metadata)
"""Where the database has sequences; SQLite, with one writer at a time, counts on from the last entry."""


def _keep_rows(table: Table, same: str) -> None:
    """Have the database itself refuse to change the table's rows; `same` says which row a new one would replace."""
    name = table.name
    on_postgresql = (
        f"""
        CREATE FUNCTION {name}_is_append_only() RETURNS trigger LANGUAGE plpgsql AS $$
        BEGIN
            RAISE EXCEPTION 'the journal is append-only: % refused', TG_OP;
        END $$
        """,
        f"""
        CREATE TRIGGER {name}_keep_rows BEFORE UPDATE OR DELETE ON {name}
        FOR EACH ROW EXECUTE FUNCTION {name}_is_append_only()
        """,
        f"""
        CREATE TRIGGER {name}_keep_table BEFORE TRUNCATE ON {name}
        FOR EACH STATEMENT EXECUTE FUNCTION {name}_is_append_only()
        """,
    )
    on_sqlite = (
        f"""
        CREATE TRIGGER {name}_no_update BEFORE UPDATE ON {name}
        BEGIN SELECT RAISE(ABORT, 'the journal is append-only: UPDATE refused'); END
        """,
        f"""
        CREATE TRIGGER {name}_no_replace BEFORE INSERT ON {name}
        WHEN EXISTS (SELECT 1 FROM {name} WHERE {same})
        BEGIN SELECT RAISE(ABORT, 'the journal is append-only: REPLACE refused'); END
        """,  # noqa: S608 - the names are ours
        f"""
        CREATE TRIGGER {name}_no_delete BEFORE DELETE ON {name}
        BEGIN SELECT RAISE(ABORT, 'the journal is append-only: DELETE refused'); END
        """,
    )

    @event.listens_for(table, "after_create")
    def keep(_table: Table, connection: Connection, **_: object) -> None:
        for statement in on_postgresql if connection.dialect.name == "postgresql" else on_sqlite:
            connection.execute(text(statement))

    @event.listens_for(table, "after_drop")
    def forget_to_keep(_table: Table, connection: Connection, **_: object) -> None:
        if connection.dialect.name == "postgresql":
            connection.execute(text(f"DROP FUNCTION {name}_is_append_only()"))


_keep_rows(entry, "id = NEW.id OR message_id = NEW.message_id")

dictionary = Table(
    "dictionary",
    metadata,
    Column("number", SmallInteger, primary_key=True, autoincrement=False),
    Column("made_at", BigId, nullable=False, comment="our clock"),
    Column("sha256", Code, nullable=False, comment="of its content, hexadecimal"),
    Column("content", LargeBinary, nullable=False),
    CheckConstraint("number BETWEEN 128 AND 255", name="number"),
)
"""What entries are packed with: see journal_codec.py. Part of the journal, and kept like it."""

_keep_rows(dictionary, "number = NEW.number")

seal = Table(
    "seal",
    metadata,
    Column("seal", BigId, primary_key=True, autoincrement=False, comment="from 1, without gaps"),
    Column("last_entry", BigId, nullable=False, comment="it covers the entries after those of the seal before"),
    Column("entries", BigId, nullable=False, comment="how many it covers"),
    Column("sealed_at", BigId, nullable=False, comment="our clock"),
    Column("root", Code, nullable=False, comment="Merkle root over its entries, hexadecimal"),
    Column("chained", Code, nullable=False, comment="hash of the seal before and of this root, hexadecimal"),
)

changed_row = Table(
    "changed_row",
    metadata,
    Column("entry", BigId, nullable=False, comment="with which the row was written anew"),
    Column("book", Code, nullable=False),
    Column("row", BigId, nullable=False, comment="its number in that table"),
    PrimaryKeyConstraint("entry", "book", "row"),
)
"""What was not only added, of the last KEPT_ENTRIES: whoever holds books as arrays follows it. No book itself."""

# ---------------------------------------------------------------------------------------------------------------------
# Attachments: kept once, by the hash of their content; test runs name them

attachment = Table(
    "attachment",
    metadata,
    Column("sha256", Code, primary_key=True, comment="hexadecimal"),
    Column("media_type", Code, nullable=False),
    Column("size", BigId, nullable=False, comment="bytes"),
    Column("kept_at", BigId, nullable=False, comment="our clock"),
)

attachment_piece = Table(
    "attachment_piece",
    metadata,
    Column("sha256", Code, ForeignKey("attachment.sha256"), nullable=False),
    Column("piece", Integer, nullable=False, comment="from 0"),
    Column("content", LargeBinary, nullable=False),
    PrimaryKeyConstraint("sha256", "piece"),
)

# ---------------------------------------------------------------------------------------------------------------------
# The books

item = Table(
    "item",
    metadata,
    Column("id", BigId, primary_key=True, autoincrement=False),
    Column("part", Code, ForeignKey("part.part"), nullable=False),
    Column("kind", Code, nullable=False),
    Column("code", Code, nullable=False, comment="serial number or lot"),
    Column("lot_id", BigId, ForeignKey("item.id"), comment="the lot that a serial item's label or receipt names"),
    Column("receipt_id", BigId, comment="the last receipt of a serial item"),
    Column("produced_on", Date),
    Column("expires_on", Date, comment="last day on which it may be used"),
    Column("state", Code, nullable=False),
    Column("started_at", BigId, comment="of what is built here"),
    Column("received", BigId, comment="pieces; null where nothing was received"),
    Column(
        "used",
        BigId,
        nullable=False,
        comment="pieces of a received lot that are in something, or were scrapped or sent back",
    ),
    Column("opened_at", BigId, comment="of a lot or container: its floor life runs from then"),
    Column("order_id", BigId, comment="the order for which it was started"),
    UniqueConstraint("part", "kind", "code"),
    CheckConstraint("kind IN ('serial', 'lot')", name="kind"),
    CheckConstraint(
        "state IN ('usable', 'in work', 'finished', 'packed', 'shipped', 'came back', 'scrapped', 'returned', "
        "'in analysis')",
        name="state",
    ),
    Index(
        "ix_item_lot_id",
        "lot_id",
        sqlite_where=text("lot_id IS NOT NULL"),
        postgresql_where=text("lot_id IS NOT NULL"),
    ),
    Index(
        "ix_item_started_at",
        "started_at",
        sqlite_where=text("started_at IS NOT NULL"),
        postgresql_where=text("started_at IS NOT NULL"),
    ),
    Index(
        "ix_item_in_work",
        *("part", "started_at"),
        sqlite_where=text("state = 'in work'"),
        postgresql_where=text("state = 'in work'"),
    ),
    postgresql_with=_CHANGES,
)

point_of_use = Table(
    "point_of_use",
    metadata,
    Column("id", BigId, primary_key=True, autoincrement=False),
    Column("scan_point", Code, nullable=False),
    Column("position", Code, nullable=False),
    UniqueConstraint("scan_point", "position"),
)

_open_and_sure = f"ended = {FOREVER} AND NOT disputed"

marriage = Table(
    "marriage",
    metadata,
    # Wide columns first: PostgreSQL begins each at a multiple of its width, and this is the table with the most rows.
    Column("id", BigId, primary_key=True, autoincrement=False),
    Column("child_id", BigId, ForeignKey("item.id"), comment="null: drawn while no lot was known to be loaded"),
    Column("parent_id", BigId, ForeignKey("item.id"), nullable=False),
    Column("started", BigId, nullable=False),
    Column("ended", BigId, nullable=False),
    Column("point_of_use_id", BigId, ForeignKey("point_of_use.id"), comment="where a loaded lot was drawn from"),
    Column("quantity", Integer, nullable=False),
    Column("slot", SmallNumber, nullable=False, comment="from 1; 0: in no slot of its own"),
    Column("disputed", Boolean, nullable=False, comment="said, but against what the books hold"),
    Column("child_is_serial", Boolean, nullable=False),
    Column("parent_is_unit", Boolean, nullable=False),
    Column("position", Code, nullable=False, comment="empty: in none of the bill's positions"),
    Column("wrong", Boolean, nullable=False, comment="corrected: it lasted no time"),
    CheckConstraint("started <= ended", name="started_before_ended"),
    CheckConstraint("quantity >= 1", name="quantity"),
    # Questions walk these two. A lot is in thousands of things: by itself its number is kept once for many rows, which
    # are then read in the order in which they lie.
    Index("ix_marriage_child_id", "child_id"),
    Index("ix_marriage_parent_id", "parent_id", "ended"),
    # A serial-numbered component is in at most one parent, and a slot holds at most one component.
    Index(
        "ux_marriage_one_parent",
        "child_id",
        unique=True,
        sqlite_where=text(f"{_open_and_sure} AND child_is_serial"),
        postgresql_where=text(f"{_open_and_sure} AND child_is_serial"),
    ),
    Index(
        "ux_marriage_one_in_slot",
        *("parent_id", "slot", "position"),
        unique=True,
        sqlite_where=text(f"{_open_and_sure} AND slot > 0"),
        postgresql_where=text(f"{_open_and_sure} AND slot > 0"),
    ),
    Index(
        "ix_marriage_point_of_use_id",
        "point_of_use_id",
        "started",
        sqlite_where=text("point_of_use_id IS NOT NULL"),
        postgresql_where=text("point_of_use_id IS NOT NULL"),
    ),
    postgresql_with=_GROWS,
)

_DESTINATIONS = "destination IN ('stock', 'scrap', 'supplier', 'failure analysis')"

removal = Table(
    "removal",
    metadata,
    Column("id", BigId, primary_key=True, autoincrement=False),
    Column("parent_id", BigId, ForeignKey("item.id"), nullable=False),
    Column("child_id", BigId, ForeignKey("item.id"), nullable=False),
    Column("position", Code, comment="null: wherever it was"),
    Column("occurred_at", BigId, nullable=False),
    Column("reason", Text, nullable=False),
    Column("destination", Code, nullable=False),
    Column("wrong", Boolean, nullable=False, comment="corrected: it was not so"),
    CheckConstraint(_DESTINATIONS, name="destination"),
    Index("ix_removal_parent_id", "parent_id"),
    Index("ix_removal_child_id", "child_id"),
)

loading = Table(
    "loading",
    metadata,
    Column("id", BigId, primary_key=True, autoincrement=False),
    Column("point_of_use_id", BigId, ForeignKey("point_of_use.id"), nullable=False),
    Column("lot_id", BigId, ForeignKey("item.id"), comment="null: emptied"),
    Column("loaded_at", BigId, nullable=False),
    Column("unloaded_at", BigId, nullable=False),
    Column("feeder", Code, nullable=False),
    Column("quantity", BigId, comment="pieces in the container, where they are counted"),
    Column("drawn", BigId, nullable=False, comment="pieces that units took, as booked"),
    Column("returned", BigId, comment="pieces that were left and went back to stock"),
    Index("ix_loading_point_of_use_id", "point_of_use_id", "unloaded_at"),
    Index("ix_loading_feeder", "point_of_use_id", "feeder", "unloaded_at"),
    Index("ix_loading_lot_id", "lot_id"),
)

transfer = Table(
    "transfer",
    metadata,
    Column("id", BigId, primary_key=True, autoincrement=False),
    Column("source_id", BigId, ForeignKey("item.id"), nullable=False),
    Column("target_id", BigId, ForeignKey("item.id"), nullable=False, comment="the container"),
    Column("quantity", BigId, nullable=False),
    Column("occurred_at", BigId, nullable=False),
    Index("ix_transfer_source_id", "source_id"),
    Index("ix_transfer_target_id", "target_id"),
)

receipt = Table(
    "receipt",
    metadata,
    Column("id", BigId, primary_key=True, autoincrement=False),
    Column("part", Code, ForeignKey("part.part"), nullable=False),
    Column("supplier", Code, ForeignKey("supplier.supplier"), nullable=False),
    Column("lot_id", BigId, ForeignKey("item.id")),
    Column("quantity", BigId, nullable=False),
    Column("received_at", BigId, nullable=False),
    Column("delivery_note", Text),
    Index("ix_receipt_supplier", "supplier", "received_at"),
    Index("ix_receipt_lot_id", "lot_id"),
)

received_item = Table(
    "received_item",
    metadata,
    Column("receipt_id", BigId, ForeignKey("receipt.id"), nullable=False),
    Column("item_id", BigId, ForeignKey("item.id"), nullable=False, comment="a serial item that the receipt names"),
    PrimaryKeyConstraint("receipt_id", "item_id"),
    Index("ix_received_item_item_id", "item_id"),
)

visit = Table(
    "visit",
    metadata,
    Column("item_id", BigId, ForeignKey("item.id"), nullable=False),
    Column("scan_point", Code, nullable=False),
    Column("first_at", BigId, nullable=False),
    Column("last_at", BigId, nullable=False),
    PrimaryKeyConstraint("item_id", "scan_point"),
    # On PostgreSQL a scan point is not sought where it does not occur, however large the table is.
    Index(
        "ix_visit_scan_point",
        *("scan_point", "last_at"),
        postgresql_ops={"scan_point": "text_bloom_ops"},
        **IN_ORDER,
    ),
    postgresql_with=_CHANGES,
)

test_run = Table(
    "test_run",
    metadata,
    Column("id", BigId, primary_key=True, autoincrement=False),
    Column("item_id", BigId, ForeignKey("item.id"), nullable=False),
    Column("plan", Code, nullable=False),
    Column("instrument", Code, nullable=False),
    Column("occurred_at", BigId, nullable=False),
    Column("verdict", Code, nullable=False),
    Column("tester", Code, comment="the tester's own verdict"),
    Column("revision", Code, comment="of the plan"),
    Column("wrong", Boolean, nullable=False, comment="corrected: it was not of this item"),
    CheckConstraint("verdict IN ('pass', 'fail', 'incomplete', 'disputed')", name="verdict"),
    Index("ix_test_run_item_id", "item_id", "plan", "occurred_at"),
    Index("ix_test_run_instrument", "instrument", "occurred_at"),
    postgresql_with=_GROWS,
)

measurement = Table(
    "measurement",
    metadata,
    Column("test_run_id", BigId, ForeignKey("test_run.id"), nullable=False),
    Column("characteristic", Code, nullable=False),
    Column("value", Double),
    Column("good", Boolean),
    Column("within", Boolean, nullable=False, comment="within its limits, or judged good"),
    Column("lower", Double, comment="limit of that day"),
    Column("upper", Double, comment="limit of that day"),
    PrimaryKeyConstraint("test_run_id", "characteristic"),
    postgresql_with=_GROWS,
)

test_attachment = Table(
    "test_attachment",
    metadata,
    Column("test_run_id", BigId, ForeignKey("test_run.id"), nullable=False),
    Column("sha256", Code, nullable=False),
    PrimaryKeyConstraint("test_run_id", "sha256"),
)

calibration = Table(
    "calibration",
    metadata,
    Column("id", BigId, primary_key=True, autoincrement=False),
    Column("instrument", Code, nullable=False),
    Column("occurred_at", BigId, nullable=False),
    Column("good", Boolean, nullable=False, comment="found within its limits"),
    Column("due_on", Date, comment="last day on which it may be used"),
    Column("certificate", Text),
    Index("ix_calibration_instrument", "instrument", "occurred_at"),
)

stale = Table(
    "stale",
    metadata,
    Column("item_id", BigId, ForeignKey("item.id"), nullable=False),
    Column("plan", Code, nullable=False),
    Column("at", BigId, nullable=False, comment="runs of the plan before this moment no longer count"),
    PrimaryKeyConstraint("item_id", "plan"),
    postgresql_with=_CHANGES,
)

hold = Table(
    "hold",
    metadata,
    Column("id", BigId, primary_key=True, autoincrement=False),
    Column("item_id", BigId, ForeignKey("item.id"), nullable=False),
    Column("reason", Text, nullable=False),
    Column("discrepancy", Boolean, nullable=False, comment="placed by the service on a contradiction"),
    Column("placed_at", BigId, nullable=False),
    Column("placed_by", Code, nullable=False),
    Column("released_at", BigId, nullable=False),
    Column("released_by", Code),
    Column("release_reason", Text),
    Column("case_id", BigId, comment="the containment case that stops it"),
    Index("ix_hold_item_id", "item_id"),
    Index(
        "ix_hold_in_force",
        "id",
        sqlite_where=text(f"released_at = {FOREVER}"),
        postgresql_where=text(f"released_at = {FOREVER}"),
    ),
    Index(
        "ix_hold_case_id",
        "case_id",
        sqlite_where=text("case_id IS NOT NULL"),
        postgresql_where=text("case_id IS NOT NULL"),
    ),
)

disposition = Table(
    "disposition",
    metadata,
    Column("id", BigId, primary_key=True, autoincrement=False),
    Column("item_id", BigId, ForeignKey("item.id"), nullable=False),
    Column("quantity", BigId, comment="pieces of a lot"),
    Column("destination", Code, nullable=False),
    Column("occurred_at", BigId, nullable=False),
    Column("reason", Text, nullable=False),
    CheckConstraint(_DESTINATIONS, name="destination"),
    Index("ix_disposition_item_id", "item_id"),
)

correction = Table(
    "correction",
    metadata,
    Column("id", BigId, primary_key=True, autoincrement=False),
    Column("wrong_id", BigId, nullable=False, comment="marriage, removal, loading or test run"),
    Column("instead_id", BigId, comment="the row that stands in its place"),
    Column("occurred_at", BigId, nullable=False),
    Column("reason", Text, nullable=False),
    Index("ix_correction_wrong_id", "wrong_id"),
)

label_print = Table(
    "label_print",
    metadata,
    Column("id", BigId, primary_key=True, autoincrement=False),
    Column("item_id", BigId, ForeignKey("item.id"), nullable=False),
    Column("label", Code, nullable=False),
    Column("symbol", Code, nullable=False),
    Column("copy", Integer, nullable=False, comment="from 1"),
    Column("occurred_at", BigId, nullable=False),
    Column("reason", Text, comment="why it was printed again"),
    UniqueConstraint("item_id", "label", "copy"),
    CheckConstraint("label IN ('unit', 'component', 'carton', 'pallet')", name="label"),
)

build_order = Table(
    "build_order",
    metadata,
    Column("id", BigId, primary_key=True, autoincrement=False),
    Column("code", Code, nullable=False, unique=True),
    Column("line", Code, nullable=False),
    Column("sequence", BigId, nullable=False),
    Column("part", Code, ForeignKey("part.part"), nullable=False),
    Column("serial", Code),
    Column("quantity", Integer, nullable=False),
    Column("due", Date),
    Column("parts", Text, nullable=False, comment="position to the one part ordered there, as JSON"),
    Column("started", Integer, nullable=False, comment="units started for it"),
    Index(
        "ix_build_order_open",
        *("line", "sequence", "code"),
        sqlite_where=text("started < quantity"),
        postgresql_where=text("started < quantity"),
    ),
    Index("ix_build_order_serial", "part", "serial"),
)

shipment = Table(
    "shipment",
    metadata,
    Column("id", BigId, primary_key=True, autoincrement=False),
    Column("code", Code, nullable=False, unique=True),
    Column("consignee", Code, ForeignKey("consignee.consignee"), nullable=False),
    Column("opened_at", BigId, nullable=False),
    Column("despatched_at", BigId, nullable=False),
    Column("delivery_note", Text),
    Index("ix_shipment_consignee", "consignee", "despatched_at"),
)

shipment_line = Table(
    "shipment_line",
    metadata,
    Column("id", BigId, primary_key=True, autoincrement=False),
    Column("shipment_id", BigId, ForeignKey("shipment.id"), nullable=False),
    Column("item_id", BigId, ForeignKey("item.id"), nullable=False),
    Column("loaded_at", BigId, nullable=False),
    Column("unloaded_at", BigId, nullable=False),
    Column("reason", Text, comment="why it is no longer on it"),
    Index("ix_shipment_line_shipment_id", "shipment_id"),
    Index("ix_shipment_line_item_id", "item_id"),
    # Nothing is on two shipments.
    Index(
        "ux_shipment_line_one_shipment",
        "item_id",
        unique=True,
        sqlite_where=text(f"unloaded_at = {FOREVER}"),
        postgresql_where=text(f"unloaded_at = {FOREVER}"),
    ),
)

customer_return = Table(
    "customer_return",
    metadata,
    Column("id", BigId, primary_key=True, autoincrement=False),
    Column("item_id", BigId, ForeignKey("item.id"), nullable=False),
    Column("consignee", Code),
    Column("occurred_at", BigId, nullable=False),
    Column("reason", Text, nullable=False),
    Index("ix_customer_return_item_id", "item_id"),
)

stock_count = Table(
    "stock_count",
    metadata,
    Column("id", BigId, primary_key=True, autoincrement=False),
    Column("item_id", BigId, ForeignKey("item.id"), nullable=False, comment="a lot or container"),
    Column("quantity", BigId, nullable=False, comment="pieces in stock and at points of use"),
    Column("occurred_at", BigId, nullable=False),
    Column("counted_by", Code, nullable=False),
    Index("ix_stock_count_item_id", "item_id", "occurred_at"),
)

containment_case = Table(
    "containment_case",
    metadata,
    Column("id", BigId, primary_key=True, autoincrement=False),
    Column("code", Code, nullable=False, unique=True),
    Column("title", Text, nullable=False),
    Column("status", Code, nullable=False),
    Column("revision", Integer, nullable=False, comment="of its list; 0 before the first freeze"),
    Column("suspects", Text, nullable=False, comment="as JSON"),
    Column("hazard", Text),
    Column("asked", Text, comment="what whoever has such a unit is to do"),
    Column("opened_at", BigId, nullable=False),
    Column("opened_by", Code, nullable=False),
    Column("reason", Text, nullable=False),
    CheckConstraint("status IN ('open', 'frozen', 'closed')", name="status"),
    Index(
        "ix_containment_case_frozen",
        "id",
        sqlite_where=text("status = 'frozen'"),
        postgresql_where=text("status = 'frozen'"),
    ),
)

case_revision = Table(
    "case_revision",
    metadata,
    Column("id", BigId, primary_key=True, autoincrement=False),
    Column("case_id", BigId, ForeignKey("containment_case.id"), nullable=False),
    Column("revision", Integer, nullable=False),
    Column("suspects", Text, nullable=False, comment="as JSON"),
    Column("seal", BigId, comment="the list is what was known at it"),
    Column("last_entry", BigId, nullable=False, comment="the last entry that the list knows"),
    Column("things", BigId, nullable=False),
    Column("sha256", Code, nullable=False, comment="of the list, hexadecimal"),
    Column("points", Text, nullable=False, comment="points of use where a suspect lot was up, as JSON"),
    Column("frozen_at", BigId, nullable=False),
    Column("frozen_by", Code, nullable=False),
    Column("reason", Text),
    UniqueConstraint("case_id", "revision"),
)

case_item = Table(
    "case_item",
    metadata,
    Column("id", BigId, primary_key=True, autoincrement=False),
    Column("case_id", BigId, ForeignKey("containment_case.id"), nullable=False),
    Column("item_id", BigId, ForeignKey("item.id"), nullable=False),
    Column("revision", Integer, nullable=False, comment="since which it is listed"),
    Column("certainty", Code, nullable=False),
    Column("suspect", Boolean, nullable=False, comment="itself, not for what is in it"),
    Column("state", Code, nullable=False, comment="when it was listed"),
    Column("gone", Boolean, nullable=False, comment="it had left when it was listed"),
    Column("because", BigId, comment="the entry that made it affected after the freeze"),
    Column("dropped_in", Integer, comment="revision since which it is no longer suspected"),
    Column("decision_id", BigId, comment="the decision that counts"),
    UniqueConstraint("case_id", "item_id"),
    CheckConstraint("certainty IN ('certain', 'possible')", name="certainty"),
    Index("ix_case_item_item_id", "item_id"),
)

case_decision = Table(
    "case_decision",
    metadata,
    Column("id", BigId, primary_key=True, autoincrement=False),
    Column("case_id", BigId, ForeignKey("containment_case.id"), nullable=False),
    Column("item_id", BigId, ForeignKey("item.id"), nullable=False),
    Column("decision", Code, nullable=False),
    Column("authority", Text, nullable=False),
    Column("concession", Code),
    Column("signed_by", Code),
    Column("sorting_id", BigId, ForeignKey("sorting.id")),
    Column("proof", Text, nullable=False, comment="numbers of marriages, as JSON"),
    Column("occurred_at", BigId, nullable=False),
    Column("decided_by", Code, nullable=False),
    Column("reason", Text, nullable=False),
    CheckConstraint(
        "decision IN ('use as is', 'rework', 'return to supplier', 'scrap', 'corrected in the field', "
        "'verified good', 'not recovered')",
        name="decision",
    ),
    Index("ix_case_decision_case_id", "case_id"),
    Index("ix_case_decision_item_id", "item_id"),
)

case_turn = Table(
    "case_turn",
    metadata,
    Column("id", BigId, primary_key=True, autoincrement=False),
    Column("case_id", BigId, ForeignKey("containment_case.id"), nullable=False),
    Column("turn", Code, nullable=False),
    Column("occurred_at", BigId, nullable=False),
    Column("turned_by", Code, nullable=False),
    Column("reason", Text, nullable=False),
    Column("unaccounted", Text, comment="why pieces that are not accounted for are accepted"),
    CheckConstraint("turn IN ('closed', 'reopened')", name="turn"),
    Index("ix_case_turn_case_id", "case_id"),
)

sorting = Table(
    "sorting",
    metadata,
    Column("id", BigId, primary_key=True, autoincrement=False),
    Column("case_id", BigId, ForeignKey("containment_case.id"), nullable=False),
    Column("code", Code, nullable=False, unique=True),
    Column("rule", Code, nullable=False),
    Column("confidence", Double, nullable=False),
    Column("fraction", Double, nullable=False),
    Column("listed", Code, comment="certainty of the units that it is of"),
    Column("clean", Text, comment="the clean point that it is of, as JSON"),
    Column("part", Code),
    Column("population", BigId, nullable=False),
    Column("drawn", Integer, nullable=False),
    Column("seed", Text, nullable=False),
    Column("occurred_at", BigId, nullable=False),
    Column("drawn_by", Code, nullable=False),
    CheckConstraint("rule IN ('success run', 'hypergeometric', 'all')", name="rule"),
    Index("ix_sorting_case_id", "case_id"),
)

sorting_item = Table(
    "sorting_item",
    metadata,
    Column("sorting_id", BigId, ForeignKey("sorting.id"), nullable=False),
    Column("item_id", BigId, ForeignKey("item.id"), nullable=False),
    PrimaryKeyConstraint("sorting_id", "item_id"),
    Index("ix_sorting_item_item_id", "item_id"),
)

inspection = Table(
    "inspection",
    metadata,
    Column("id", BigId, primary_key=True, autoincrement=False),
    Column("sorting_id", BigId, ForeignKey("sorting.id"), nullable=False),
    Column("item_id", BigId, ForeignKey("item.id"), nullable=False),
    Column("good", Boolean, nullable=False),
    Column("found", Text),
    Column("attachments", Text, nullable=False, comment="SHA-256 of each, as JSON"),
    Column("occurred_at", BigId, nullable=False),
    Column("inspected_by", Code, nullable=False),
    Index("ix_inspection_sorting_id", "sorting_id"),
    Index("ix_inspection_item_id", "item_id"),
)

check_plan = Table(
    "check_plan",
    metadata,
    Column("id", BigId, primary_key=True, autoincrement=False),
    Column("case_id", BigId, ForeignKey("containment_case.id"), nullable=False),
    Column("level", Code, nullable=False),
    Column("share", Double),
    Column("seed", Text, nullable=False),
    Column("consignees", Text, nullable=False, comment="those chosen, as JSON"),
    Column("occurred_at", BigId, nullable=False),
    Column("planned_by", Code, nullable=False),
    CheckConstraint("level IN ('A', 'B', 'C', 'D', 'E')", name="level"),
    Index("ix_check_plan_case_id", "case_id"),
)

case_notice = Table(
    "case_notice",
    metadata,
    Column("id", BigId, primary_key=True, autoincrement=False),
    Column("case_id", BigId, ForeignKey("containment_case.id"), nullable=False),
    Column("consignee", Code, ForeignKey("consignee.consignee"), nullable=False),
    Column("step", Code, nullable=False),
    Column("how", Text),
    Column("copy", Code, comment="SHA-256 of what was sent"),
    Column("on_hand", BigId),
    Column("corrected", BigId),
    Column("effective", Boolean),
    Column("found", Text),
    Column("occurred_at", BigId, nullable=False),
    Column("noted_by", Code, nullable=False),
    CheckConstraint("step IN ('sent', 'answered', 'checked')", name="step"),
    Index("ix_case_notice_case_id", "case_id"),
)

drill = Table(
    "drill",
    metadata,
    Column("id", BigId, primary_key=True, autoincrement=False),
    Column("seed", Text, nullable=False),
    Column("suspects", Text, nullable=False, comment="as JSON"),
    Column("steps", Text, nullable=False, comment="what was done, and milliseconds, as JSON"),
    Column("certain", BigId, nullable=False, comment="units"),
    Column("possible", BigId, nullable=False, comment="units"),
    Column("consignees", BigId, nullable=False),
    Column("received", BigId, comment="pieces"),
    Column("accounted", BigId, comment="pieces"),
    Column("occurred_at", BigId, nullable=False),
    Column("drilled_by", Code, nullable=False),
)

number_counter = Table(
    "number_counter",
    metadata,
    Column("scheme", Code, nullable=False),
    Column("period", Code, nullable=False, comment="the date element; empty without one"),
    Column("last", BigId, nullable=False, comment="highest running number issued"),
    PrimaryKeyConstraint("scheme", "period"),
)

issued_number = Table(
    "issued_number",
    metadata,
    Column("scheme", Code, nullable=False),
    Column("number", Code, nullable=False, comment="a random one"),
    PrimaryKeyConstraint("scheme", "number"),
)

# ---------------------------------------------------------------------------------------------------------------------
# The catalogue, kept from the journal like the books

catalogue = Table(
    "catalogue",
    metadata,
    Column("id", Integer, primary_key=True, autoincrement=False),
    Column("revision", BigId, nullable=False, comment="the entry that last changed the catalogue"),
    CheckConstraint("id = 1", name="one_row"),
)

supplier = Table(
    "supplier",
    metadata,
    Column("supplier", Code, primary_key=True),
    Column("name", Text, nullable=False),
)

numbering = Table(
    "numbering",
    metadata,
    Column("scheme", Code, primary_key=True),
    Column("body", Code, nullable=False),
    Column("digits", Integer, nullable=False),
    Column("prefix", Code),
    Column("date", Code),
    Column("check", Code),
    CheckConstraint("body IN ('running', 'random')", name="body"),
    CheckConstraint("date IN ('year', 'year-month', 'year-week', 'year-day', 'date')", name="date"),
)

part = Table(
    "part",
    metadata,
    Column("part", Code, primary_key=True),
    Column("description", Text, nullable=False),
    Column("trace", Code, nullable=False),
    Column("made", Boolean, nullable=False),
    Column("sold", Boolean, nullable=False),
    Column("supplier", Code, ForeignKey("supplier.supplier")),
    Column("supplier_part", Code),
    Column("gtin", Code),
    Column("cpid", Code),
    Column("label_pattern", Text),
    Column("label_check", Code),
    Column("receipts", Boolean, nullable=False),
    Column("numbering", Code, ForeignKey("numbering.scheme")),
    Column("packaging", Boolean, nullable=False),
    Column("floor_life_hours", Integer),
    CheckConstraint("trace IN ('serial', 'lot', 'none')", name="trace"),
)

scan_point = Table(
    "scan_point",
    metadata,
    Column("scan_point", Code, primary_key=True),
    Column("line", Code, nullable=False),
    Column("description", Text, nullable=False),
    Column("kind", Code, nullable=False),
    Column("changeover_slack", Integer, nullable=False),
    Column("warn_below", Integer, nullable=False, comment="pieces left in a container"),
    CheckConstraint("kind IN ('build', 'test', 'rework', 'store', 'pack', 'ship')", name="kind"),
)

position = Table(
    "position",
    metadata,
    Column("part", Code, ForeignKey("part.part"), nullable=False),
    Column("position", Code, nullable=False),
    Column("description", Text, nullable=False),
    Column("quantity", Integer, nullable=False),
    Column("scan_points", Text, nullable=False, comment="separated by blanks"),
    Column("makes_stale", Text, nullable=False, comment="separated by blanks"),
    Column("effective_from", Date, nullable=False),
    Column("effective_to", Date),
    Column("packing", Boolean, nullable=False, comment="goes into the carton with the unit"),
    PrimaryKeyConstraint("part", "position", "effective_from"),
)

alternate = Table(
    "alternate",
    metadata,
    Column("part", Code, ForeignKey("part.part"), nullable=False),
    Column("position", Code, nullable=False),
    Column("component", Code, ForeignKey("part.part"), nullable=False),
    Column("effective_from", Date, nullable=False),
    Column("effective_to", Date),
    PrimaryKeyConstraint("part", "position", "component", "effective_from"),
)

route_step = Table(
    "route_step",
    metadata,
    Column("part", Code, ForeignKey("part.part"), nullable=False),
    Column("step", Integer, nullable=False),
    Column("scan_point", Code, ForeignKey("scan_point.scan_point"), nullable=False),
    Column("needs_complete", Boolean, nullable=False),
    Column("needs_tests", Text, nullable=False, comment="separated by blanks"),
    PrimaryKeyConstraint("part", "step", "scan_point"),
)

test_plan = Table(
    "test_plan",
    metadata,
    Column("plan", Code, primary_key=True),
    Column("description", Text, nullable=False),
    Column("caution", Text),
    Column("revision", Code),
    Column("retests", Integer, comment="in a row before the item goes on hold; null: any"),
)

characteristic = Table(
    "characteristic",
    metadata,
    Column("plan", Code, ForeignKey("test_plan.plan"), nullable=False),
    Column("characteristic", Code, nullable=False),
    Column("description", Text, nullable=False),
    Column("kind", Code, nullable=False),
    Column("unit", Text),
    Column("lower", Double),
    Column("upper", Double),
    Column("source", Text),
    PrimaryKeyConstraint("plan", "characteristic"),
    CheckConstraint("kind IN ('numeric', 'attribute')", name="kind"),
)

instrument = Table(
    "instrument",
    metadata,
    Column("instrument", Code, primary_key=True),
    Column("description", Text, nullable=False),
    Column("calibrated", Boolean, nullable=False, comment="measures only while a good calibration is not overdue"),
)

consignee = Table(
    "consignee",
    metadata,
    Column("consignee", Code, primary_key=True),
    Column("name", Text, nullable=False),
)

marking = Table(
    "marking",
    metadata,
    Column("part", Code, ForeignKey("part.part"), nullable=False),
    Column("line", Integer, nullable=False),
    Column("text", Text, nullable=False),
    PrimaryKeyConstraint("part", "line"),
)
