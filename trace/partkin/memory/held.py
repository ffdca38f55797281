"""The genealogy held in memory: kept in files, brought up to date now and then, and up to a transaction when asked."""

from __future__ import annotations

import fcntl
import json
import logging
import os
import shutil
import threading
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any, BinaryIO, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import Connection, select
from sqlalchemy.exc import DBAPIError

from partkin.memory.arrays import Genealogy, unchanged, unchanged_items
from partkin.memory.reading import KEYS, Overtaken, read_genealogy, read_since
from partkin.store.cache_folder import default_folder, form_of_tables, name_of_store
from partkin.store.changed_rows import KEPT_ENTRIES
from partkin.store.database import Database
from partkin.store.journal import last_entry
from partkin.store.seals import settled_entry
from partkin.store.tables import entry

log = logging.getLogger(__name__)

BEHIND: Final = 20_000
"""Entries after which what is held is brought up to date: each question reads what is newer from the store."""

PAUSE_SECONDS: Final = 10
"""How often it is looked whether that is due."""


class Held:
    """The genealogy of a store, for questions about very many units. Safe to share between threads.

    Its files are shared by all processes that ask the same store, and outlive them.
    """

    def __init__(self, database: Database, folder: Path | None = None) -> None:
        """Files are in the cache folder; without one, in `default_folder`."""
        self._database = database
        parent = default_folder(database) if folder is None else folder
        self._folder = parent / f"{name_of_store(database)}-{form_of_tables()}-{_FORM}.genealogy"
        self._base: Base | None = None
        self._stop = threading.Event()
        self._thread: threading.Thread | None = None

    def newest(self) -> Base | None:
        """What is held; ask before the transaction begins that it is to be brought up to."""
        newest = max((int(path.name) for path in self._folder.glob("[0-9]*") if path.name.isdecimal()), default=None)
        if newest is not None and (self._base is None or newest != self._base.last):
            self._base = _load(self._folder / str(newest)) or self._base
        return self._base

    def renew(self, behind: int = BEHIND) -> bool:
        """Read it from the store, or bring it up to date, where it is so many entries behind; whether it was.

        Others record meanwhile. Raises what the database raises; OSError where the files cannot be written.
        """
        self._folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        with _alone(self._folder):
            base = self.newest()
            with self._database.read() as connection:
                if base is not None and not base.is_of(connection):
                    base = self._base = None
                if base is not None and last_entry(connection) - base.last < max(behind, 1):
                    return False
            with self._database.write() as connection:
                last = settled_entry(connection)
            with self._database.read(limited=False) as connection:
                genealogy = _up_to(connection, base, last)
                mark = _mark(connection, last)
            _keep(self._folder, last, mark, genealogy)
            return True

    def keep_up(self, from_entries: int) -> None:
        """Begin to renew it again and again, in a thread, once the journal has so many entries."""

        def renew_where_due() -> None:
            with self._database.read() as connection:
                due = last_entry(connection) >= from_entries
            if due:
                self.renew()

        def run() -> None:
            while True:
                try:
                    renew_where_due()
                except (DBAPIError, OSError) as error:
                    log.warning("the genealogy in memory could not be brought up to date: %s", error)
                if self._stop.wait(PAUSE_SECONDS):
                    return

        self._thread = threading.Thread(target=run, name="genealogy", daemon=True)
        self._thread.start()

    def stop(self) -> None:
        """End that; what takes longer to read than a moment is left."""
        self._stop.set()
        if self._thread is not None:
            self._thread.join(timeout=1)


class Base(NamedTuple):
    """What is held, and of which moment."""

    last: int
    """Entry: it and all before it are held, none after it."""
    mark: str
    """Tells that entry from one of the same number in another store, or in one that was put back from a copy."""
    genealogy: Genealogy

    def at(self, connection: Connection) -> Genealogy | None:
        """The genealogy as it is in a transaction; None where it cannot be brought up to that."""
        if not self.is_of(connection):
            return None
        try:
            return read_since(connection, self.genealogy, self.last)
        except Overtaken:
            return None

    def is_of(self, connection: Connection) -> bool:
        """Whether it is of this store as it is, and no more behind than changes are remembered."""
        return self.mark == _mark(connection, self.last) and last_entry(connection) - self.last <= KEPT_ENTRIES


