"""Errors that people can do something about, as one line each."""

from __future__ import annotations

from alembic.util import CommandError
from sqlalchemy.exc import DatabaseError, OperationalError
from sqlalchemy.exc import TimeoutError as PoolTimeoutError

from partkin.command_line.asking import BadInput
from partkin.exports.whole_folder import ExportRefused
from partkin.store.journal.journal_codec import BrokenEntry
from partkin.store.migrate import StoreAtAnotherRevision


def line_of(error: Exception) -> str | None:
    """What to say about an error; None for one that is a mistake of ours."""
    match error:
        case BadInput() | StoreAtAnotherRevision() | ExportRefused():
            return str(error)
        case BrokenEntry():
            return f"{error} `partkin check` lists all such entries."
        case CommandError():
            return f"the store was not migrated: {error}"
        case OSError(filename=str() as file, strerror=str() as why):
            return f"{file}: {why}"
        case PoolTimeoutError():
            return f"the store cannot be worked with: {error}"
        # Not its other subclasses: those are statements that are wrong.
        case DatabaseError() if type(error) in (DatabaseError, OperationalError):
            return f"the store cannot be worked with: {_first_line(error.orig)}"
    return None


def _first_line(cause: BaseException | None) -> str:
    return next(iter(str(cause).splitlines()), "it does not say why")
