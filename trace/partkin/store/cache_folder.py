"""Where files that can be made again from a store are kept, and how they are told apart."""

from __future__ import annotations

import os
from functools import cache
from hashlib import sha256
from pathlib import Path

from sqlalchemy import make_url

from partkin.store.database import Database
from partkin.store.migrate import head_revision


def default_folder(database: Database) -> Path:
    """Where they are kept unless a folder is named.

    Beside a SQLite store; for another one in the user's cache folder (XDG_CACHE_HOME, else .cache at home).
    """
    file = make_url(str(database)).database or ""
    if database.dialect == "sqlite":
        return Path(f"{file.removeprefix('file:')}-as-known")
    return Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache") / "partkin"


def name_of_store(database: Database) -> str:
    """Tells stores apart in one folder."""
    return sha256(str(database).encode()).hexdigest()[:16]


@cache
def form_of_tables() -> str:
    """Of the tables: a later version makes its own files."""
    return head_revision()
