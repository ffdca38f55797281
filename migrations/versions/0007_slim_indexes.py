"""Slim indexes for walks upwards and of visits, and vacuum and analyze after smaller shares of the large tables."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

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
    _index("ix_marriage_child_id", "marriage", BEFORE)


def _index(name: str, table: str, columns: list[str], **how: Any) -> None:
    """Make an index anew."""
    op.drop_index(name, table)
    op.create_index(name, table, columns, **how)
