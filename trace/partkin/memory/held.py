"""The genealogy held in memory: kept in files, brought up to date now and then, and up to a transaction when asked."""

from __future__ import annotations

import fcntl
import json
import logging
import os
import re
import shutil
import threading
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, BinaryIO, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import Connection, select
from sqlalchemy.exc import DBAPIError

from partkin.memory.arrays import KEYS, Genealogy, Layer, as_one, of_layers
from partkin.memory.reading import Overtaken, Span, read_layers, read_since
from partkin.store.books.changed_rows import KEPT_ENTRIES
from partkin.store.cache_folder import default_folder, form_of_tables, name_of_store
from partkin.store.database import Database
from partkin.store.journal.entries import last_entry
from partkin.store.journal.seals import settled_entry
from partkin.store.tables import entry

log = logging.getLogger(__name__)

BEHIND: Final = 20_000
"""Entries after which what is held is brought up to date: each question reads what is newer from the store."""

SPAN: Final = 50_000_000
"""Entries that a layer has at most: a year of a plant. More would be too much to sort in memory."""

LARGER: Final = 4
"""A layer is kept as it is once it has so many times the entries of the one over it: then there are few layers, and
what is written again and again is short."""

PAUSE_SECONDS: Final = 10
"""How often it is looked whether that is due."""


class Held:
    """The genealogy of a store, for questions about very many units. Safe to share between threads.

    Its files are shared by all processes that ask the same store, and outlive them: a folder for each layer.
    """

    def __init__(self, database: Database, folder: Path | None = None, span: int = SPAN) -> None:
        """Files are in the cache folder; without one, in `default_folder`. A layer has at most `span` entries."""
        self._database = database
        parent = default_folder(database) if folder is None else folder
        self._folder = parent / f"{name_of_store(database)}-{form_of_tables()}-{_FORM}.genealogy"
        self._span = span
        self._base: Base | None = None
        self._stop = threading.Event()
        self._thread: threading.Thread | None = None

    def newest(self) -> Base | None:
        """What is held; ask before the transaction begins that it is to be brought up to."""
        spans = _spans(self._folder)
        if spans and (self._base is None or spans != self._base.spans):
            self._base = _load(self._folder, spans) or self._base
        return self._base

    def renew(self, behind: int = BEHIND) -> bool:
        """Read it from the store, or bring it up to date, where it is so many entries behind; whether it was.

        Others record meanwhile. Raises what the database raises; OSError where the files cannot be written.
        """
        self._folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        with _alone(self._folder):
            base = self.newest()
            with self._database.read() as connection:
                if base is not None and not (base.spans == _spans(self._folder) and base.is_of(connection)):
                    base = None
                if base is not None and last_entry(connection) - base.last < max(behind, 1):
                    return False
            with self._database.write() as connection:
                last = settled_entry(connection)
            with self._database.read(limited=False) as connection:
                if base is None or not self._add(connection, base, last):
                    self._read(connection, last)
            return True

    def _add(self, connection: Connection, base: Base, last: int) -> bool:
        """Add a layer, and make one of it and of those that are hardly larger; whether that was possible."""
        try:
            layer = read_since(connection, base.genealogy, base.last, last)
        except Overtaken:
            return False
        first, below = base.last + 1, list(base.layers)
        while below and is_short(below[-1].span, Span(first, last), self._span):
            kept = below.pop()
            layer, first = as_one(kept.layer, layer), kept.span.first
        _keep(self._folder, _Kept(Span(first, last), _mark(connection, last), layer))
        _remove(self._folder, except_for=[*(kept.span for kept in below), Span(first, last)])
        return True

    def _read(self, connection: Connection, last: int) -> None:
        """Read all of it."""
        self._base = None
        _remove(self._folder, except_for=())
        spans = [Span(first, min(first + self._span - 1, last)) for first in range(0, last + 1, self._span)]
        for span, layer in zip(spans, read_layers(connection, spans), strict=True):
            _keep(self._folder, _Kept(span, _mark(connection, span.last), layer))

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


class _Kept(NamedTuple):
    """A layer in its files."""

    span: Span
    mark: str
    """Tells its last entry from one of the same number in another store, or in one that was put back from a copy."""
    layer: Layer


@dataclass(frozen=True, slots=True)
class Base:
    """What is held, and of which moment."""

    layers: Sequence[_Kept]
    genealogy: Genealogy

    @property
    def spans(self) -> list[Span]:
        """Of the layers."""
        return [kept.span for kept in self.layers]

    @property
    def last(self) -> int:
        """Entry: it and all before it are held, none after it."""
        return self.layers[-1].span.last

    def at(self, connection: Connection) -> Genealogy | None:
        """The genealogy as it is in a transaction; None where it cannot be brought up to that."""
        if not self.is_of(connection):
            return None
        try:
            return self.genealogy.under(read_since(connection, self.genealogy, self.last))
        except Overtaken:
            return None

    def is_of(self, connection: Connection) -> bool:
        """Whether it is of this store as it is, and no more behind than changes are remembered."""
        mark = self.layers[-1].mark
        return mark == _mark(connection, self.last) and last_entry(connection) - self.last <= KEPT_ENTRIES


