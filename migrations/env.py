"""Run by Alembic for every migration: with the connection handed over, else on the store of PARTKIN_STORE."""

from __future__ import annotations

from typing import Any

from alembic import context
from alembic.operations import MigrationScript
from alembic.script import ScriptDirectory
from sqlalchemy import Connection

from partkin.settings import Settings
from partkin.store.database import Database
from partkin.store.tables import metadata


def number_revision(migration_context: Any, _revision: Any, directives: list[MigrationScript]) -> None:
    """Name a new revision by the next number: 0002 after 0001."""
    head = ScriptDirectory.from_config(migration_context.config).get_current_head()
    for script in directives:
        script.rev_id = f"{int(head or 0) + 1:04d}"


def migrate(connection: Connection) -> None:
    """Run what Alembic was asked for, as part of the connection's transaction."""
    context.configure(
        connection=connection,
        target_metadata=metadata,
        render_as_batch=connection.dialect.name == "sqlite",
        compare_server_default=True,
        process_revision_directives=number_revision,
    )
    context.run_migrations()


given = context.config.attributes.get("connection")
if given is not None:
    migrate(given)
else:
    with Database(Settings().store).migration() as own:
        migrate(own)
