"""The catalogue's CSV files (RFC 4180): what each row says, and every mistake in its form."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field

from partkin.rules.catalogue import CatalogueRow
from partkin.rules.catalogue.tables import KINDS, Kind, RowKey, Value, kind_of, row_cells

_MOST_SHOWN = 60


@dataclass(frozen=True, slots=True)
class Mistake:
    """One thing that is wrong in the catalogue, and where."""

    file: str
    line: int | None
    """As a text editor shows it; None where it concerns the file as a whole."""
    column: str | None
    found: str
    expected: str

    def __str__(self) -> str:
        line = "" if self.line is None else f", line {self.line}"
        column = "" if self.column is None else f", column {self.column}"
        return f"{self.file}{line}{column}: found {self.found}; expected {self.expected}"


class CatalogueMistakes(Exception):
    """The catalogue is not fit for use; `mistakes` says all that is wrong."""

    def __init__(self, mistakes: Iterable[Mistake]) -> None:
        self.mistakes = tuple(mistakes)
        super().__init__("\n".join(map(str, self.mistakes)))


@dataclass
class Unread:
    """Rows that stand in the files but could not be read, so that nobody calls them missing."""

    keys: dict[str, set[RowKey]] = field(default_factory=lambda: {kind: set() for kind in KINDS})
    """By kind, the keys of rows with mistakes in other cells."""
    kinds: set[str] = field(default_factory=set)
    """Kinds of which any row may stand there."""

    def may_hold(self, kind: str, *beginning: str) -> bool:
        """Whether a row whose key begins so may stand in the files."""
        return kind in self.kinds or any(key[: len(beginning)] == beginning for key in self.keys[kind])


@dataclass
class Sheets:
    """What was read of the files."""

    rows: list[CatalogueRow] = field(default_factory=list)
    lines: dict[int, int] = field(default_factory=dict)
    """`id` of a row to its line, since equal rows can stand on several lines."""
    unread: Unread = field(default_factory=Unread)
    mistakes: list[Mistake] = field(default_factory=list)

    def line(self, row: CatalogueRow) -> int:
        """The line on which a row stands."""
        return self.lines[id(row)]

    def mistake(self, row: CatalogueRow, column: str | None, expected: str, found: str | None = None) -> Mistake:
        """A mistake in a row: by default in what stands in the column."""
        if found is None:
            found = shown("" if column is None else row_cells(row)[column])
        return Mistake(kind_of(row).file, self.line(row), column, found, expected)


def read_sheets(files: Mapping[str, bytes]) -> Sheets:
    """Read the files of a catalogue, given by file name."""
    sheets = Sheets()
    for kind in KINDS.values():
        if kind.file in files:
            _Sheet(kind, sheets).read(files[kind.file])
        else:
            sheets.unread.kinds.add(kind.name)
            expected = "a file of this name, if only with its header row"
            sheets.mistakes.append(Mistake(kind.file, None, None, "no such file", expected))
    known = [kind.file for kind in KINDS.values()]
    for name in sorted(files.keys() - set(known)):
        sheets.mistakes.append(Mistake(name, None, None, "a file of this name", f"only {', '.join(known)}"))
    return sheets


def write_sheet(kind: Kind, rows: Iterable[CatalogueRow]) -> bytes:
    """The file of these rows: UTF-8 without byte order mark, lines ended by LF."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(kind.columns)
    writer.writerows(row_cells(row).values() for row in rows)
    return text.getvalue().encode()


def shown(cell: str) -> str:
    """A cell as it is shown in a mistake."""
    if not cell:
        return "an empty cell"
    return repr(cell if len(cell) <= _MOST_SHOWN else f"{cell[:_MOST_SHOWN]}…")


class _Sheet:
    """The reading of one file."""

    def __init__(self, kind: Kind, sheets: Sheets) -> None:
        self._kind = kind
        self._sheets = sheets

    def _wrong(self, line: int, column: str | None, found: str, expected: str) -> None:
        self._sheets.mistakes.append(Mistake(self._kind.file, line, column, found, expected))

    def _spoilt(self, line: int, found: str, expected: str) -> None:
        """A mistake that may hide any row."""
        self._sheets.unread.kinds.add(self._kind.name)
        self._wrong(line, None, found, expected)

    def read(self, content: bytes) -> None:
        """Take what the file says."""
        try:
            text = content.decode("utf-8-sig")
        except UnicodeDecodeError as error:
            line = content.count(b"\n", 0, error.start) + 1
            self._spoilt(line, f"a byte {content[error.start]:02X} that is not UTF-8", "CSV saved as UTF-8")
            return
        rows = self._rows(text)
        line, header = next(rows, (1, []))
        if not header:
            if self._kind.name not in self._sheets.unread.kinds:
                self._spoilt(line, "no header row", ",".join(self._kind.columns))
            return
        sound = self._check_header(line, header)
        for line, cells in rows:
            if len(cells) == len(header):
                self._take(line, dict(zip(header, cells, strict=True)), sound)
            else:
                self._spoilt(line, f"{len(cells)} cells", f"{len(header)}, as the header has")

    def _rows(self, text: str) -> Iterator[tuple[int, list[str]]]:
        """Rows that are not blank, with the line on which each starts."""
        reader = csv.reader(io.StringIO(text, newline=""), strict=True)
        line = 1
        try:
            for cells in reader:
                if any(cells):
                    yield line, cells
                line = reader.line_num + 1
        except csv.Error as error:
            expected = "cells with a comma or a quote in them between quotes, with every quote inside doubled"
            self._spoilt(line, f"a row that is not CSV ({error})", expected)

    def _check_header(self, line: int, header: list[str]) -> bool:
        columns = self._kind.columns
        if len(header) == 1 and (";" in header[0] or "\t" in header[0]):
            self._spoilt(line, "columns separated by semicolons or tabs", "commas")
            return False
        for name in dict.fromkeys(header):
            if name not in columns:
                self._spoilt(line, f"a column {name!r}", f"only {', '.join(columns)}")
            elif header.count(name) > 1:
                self._spoilt(line, f"the column {name} {header.count(name)} times", "it once")
        for name, column in columns.items():
            if column.needed and name not in header:
                self._spoilt(line, f"no column {name}", "a header row that names it")
        return self._kind.name not in self._sheets.unread.kinds

    def _take(self, line: int, cells: Mapping[str, str], sound: bool) -> None:
        values: dict[str, Value] = {}
        for name in self._kind.columns.keys() & cells.keys():
            try:
                values[name] = self._kind.columns[name].value(cells[name])
            except ValueError as expected:
                self._wrong(line, name, shown(cells[name]), str(expected))
        unread = self._sheets.unread
        if not sound:
            return
        if values.keys() == cells.keys():
            row = self._kind.row(**values)  # type: ignore[arg-type]
            self._sheets.rows.append(row)
            self._sheets.lines[id(row)] = line
        elif all(name in values for name in self._kind.key):
            key = tuple(self._kind.columns[name].cell(values[name]) for name in self._kind.key)
            unread.keys[self._kind.name].add(key)
        else:
            unread.kinds.add(self._kind.name)
