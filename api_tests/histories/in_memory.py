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
from partkin.questions.units_affected import affected_page
from partkin.rules.messages.criteria import Alarm
from partkin.store.database import Database
from partkin.web.alarms import ALARM

Json = dict[str, Any]


class InMemory:
    """The genealogy of a store, read while a history is played, and brought up to date when it is asked."""

    def __init__(self, database: Database, folder: Path) -> None:
        self._database = database
        self._held = Held(database, folder, span=60)  # so that a history has several layers

    def hold(self) -> None:
        """Read it, or bring the files up to date."""
        self._held.renew(0)

    def require_the_same(self, asked: Sequence[tuple[Json, str | None]]) -> None:
        """The answers about suspects as of moments: from what was held, and from newer files."""
        alarms = [ALARM.validate_json(json.dumps({"suspects": suspects, "as_of": as_of})) for suspects, as_of in asked]
        in_store = [self._answers(alarm) for alarm in alarms]
        base = self._held.newest()
        with self._database.read() as connection:
            assert base is not None
            assert base.at(connection) is not None
        assert [self._answers(alarm, self._held) for alarm in alarms] == in_store
        self.hold()
        assert [self._answers(alarm, self._held) for alarm in alarms[::3]] == in_store[::3]

    def _answers(self, alarm: Alarm, held: Held | None = None) -> list[Json]:
        """What a freeze would stop, and the affected units in two pages."""
        first = affected_page(self._database, alarm, after=None, limit=2, held=held)
        rest = affected_page(self._database, alarm, after=first["next"], limit=1000, held=held)
        return [preview(self._database, alarm, held), first, rest]


@contextmanager
def in_memory(store_url: str) -> Iterator[InMemory]:
    """It, with files of its own."""
    database = Database(store_url)
    try:
        with TemporaryDirectory(prefix="partkin-genealogy-") as folder:
            yield InMemory(database, Path(folder))
    finally:
        database.close()
