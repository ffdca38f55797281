"""The catalogue in memory: read when it changed, shared by all threads of a process."""

from __future__ import annotations

from sqlalchemy import Connection

from partkin.rules.reading import Rulebook
from partkin.store.catalogue import read_catalogue, read_revision
from partkin.store.database import Database


class Rulebooks:
    """The newest rulebook that this process has seen."""

    def __init__(self, database: Database) -> None:
        with database.read() as connection:
            self.newest = Rulebook(read_catalogue(connection))

    def now(self, connection: Connection) -> Rulebook:
        """The rulebook as this transaction sees it."""
        return self.of(read_revision(connection), connection)

    def of(self, revision: int, connection: Connection) -> Rulebook:
        """The rulebook of the revision that this transaction sees."""
        if revision != self.newest.catalogue.revision:
            self.newest = Rulebook(read_catalogue(connection))
        return self.newest
