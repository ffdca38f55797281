"""Slim indexes for walks upwards and of visits, one of holds in force; vacuum and analyze of large tables sooner."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import sqlalchemy as sa
from alembic import op

revision = "0007"
down_revision = "0006"
branch_labels = None
depends_on = None

BEFORE = ["child_id", "started", "ended", "parent_id", "parent_is_unit", "disputed", "id"]

ADDED: Mapping[str, str] = {
    "autovacuum_vacuum_insert_scale_factor": "0.02",
    "autovacuum_analyze_scale_factor": "0.02",
}
CHANGED: Mapping[str, str] = {**ADDED, "autovacuum_vacuum_scale_factor": "0.05"}

VACUUMED: Mapping[str, Mapping[str, str]] = {
    **dict.fromkeys(("entry", "marriage", "measurement", "test_run"), ADDED),
    **dict.fromkeys(("item", "stale", "visit"), CHANGED),
}


IN_ORDER: Mapping[str, Any] = {
    "postgresql_using": "brin",
    "postgresql_with": {"pages_per_range": "32", "autosummarize": "on"},
    "postgresql_ops": {"scan_point": "text_bloom_ops"},
}


def upgrade() -> None:
    _index("ix_marriage_child_id", "marriage", ["child_id"])
    in_force = sa.text("released_at = 9000000000000000000")
    op.create_index("ix_hold_in_force", "hold", ["id"], sqlite_where=in_force, postgresql_where=in_force)
    if op.get_bind().dialect.name == "postgresql":
        _index("ix_visit_scan_point", "visit", ["scan_point", "last_at"], **IN_ORDER)
        for table, settings in VACUUMED.items():
            values = ", ".join(f"{name} = {value}" for name, value in settings.items())
            op.execute(f"ALTER TABLE {table} SET ({values})")


def downgrade() -> None:
    if op.get_bind().dialect.name == "postgresql":
        for table, settings in VACUUMED.items():
            op.execute(f"ALTER TABLE {table} RESET ({', '.join(settings)})")
        _index("ix_visit_scan_point", "visit", ["scan_point", "last_at"])
    op.drop_index("ix_hold_in_force", "hold")
    _index("ix_marriage_child_id", "marriage", BEFORE)


def _index(name: str, table: str, columns: list[str], **how: Any) -> None:
    """Make an index anew."""
    op.drop_index(name, table)
    op.create_index(name, table, columns, **how)
