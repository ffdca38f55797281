"""What an error of either engine means."""

from __future__ import annotations

import sqlite3
from typing import Final

from sqlalchemy import (
    Connection,
)
from sqlalchemy.exc import DBAPIError, OperationalError
from sqlalchemy.exc import TimeoutError as PoolTimeoutError


def as_raised_by_sqlalchemy(connection: Connection, error: Exception, text: str = "") -> Exception:
    """An error of the driver, as SQLAlchemy raises those of its own statements."""
    base = connection.dialect.loaded_dbapi.Error
    return DBAPIError.instance(text, None, error, base, dialect=connection.dialect)


class ChangedMeanwhile(RuntimeError):
    """What was looked up, in order to lock it, was another thing once it was locked."""


def is_conflict(error: Exception) -> bool:
    """Whether another transaction was faster: nothing was written, and the same may be tried again.

    A key taken meanwhile, a serialization failure, a deadlock, or a lock not had in time.
    """
    return isinstance(error, ChangedMeanwhile) or _code(error) in _CONFLICTS | _TAKEN


def key_taken(error: Exception) -> str | None:
    """What the database says of a key that is taken: the same words again are no race, since a next look shows it."""
    return str(error.orig) if isinstance(error, DBAPIError) and _code(error) in _TAKEN else None


def is_too_long(error: Exception) -> bool:
    """Whether a question was stopped because the database worked at it for too long."""
    return _code(error) in _TOO_LONG


def is_unreachable(error: Exception) -> bool:
    """Whether the store cannot be worked with now: not there, shutting down, full, not to be written to."""
    if isinstance(error, PoolTimeoutError) or (isinstance(error, DBAPIError) and error.connection_invalidated):
        return True
    code = _code(error)
    if isinstance(code, str):
        return code.startswith(_CONNECTION_EXCEPTION) or code in _UNREACHABLE
    # psycopg gives no code where no server was there to give one.
    return code in _UNREACHABLE or (code is None and isinstance(error, OperationalError))


_CONNECTION_EXCEPTION: Final = "08"
_CONFLICTS: Final = frozenset(
    {
        "40001",  # serialization_failure
        "40P01",  # deadlock_detected
        "55P03",  # lock_not_available
        sqlite3.SQLITE_BUSY,
        sqlite3.SQLITE_LOCKED,
    }
)
_TAKEN: Final = frozenset(
    {
        "23505",  # unique_violation
        sqlite3.SQLITE_CONSTRAINT_PRIMARYKEY,
        sqlite3.SQLITE_CONSTRAINT_ROWID,
        sqlite3.SQLITE_CONSTRAINT_UNIQUE,
    }
)
_TOO_LONG: Final = frozenset({"57014", sqlite3.SQLITE_INTERRUPT})
_UNREACHABLE: Final = frozenset(
    {
        "25006",  # read_only_sql_transaction: a standby
        "53100",  # disk_full
        "53300",  # too_many_connections
        "57P01",  # admin_shutdown
        "57P02",  # crash_shutdown
        "57P03",  # cannot_connect_now
        "58030",  # io_error
        sqlite3.SQLITE_CANTOPEN,
        sqlite3.SQLITE_FULL,
        sqlite3.SQLITE_IOERR,
        sqlite3.SQLITE_READONLY,
    }
)


def _code(error: Exception) -> str | int | None:
    """PostgreSQL's SQLSTATE, or SQLite's result code: of constraints the extended one, else the primary."""
    cause = error.orig if isinstance(error, DBAPIError) else error
    if isinstance(cause, sqlite3.Error):
        code: int | None = getattr(cause, "sqlite_errorcode", None)
        primary = code and code & 0xFF
        return code if primary == sqlite3.SQLITE_CONSTRAINT else primary
    state: str | None = getattr(cause, "sqlstate", None)
    return state
