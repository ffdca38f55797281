"""`partkin catalogue`."""

from __future__ import annotations

import time
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from partkin.command_line.asking import BadInput, StoreUrl, open_store

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from partkin.rules.catalogue import CatalogueRow
    from partkin.rules.catalogue.changes import CatalogueChanges
    from partkin.rules.catalogue.sheets import Mistake

catalogue = typer.Typer(no_args_is_help=True, help="Parts, bills of materials, routes and tests, as CSV files.")

MOST_ROWS = 40
"""Rows listed of what changed; the counts are of all."""

Folder = Annotated[Path, typer.Argument(metavar="FOLDER", help="The folder of the CSV files.")]


@catalogue.command(epilog="\b\nExample:\n  partkin catalogue load ./catalogue --operator QE-07")
def load(
    folder: Folder,
    operator: Annotated[str, typer.Option(metavar="BADGE", help="Badge code of who loads it.")],
    store: StoreUrl = None,
) -> None:
    """Make the store's catalogue equal to the files.

    All of it, or nothing where there is a mistake: then every one is listed with its file, line and column, and what
    was expected there.
    """
    from partkin.actions.load_catalogue import CatalogueInUse, load_catalogue
    from partkin.command_line.terminal import console
    from partkin.exports.catalogue_files import read_catalogue_folder
    from partkin.rules.catalogue.sheets import CatalogueMistakes

    _require_code(operator)
    with open_store(store) as database:
        try:
            new = read_catalogue_folder(folder)
            changes = load_catalogue(database, new, operator=operator, now=time.time_ns() // 1000)
        except CatalogueMistakes as error:
            _show_mistakes(error.mistakes)
            raise BadInput(f"nothing was loaded: {_count(len(error.mistakes), 'mistake')} in {folder}") from error
        except CatalogueInUse as error:
            raise BadInput(f"nothing was loaded: {'; '.join(error.mistakes)}") from error
    if changes:
        _show_changes(changes)
    else:
        console().print("Nothing changed: the store has this catalogue already.")


@catalogue.command(epilog="\b\nExample:\n  partkin catalogue export ./catalogue")
def export(folder: Folder, store: StoreUrl = None) -> None:
    """Write the store's catalogue as CSV files.

    `partkin catalogue load` takes them.
    """
    from partkin.command_line.terminal import console, table
    from partkin.exports.catalogue_files import write_catalogue_folder
    from partkin.rules.catalogue.tables import KINDS, rows_of
    from partkin.store.catalogue import read_catalogue

    with open_store(store) as database, database.read() as connection:
        present = read_catalogue(connection)
    write_catalogue_folder(present, folder)
    counts = ((kind.file, str(len(rows_of(present, kind)))) for kind in KINDS.values())
    console().print(table("file", "#rows", rows=counts))
    console().print(f"Revision {present.revision} is in {folder}.")


def _require_code(operator: str) -> None:
    from pydantic import TypeAdapter, ValidationError

    from partkin.rules.messages import Code

    try:
        TypeAdapter(Code).validate_python(operator)
    except ValidationError as error:
        raise BadInput(f"--operator takes a badge code of up to 64 printable characters, not {operator!r}") from error


def _show_mistakes(mistakes: Iterable[Mistake]) -> None:
    from partkin.command_line.terminal import console, table

    rows = (
        (one.file, "" if one.line is None else str(one.line), one.column or "", one.found, one.expected)
        for one in mistakes
    )
    console(stderr=True).print(table("file", "#line", "column", "found", "expected", rows=rows))


def _show_changes(changes: CatalogueChanges) -> None:
    from partkin.command_line.terminal import console, table
    from partkin.rules.catalogue.tables import KINDS, kind_of

    def of_kind(rows: Iterable[CatalogueRow], name: str) -> str:
        return str(sum(kind_of(row).name == name for row in rows))

    counts = (
        (
            kind.file,
            of_kind(changes.added, name),
            of_kind((change.new for change in changes.changed), name),
            of_kind(changes.removed, name),
        )
        for name, kind in KINDS.items()
    )
    console().print(table("file", "#added", "#changed", "#removed", rows=counts))
    listed = list(_changed_rows(changes))
    console().print()
    console().print(table("file", "", "row", "what", rows=listed[:MOST_ROWS]))
    if len(listed) > MOST_ROWS:
        console().print(f"and {len(listed) - MOST_ROWS} more")


def _changed_rows(changes: CatalogueChanges) -> Iterator[tuple[str, str, str, str]]:
    from partkin.rules.catalogue.tables import kind_of, row_cells, row_key

    for change in changes.changed:
        old, new = row_cells(change.old), row_cells(change.new)
        cells = (
            f"{name}: {old[name] or 'nothing'} -> {new[name] or 'nothing'}" for name in new if old[name] != new[name]
        )
        yield kind_of(change.new).file, "changed", " ".join(row_key(change.new)), "; ".join(cells)
    for word, rows in (("removed", changes.removed), ("added", changes.added)):
        for row in rows:
            yield kind_of(row).file, word, " ".join(row_key(row)), ""


def _count(number: int, noun: str) -> str:
    return f"{number} {noun}{'' if number == 1 else 's'}"
