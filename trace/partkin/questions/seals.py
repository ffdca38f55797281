"""Which seals the journal has, and whether they hold."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from itertools import islice
from typing import Any

from partkin.rules.moments import text_of
from partkin.store.database import Database
from partkin.store.journal.seals import BrokenSeal, Seal, count_sealed, last_seal, sealed_entries, seals_after

_CHUNK = 500  # entries


def list_seals(database: Database, *, after: int, limit: int) -> list[dict[str, Any]]:
    """Up to `limit` seals in order, from the one after `after`."""
    with database.read() as connection:
        return [seal_json(seal) for seal in seals_after(connection, after, limit)]


def seal_json(seal: Seal) -> dict[str, Any]:
    """A seal as JSON."""
    return {
        "seal": seal.seal,
        "last_entry": seal.last_entry,
        "entries": seal.entries,
        "sealed_at": text_of(seal.sealed_at),
        "root": seal.root,
        "chained": seal.chained,
    }


@dataclass(frozen=True, slots=True)
class SealsChecked:
    """The newest seal, none where nothing is sealed; and the first that does not hold."""

    last: Seal | None
    broken: BrokenSeal | None


def check_seals(database: Database, progress: Callable[[int, int], None]) -> SealsChecked:
    """Reckon all seals again from the journal. `progress` is told how many entries were read, and of how many."""
    with database.read() as connection:
        last = last_seal(connection)
        if last is None:
            return SealsChecked(None, None)
        entries = sealed_entries(connection, last)
        total = count_sealed(connection, last)
        done = 0
        try:
            while read := sum(1 for _ in islice(entries, _CHUNK)):
                done += read
                progress(done, total)
        except BrokenSeal as broken:
            return SealsChecked(last, broken)
        return SealsChecked(last, None)