class _About(NamedTuple):
    last: int
    mark: str
    parts: tuple[str, ...]
    consignees: tuple[str, ...]
    columns: tuple[str, ...]
    """Names of the files."""


def _mark(connection: Connection, number: int) -> str:
    t = entry.c
    row = connection.execute(select(t.recorded_at, t.message_id).where(t.id == number)).first()
    return "" if row is None else f"{row.recorded_at} {row.message_id}"


def _up_to(connection: Connection, base: Base | None, last: int) -> Genealogy:
    if base is not None:
        try:
            return read_since(connection, base.genealogy, base.last, last).merged()
        except Overtaken:
            pass
    return read_genealogy(connection, last)


# -- files


_ABOUT: Final = "about.json"
_SOLD: Final = "sold"


_HEADER_BYTES: Final = 128
_FORM: Final = 1
"""Of the files: a version that keeps other columns has another one."""


def _file(folder: Path, column: str) -> Path:
    return folder / f"{column}.npy"


def _keep(folder: Path, last: int, mark: str, genealogy: Genealogy) -> None:
    """Write files in the place of those that are there: who has these open may go on reading."""
    partial = folder / "partial"
    shutil.rmtree(partial, ignore_errors=True)
    partial.mkdir()
    columns = dict(_columns(genealogy))
    for name, column in columns.items():
        with _durable(_file(partial, name)) as file:
            np.save(file, column)
    about = _About(last, mark, genealogy.parts, genealogy.consignees, tuple(columns))
    with _durable(partial / _ABOUT) as file:
        file.write(json.dumps(about._asdict()).encode())
    for path in folder.iterdir():
        if path.name.isdecimal():
            shutil.rmtree(path, ignore_errors=True)
    partial.rename(folder / str(last))


@contextmanager
def _durable(path: Path) -> Iterator[BinaryIO]:
    """A file to write: it is whole on the disk before it gets the name by which it is found."""
    with path.open("wb") as file:
        yield file
        file.flush()
        os.fsync(file.fileno())


def _columns(genealogy: Genealogy) -> Iterator[tuple[str, NDArray[Any]]]:
    books: Mapping[str, Any] = {"items": genealogy.items, **{name: getattr(genealogy, name) for name in KEYS}}
    yield _SOLD, genealogy.sold
    for book, rows in books.items():
        yield from ((f"{book}.{name}", column) for name, column in rows.rows.items())


def _load(folder: Path) -> Base | None:
    """What is in the files; None where another process is just removing them."""
    books: dict[str, dict[str, NDArray[Any]]] = {name: {} for name in ("items", *KEYS)}
    try:
        about = _About(**json.loads((folder / _ABOUT).read_text()))
        sold = np.load(_file(folder, _SOLD))
        for name in about.columns:
            book, _, column = name.partition(".")
            if column:
                books[book][column] = _mapped(_file(folder, name))
    except FileNotFoundError:
        return None
    rest = {name: unchanged(key, books[name]) for name, key in KEYS.items()}
    items = unchanged_items(books["items"])
    genealogy = Genealogy(tuple(about.parts), tuple(about.consignees), sold, items, **rest)
    return Base(about.last, about.mark, genealogy)


def _mapped(path: Path) -> NDArray[Any]:
    """A column that stays in its file: the system keeps in memory what is asked for. An empty one cannot be mapped."""
    is_empty = path.stat().st_size <= _HEADER_BYTES
    return np.asarray(np.load(path, mmap_mode=None if is_empty else "r"))


@contextmanager
def _alone(folder: Path) -> Iterator[None]:
    with (folder / ".lock").open("ab") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        yield
