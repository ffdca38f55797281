"""The store as it was known at a seal: questions can be asked of it as of the store itself.

It is rebuilt from the journal's entries up to that seal, into a SQLite file in a cache folder, where it is found again;
whatever was recorded since, it gives the same answers. The file is named after the store and all that it holds, and it
is never written to once it has that name.
"""

from __future__ import annotations

import errno
import fcntl
import os
from collections.abc import Callable, Iterator
from contextlib import ExitStack, closing, contextmanager, suppress
from pathlib import Path
from typing import Final
from urllib.parse import quote

from sqlalchemy import URL, Connection
from sqlalchemy.exc import OperationalError

from partkin.store.books.rebuilding import rebuild
from partkin.store.cache_folder import default_folder, form_of_tables, name_of_store
from partkin.store.database import Database
from partkin.store.journal.seals import Seal, count_sealed, find_seal, last_seal, sealed_entries
from partkin.store.tables import metadata

KEPT: Final = 8
"""Files in a cache folder; the one asked longest ago goes first."""

_SUFFIX = ".as-known"
_PARTIAL = f"{_SUFFIX}-partial"
_LOCK = ".partkin-as-known-lock"


class UnknownSeal(LookupError):
    """The journal has no seal of this number."""


class AsKnown:
    """The store as it was known at a seal. Read it as a `Database`."""

    def __init__(
        self, database: Database, number: int, folder: Path | None, progress: Callable[[int, int], None]
    ) -> None:
        """Rebuild it, unless it is kept in the cache folder; without one, in `default_folder`.

        That takes as long as `partkin check`: one at a time in a folder, the others wait. `progress` is told how many
        entries are rebuilt, and of how many. Raises UnknownSeal; BrokenSeal where the journal no longer is what was
        sealed; OSError where the folder cannot be written to.
        """
        self._database = database
        self._seal = _seal(database, number)
        self._folder = default_folder(database) if folder is None else folder
        self._file = (
            self._folder / f"{number}-{self._seal.chained}-{name_of_store(database)}-{form_of_tables()}{_SUFFIX}"
        )
        self._progress = progress
        self._make_where_missing()

    @contextmanager
    def read(self) -> Iterator[Connection]:
        """A transaction for questions."""
        with ExitStack() as stack:
            yield self._opened(stack)

    def _opened(self, stack: ExitStack) -> Connection:
        """An open file stays readable when it is pruned; one that is pruned just before is made again."""
        while True:
            self._make_where_missing()
            books = stack.enter_context(closing(Database(_read_only(self._file))))
            try:
                connection = stack.enter_context(books.read())
            except OperationalError:
                if self._file.exists():
                    raise
            else:
                with suppress(OSError):  # it only says which file goes first
                    os.utime(self._file)
                return connection

    def _make_where_missing(self) -> None:
        if self._file.exists():
            return
        self._folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        with _alone(self._folder):
            if not self._file.exists():
                self._make()
                _prune(self._folder)

    def _make(self) -> None:
        partial = self._file.with_suffix(_PARTIAL)
        _remove_partial(self._folder)  # of those that were killed
        try:
            self._rebuild(partial)
            _require_whole(partial)
            partial.rename(self._file)
        finally:
            _remove_partial(self._folder)

    def _rebuild(self, file: Path) -> None:
        with closing(Database(URL.create("sqlite", database=str(file)).render_as_string())) as empty:
            with empty.write() as connection:
                metadata.create_all(connection)
            with self._database.read(limited=False) as reader, closing(sealed_entries(reader, self._seal)) as entries:
                total = count_sealed(reader, self._seal)
                rebuild(entries, empty, lambda done: self._progress(done, total), with_journal=True)


def _seal(database: Database, number: int) -> Seal:
    with database.read() as connection:
        seal = find_seal(connection, number)
        if seal is not None:
            return seal
        newest = last_seal(connection)
    known = "nothing has been sealed yet" if newest is None else f"the newest is {newest.seal}"
    raise UnknownSeal(f"There is no seal {number}: {known}.")


def _read_only(file: Path) -> str:
    """Immutable: no locks, no files beside it."""
    options = {"mode": "ro", "immutable": "1", "uri": "true"}
    return URL.create("sqlite", database=f"file:{quote(str(file))}", query=options).render_as_string()


@contextmanager
def _alone(folder: Path) -> Iterator[None]:
    with (folder / _LOCK).open("ab") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        yield


def _require_whole(file: Path) -> None:
    """SQLite says nothing when the last of what was written cannot be brought into the file itself."""
    log = file.with_name(f"{file.name}-wal")
    if log.exists():
        raise OSError(errno.EIO, "what was written beside it cannot be brought into it; is the disk full?", str(file))


def _remove_partial(folder: Path) -> None:
    for file in folder.glob(f"*{_PARTIAL}*"):
        file.unlink(missing_ok=True)


def _prune(folder: Path) -> None:
    files = sorted(folder.glob(f"*{_SUFFIX}"), key=lambda file: file.stat().st_mtime, reverse=True)
    for file in files[KEPT:]:
        file.unlink()
