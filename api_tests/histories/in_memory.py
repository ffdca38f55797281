"""What is counted on the genealogy in memory, held against what is counted in the store."""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from partkin.memory.held import Held
from partkin.questions.preview import preview
from partkin.store.database import Database
from partkin.web.alarms import ALARM

Json = dict[str, Any]


class InMemory:
    """The genealogy of a store, read while a history is played, and brought up to date when it is asked."""

    def __init__(self, database: Database, folder: Path) -> None:
        self._database = database
        self._held = Held(database, folder)

    def hold(self) -> None:
        """Read it, or bring the files up to date."""
        self._held.renew(0)

    def require_the_same(self, asked: Sequence[tuple[Json, str | None]]) -> None:
        """What a freeze would stop, of suspects as of moments: from what was held, from newer files, and at first."""
        alarms = [ALARM.validate_json(json.dumps({"suspects": suspects, "as_of": as_of})) for suspects, as_of in asked]
        in_store = [preview(self._database, alarm) for alarm in alarms]
        base = self._held.newest()
        with self._database.read() as connection:
            assert base is not None
            assert base.at(connection) is not None
        assert [preview(self._database, alarm, self._held) for alarm in alarms] == in_store
        self.hold()
        assert [preview(self._database, alarm, self._held) for alarm in alarms] == in_store


@contextmanager
def in_memory(store_url: str) -> Iterator[InMemory]:
    """It, with files of its own."""
    database = Database(store_url)
    try:
        with TemporaryDirectory(prefix="partkin-genealogy-") as folder:
            yield InMemory(database, Path(folder))
    finally:
        database.close()