def _mark(connection: Connection, number: int) -> str:
    t = entry.c
    row = connection.execute(select(t.recorded_at, t.message_id).where(t.id == number)).first()
    return "" if row is None else f"{row.recorded_at} {row.message_id}"


def is_short(span: Span, over: Span, limit: int) -> bool:
    """Whether a layer and the one over it become one, which has no more than `limit` entries."""
    entries, of_over = span.last - span.first + 1, over.last - over.first + 1
    return entries < LARGER * of_over and entries + of_over <= limit


# -- files


class _About(NamedTuple):
    mark: str
    parts: Sequence[str]
    consignees: Sequence[str]
    before: int
    columns: Sequence[str]
    """Names of the files."""


_ABOUT: Final = "about.json"
_SOLD: Final = "sold"
_CHANGED: Final = "changed"
_HEADER_BYTES: Final = 128
_FORM: Final = 2
"""Of the files: a version that keeps other columns has another one."""


def _spans(folder: Path) -> list[Span]:
    """Those of the layers in a folder, from the last one back; the longer of two, which was made of the other."""
    spans = {last: first for first, last in sorted(_all_spans(folder), reverse=True)}
    last, found = max(spans, default=0), list[Span]()
    while last in spans:
        found.append(Span(spans[last], last))
        last = spans[last] - 1
    return found[::-1] if last < 0 else []


def _all_spans(folder: Path) -> list[Span]:
    named = (_NAME.fullmatch(path.name) for path in folder.glob("*"))
    return [Span(int(name[1]), int(name[2])) for name in named if name]


_NAME: Final = re.compile("([0-9]+)-([0-9]+)")


def _folder_of(folder: Path, span: Span) -> Path:
    return folder / f"{span.first}-{span.last}"


def _file(folder: Path, column: str) -> Path:
    return folder / f"{column}.npy"


def _keep(folder: Path, kept: _Kept) -> None:
    """Write the files of a layer."""
    partial = folder / "partial"
    shutil.rmtree(partial, ignore_errors=True)
    partial.mkdir()
    layer, columns = kept.layer, dict(_columns(kept.layer))
    for name, column in columns.items():
        with _durable(_file(partial, name)) as file:
            np.save(file, column)
    about = _About(kept.mark, layer.parts, layer.consignees, layer.before, tuple(columns))
    with _durable(partial / _ABOUT) as file:
        file.write(json.dumps(about._asdict()).encode())
    partial.rename(_folder_of(folder, kept.span))


def _remove(folder: Path, except_for: Sequence[Span]) -> None:
    """Remove the layers that are no longer needed; who has their files open may go on reading."""
    for span in sorted(set(_all_spans(folder)) - set(except_for), key=lambda one: -one.last):
        shutil.rmtree(_folder_of(folder, span), ignore_errors=True)


@contextmanager
def _durable(path: Path) -> Iterator[BinaryIO]:
    """A file to write: it is whole on the disk before it gets the name by which it is found."""
    with path.open("wb") as file:
        yield file
        file.flush()
        os.fsync(file.fileno())


def _columns(layer: Layer) -> Iterator[tuple[str, NDArray[Any]]]:
    yield _SOLD, layer.sold
    yield _CHANGED, layer.changed
    for book, rows in {"items": layer.items, "now": layer.now, **layer.books}.items():
        yield from ((f"{book}.{name}", column) for name, column in rows.items())
    yield from ((f"gone.{book}", numbers) for book, numbers in layer.gone.items())


def _load(folder: Path, spans: Sequence[Span]) -> Base | None:
    """What is in the files; None where another process is just removing them."""
    try:
        layers = [_load_layer(_folder_of(folder, span), span) for span in spans]
    except FileNotFoundError:
        return None
    return Base(layers, of_layers(kept.layer for kept in layers))


def _load_layer(folder: Path, span: Span) -> _Kept:
    about = _About(**json.loads((folder / _ABOUT).read_text()))
    books: dict[str, dict[str, NDArray[Any]]] = {name: {} for name in ("items", "now", "gone", *KEYS)}
    for name in about.columns:
        book, _, column = name.partition(".")
        if column:
            books[book][column] = _mapped(_file(folder, name))
    layer = Layer(
        tuple(about.parts),
        tuple(about.consignees),
        np.load(_file(folder, _SOLD)),
        about.before,
        books["items"],
        np.load(_file(folder, _CHANGED)),
        books["now"],
        {name: books[name] for name in KEYS},
        books["gone"],
    )
    return _Kept(span, about.mark, layer)


def _mapped(path: Path) -> NDArray[Any]:
    """A column that stays in its file: the system keeps in memory what is asked for. An empty one cannot be mapped."""
    is_empty = path.stat().st_size <= _HEADER_BYTES
    return np.asarray(np.load(path, mmap_mode=None if is_empty else "r"))


@contextmanager
def _alone(folder: Path) -> Iterator[None]:
    with (folder / ".lock").open("ab") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        yield
