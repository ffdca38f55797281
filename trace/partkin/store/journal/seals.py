"""Seals: what makes it plain when an entry of the journal, or a seal itself, was changed afterwards.

A seal covers all entries after those of the seal before, up to its last entry. Its root is that of the Merkle tree
(RFC 9162, 2.1.1, SHA-256) whose leaves are these entries, in order of their numbers: of each the line that the night's
export has, in UTF-8, without its line end. Chained is the SHA-256 of the 32 bytes chained of the seal before (32 zero
bytes at the first seal) and the 32 bytes of this root. So whoever holds an export can reckon every seal again.
"""

from __future__ import annotations

from collections.abc import Generator, Iterator
from dataclasses import asdict, dataclass, fields
from hashlib import sha256

from sqlalchemy import Connection, func, insert, select

from partkin.rules.merkle_trees import MerkleTree
from partkin.rules.moments import Moment
from partkin.store.database import lock_out_recorders
from partkin.store.journal.entries import Entry, canonical_entry, last_entry, read_entries
from partkin.store.tables import seal as seal_table

_BEFORE_THE_FIRST = bytes(32)
_PAGE = 1000


@dataclass(frozen=True, slots=True)
class Seal:
    """One seal; its fields are the columns of the table."""

    seal: int
    last_entry: int
    entries: int
    sealed_at: Moment
    root: str
    chained: str


class BrokenSeal(Exception):
    """A seal that the journal does not give, or gives otherwise."""

    def __init__(self, kept: Seal, reckoned: Seal) -> None:
        self.seal = kept.seal
        differing = (one.name for one in fields(Seal) if getattr(kept, one.name) != getattr(reckoned, one.name))
        name = next(differing)
        super().__init__(
            f"Seal {kept.seal} does not hold: its {name} is {getattr(kept, name)}, "
            f"but the journal and the seal before give {getattr(reckoned, name)}."
        )


def settled_entry(connection: Connection) -> int:
    """The last entry now; 0 where there is none. No entry will ever get a lower number than it.

    It waits for those that are being recorded, and keeps recorders waiting until the write transaction ends.
    """
    lock_out_recorders(connection)
    return last_entry(connection)


def next_seal(connection: Connection, before: Seal | None, last: int, now: Moment) -> Seal | None:
    """The seal over the entries after those of the seal `before` up to a settled one; None where there are none."""
    sealing = _Sealing(before)
    for entry in read_entries(connection, after=sealing.last_entry, up_to=last):
        sealing.add(entry)
    return sealing.seal(now) if sealing.entries else None


def add_seal(connection: Connection, seal: Seal) -> None:
    """Keep a seal. A conflict is raised where another sealer was faster."""
    connection.execute(insert(seal_table), asdict(seal))


def find_seal(connection: Connection, number: int) -> Seal | None:
    """The seal of a number."""
    row = connection.execute(select(seal_table).where(seal_table.c.seal == number)).first()
    return None if row is None else Seal(*row)


def last_seal(connection: Connection) -> Seal | None:
    """The newest seal."""
    row = connection.execute(select(seal_table).order_by(seal_table.c.seal.desc()).limit(1)).first()
    return None if row is None else Seal(*row)


def seals_after(connection: Connection, after: int, limit: int) -> list[Seal]:
    """Up to `limit` seals in order, from the one after `after`."""
    query = select(seal_table).where(seal_table.c.seal > after).order_by(seal_table.c.seal).limit(limit)
    return [Seal(*row) for row in connection.execute(query)]


def count_sealed(connection: Connection, seal: Seal) -> int:
    """How many entries there are up to those of a seal."""
    return connection.scalar(select(func.sum(seal_table.c.entries)).where(seal_table.c.seal <= seal.seal)) or 0


def sealed_entries(connection: Connection, seal: Seal) -> Generator[Entry, None, None]:
    """All entries up to those of a seal, in order; close it where not all are read. Each seal on the way is checked.

    Raises BrokenSeal after the entries of the first one that does not hold.
    """
    before = None
    for kept in _seals_to(connection, seal):
        sealing = _Sealing(before)
        for entry in read_entries(connection, after=sealing.last_entry, up_to=kept.last_entry):
            sealing.add(entry)
            yield entry
        reckoned = sealing.seal(kept.sealed_at)
        if reckoned != kept:
            raise BrokenSeal(kept, reckoned)
        before = kept


def _seals_to(connection: Connection, seal: Seal) -> Iterator[Seal]:
    after = 0
    while page := seals_after(connection, after, min(_PAGE, seal.seal - after)):
        yield from page
        after = page[-1].seal


class _Sealing:
    """A seal in the making."""

    def __init__(self, before: Seal | None) -> None:
        self._number = 1 if before is None else before.seal + 1
        self._chained_before = _BEFORE_THE_FIRST if before is None else bytes.fromhex(before.chained)
        self._tree = MerkleTree()
        self.last_entry = 0 if before is None else before.last_entry

    @property
    def entries(self) -> int:
        return self._tree.leaves

    def add(self, entry: Entry) -> None:
        self._tree.add(canonical_entry(entry).encode())
        self.last_entry = entry.id

    def seal(self, now: Moment) -> Seal:
        root = self._tree.root()
        chained = sha256(self._chained_before + root)
        return Seal(self._number, self.last_entry, self.entries, now, root.hex(), chained.hexdigest())
