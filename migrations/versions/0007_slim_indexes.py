"""A slim index for walks upwards, and vacuum and analyze after smaller shares of the large tables."""

from __future__ import annotations

from collections.abc import Mapping

from alembic import op

revision = "0007"
down_revision = "0005"
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


def upgrade() -> None:
    _index(["child_id"])
    if op.get_bind().dialect.name == "postgresql":
        for table, settings in VACUUMED.items():
            op.execute(f"ALTER TABLE {table} SET ({', '.join(f'{name} = {value}' for name, value in settings.items())})")


def downgrade() -> None:
    if op.get_bind().dialect.name == "postgresql":
        for table, settings in VACUUMED.items():
            op.execute(f"ALTER TABLE {table} RESET ({', '.join(settings)})")
    _index(BEFORE)


def _index(columns: list[str]) -> None:
    op.drop_index("ix_marriage_child_id", "marriage")
    op.create_index("ix_marriage_child_id", "marriage", columns)
