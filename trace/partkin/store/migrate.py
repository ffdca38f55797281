"""The revision of a store: asked for, required, changed."""

from __future__ import annotations

from collections.abc import Callable
from functools import cache
from importlib import resources
from pathlib import Path
from typing import cast

from alembic import command
from alembic.config import Config
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory

from partkin.store.database import Database


class StoreAtAnotherRevision(RuntimeError):
    """The store's tables are not those that this Partkin works with; the message says what to do."""


def upgrade(database: Database, revision: str = "head") -> None:
    """Bring a store, also an empty one, up to a revision: all of it, or nothing when a step fails."""
    _run(database, command.upgrade, revision)


def downgrade(database: Database, revision: str) -> None:
    """Take a store back to an earlier revision; `base` leaves no table of ours."""
    _run(database, command.downgrade, revision)


def current_revision(database: Database) -> str | None:
    """The store's revision, none where it is empty."""
    with database.read() as connection:
        return MigrationContext.configure(connection).get_current_revision()


@cache
def head_revision() -> str:
    """The revision that this Partkin works with."""
    return cast(str, ScriptDirectory.from_config(_config()).get_current_head())


def require_current(database: Database) -> None:
    """Raise StoreAtAnotherRevision unless the store is at the revision that this Partkin works with."""
    found, head = current_revision(database), head_revision()
    if found == head:
        return
    known = {script.revision for script in ScriptDirectory.from_config(_config()).walk_revisions()}
    if found is None or found in known:
        mend = "run `partkin migrate`"
    else:
        mend = "it was made by a later version: install that one"
    raise StoreAtAnotherRevision(
        f"the store {database} is {f'at revision {found}' if found else 'empty'}, "
        f"and this version of Partkin needs revision {head}: {mend}"
    )


def _run(database: Database, step: Callable[[Config, str], None], revision: str) -> None:
    config = _config()
    with database.migration() as connection:
        config.attributes["connection"] = connection
        step(config, revision)


def _config() -> Config:
    config = Config()
    config.set_main_option("script_location", str(_migrations()).replace("%", "%%"))
    return config


def _migrations() -> Path:
    """Inside the installed package, else beside the source folder."""
    package = Path(str(resources.files("partkin")))
    installed = package / "migrations"
    return installed if installed.is_dir() else package.parents[1] / "migrations"
