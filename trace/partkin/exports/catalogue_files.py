"""The catalogue as a folder of CSV files."""

from __future__ import annotations

from pathlib import Path

from partkin.rules.catalogue import Catalogue
from partkin.rules.catalogue.checks import read_catalogue
from partkin.rules.catalogue.sheets import write_sheet
from partkin.rules.catalogue.tables import KINDS, catalogue_of, rows_of


def read_catalogue_folder(folder: Path) -> Catalogue:
    """Read the catalogue of a folder.

    Raises CatalogueMistakes with all that is wrong in it, OSError where the folder or a file cannot be read.
    """
    paths = [path for path in folder.iterdir() if path.suffix.lower() == ".csv"]
    return read_catalogue({path.name: path.read_bytes() for path in paths})


def write_catalogue_folder(catalogue: Catalogue, folder: Path) -> None:
    """Write a catalogue into a folder, which is made if need be; files of the same names are replaced.

    The same catalogue always gives the same bytes: all columns, rows in the order of their keys, UTF-8, lines
    ended by LF. Raises OSError where a file cannot be written.
    """
    ordered = catalogue_of(row for kind in KINDS.values() for row in rows_of(catalogue, kind))
    folder.mkdir(parents=True, exist_ok=True)
    for kind in KINDS.values():
        (folder / kind.file).write_bytes(write_sheet(kind, rows_of(ordered, kind)))
