"""The journal is sealed: what was committed since the last seal can no longer be changed unnoticed."""

from __future__ import annotations

import time
from dataclasses import dataclass

from sqlalchemy.exc import DBAPIError

from partkin.rules.moments import Moment
from partkin.store.database import Database
from partkin.store.errors import is_conflict
from partkin.store.journal.seals import Seal, add_seal, last_seal, next_seal, settled_entry

PATIENCE_SECONDS = 10
"""After this time no new try begins against other sealers that are faster, and recorders that take long."""


class NotSealed(RuntimeError):
    """Others were in the way each time; nothing was sealed."""


@dataclass(frozen=True, slots=True)
class Sealed:
    """The newest seal, none while the journal has no entry; and whether it was made now."""

    seal: Seal | None
    new: bool


def seal_journal(database: Database, *, now: Moment) -> Sealed:
    """Seal the entries that were committed since the last seal; where there are none, no seal is made.

    Recorders wait only while it is found out which entries these are. Raises NotSealed.
    """
    give_up = time.monotonic() + PATIENCE_SECONDS
    while True:
        try:
            return _seal(database, now)
        except DBAPIError as error:
            if not is_conflict(error):
                raise
            if time.monotonic() > give_up:
                raise NotSealed(
                    "Nothing was sealed: other sealers were faster, or something that is being recorded does not end. "
                    "Try again."
                ) from error


def _seal(database: Database, now: Moment) -> Sealed:
    with database.write() as connection:
        last = settled_entry(connection)
    with database.read(limited=False) as connection:
        before = last_seal(connection)
        seal = next_seal(connection, before, last, now)
    if seal is None:
        return Sealed(before, new=False)
    with database.write() as connection:
        add_seal(connection, seal)
    return Sealed(seal, new=True)
