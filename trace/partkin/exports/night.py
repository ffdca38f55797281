"""The night's export: what was recorded in one day (UTC), for those who check it without asking us.

The folder holds the journal's entries as they are kept (`journal.jsonl`, one RFC 8785 line an entry), what
they made true as CSV files (RFC 4180), a manifest, and the sums of all files as `sha256sum -c SHA256SUMS`
reads them. All of it follows from the entries alone, so that a night gives the same bytes whenever it is
exported; all nights together give the whole journal and the whole books.
"""

from __future__ import annotations

import csv
import hashlib
import json
from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

from sqlalchemy import Connection

from partkin.exports.fact_sheets import headers, rows_of_answer
from partkin.exports.whole_folder import ExportRefused, whole_folder
from partkin.rules.canonical_json import canonical
from partkin.rules.moments import Moment, start_of_day, text_of
from partkin.store.database import Database
from partkin.store.journal.entries import canonical_entry
from partkin.store.journal.nights import (
    Span,
    StillRecording,
    catalogue_revision_at,
    entries_of_span,
    span_of,
    wait_for_recorders,
)

FORMAT_VERSION = 3
"""Of the folder: raised when the same night gives other files, other columns or other bytes."""

SECOND: Moment = 1_000_000
DAY: Moment = 86_400 * SECOND
MARGIN: Moment = 60 * SECOND
"""How long after midnight a night is over: clocks differ, and the last posts are still being recorded."""

_TELL_EVERY = 500  # entries

Progress = Callable[[int, int], None]


def export_night(
    database: Database,
    day: date,
    folder: Path,
    progress: Progress,
    *,
    now: Moment,
    even_if_not_over: bool = False,
) -> Path:
    """Export what was recorded on a day, midnight to midnight UTC by our clock, to `folder/YYYY-MM-DD`.

    Returns that folder. `progress` is told how many entries are written, and how many there are. Where the
    folder is there already with the same bytes, nothing is changed. Raises ExportRefused where it has other
    bytes, where the day is not over, where it cannot be told whether all of it has been recorded, or where
    another export runs; OSError where a file cannot be written. Nothing half-written is ever left under that name.

    `even_if_not_over` exports what was recorded until now of a day that goes on; the manifest says until when.
    """
    start = start_of_day(day)
    end = start + DAY
    if now < end + MARGIN and not even_if_not_over:
        raise ExportRefused(
            f"{day} (UTC) is not over: it can be exported from {text_of(end + MARGIN)}; now it is {text_of(now)}"
        )
    try:
        wait_for_recorders(database, seconds=MARGIN / SECOND)
    except StillRecording as error:
        raise ExportRefused(str(error)) from error
    with whole_folder(folder, day.isoformat()) as partial, database.read() as connection:
        span = span_of(connection, start, min(end, now))
        files = _write_entries(connection, span, partial, progress)
        manifest = _manifest(day, span, catalogue_revision_at(connection, span.end), files)
        files.append(_write_text(partial / "manifest.json", canonical(manifest)))
        sums = sorted(f"{file.sha256}  {file.name}\n" for file in files)
        _write_text(partial / "SHA256SUMS", "".join(sums))
    return folder / day.isoformat()


@dataclass(frozen=True, slots=True)
class _Written:
    name: str
    rows: int
    bytes: int
    sha256: str


class _File:
    """A file being written; it counts and sums what goes into it."""

    def __init__(self, path: Path, stack: ExitStack) -> None:
        self._name = path.name
        self._file = stack.enter_context(path.open("wb"))
        self._sum = hashlib.sha256()
        self._bytes = 0
        self.rows = 0

    def write(self, text: str) -> int:
        raw = text.encode()
        self._sum.update(raw)
        self._bytes += len(raw)
        return self._file.write(raw)

    def written(self) -> _Written:
        return _Written(self._name, self.rows, self._bytes, self._sum.hexdigest())


class _Sheet(_File):
    """A CSV file being written."""

    def __init__(self, path: Path, stack: ExitStack, header: list[str]) -> None:
        super().__init__(path, stack)
        self._writer = csv.writer(self)  # commas, quotes where needed, CRLF: RFC 4180
        self._writer.writerow(header)

    def add(self, cells: list[str]) -> None:
        self._writer.writerow(cells)
        self.rows += 1


def _write_entries(connection: Connection, span: Span, partial: Path, progress: Progress) -> list[_Written]:
    with ExitStack() as stack:
        journal = _File(partial / "journal.jsonl", stack)
        sheets = {name: _Sheet(partial / name, stack, header) for name, header in headers().items()}
        progress(0, span.entries)
        for entry in entries_of_span(connection, span):
            journal.write(f"{canonical_entry(entry)}\n")
            journal.rows += 1
            if entry.outcome == "recorded":
                for name, cells in rows_of_answer(entry.id, json.loads(entry.answer)):
                    sheets[name].add(cells)
            if journal.rows % _TELL_EVERY == 0:
                progress(journal.rows, span.entries)
        progress(journal.rows, span.entries)
        return [file.written() for file in (journal, *sheets.values())]


def _write_text(path: Path, text: str) -> _Written:
    with ExitStack() as stack:
        file = _File(path, stack)
        file.write(text)
        return file.written()


def _manifest(day: date, span: Span, catalogue: int, files: list[_Written]) -> dict[str, Any]:
    """What the folder says of itself. `files` lists all but the manifest and the sums."""
    return {
        "format": "partkin-night",
        "format_version": FORMAT_VERSION,
        "day": day.isoformat(),
        "recorded_from": text_of(span.start),
        "recorded_before": text_of(span.end),
        "entries": span.entries,
        "first_entry": span.first,
        "last_entry": span.last,
        "catalogue_revision": catalogue,
        "files": [
            {"name": file.name, "rows": file.rows, "bytes": file.bytes, "sha256": file.sha256}
            for file in sorted(files, key=lambda file: file.name)
        ],
    }
