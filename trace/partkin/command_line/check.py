"""`partkin check`."""

from __future__ import annotations

import json
from collections.abc import Iterator
from contextlib import contextmanager
from itertools import islice
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING, Any

import typer

from partkin.command_line.asking import AsJson, BadInput, StoreUrl, open_store

if TYPE_CHECKING:
    from partkin.actions.rebuild_books import Difference
    from partkin.store.database import Database

MOST_LISTED = 100
"""Differences listed; all of them are counted."""


def check(store: StoreUrl = None, as_json: AsJson = False) -> None:
    """Prove the books against the journal.

    They are rebuilt from it in a temporary store and compared. Exit code 0 when they do not, 1 when they do, 2 when it could not be found out.
    """
    from partkin.actions.rebuild_books import compare_books, count_entries

    with open_store(store) as kept, _temporary_store() as rebuilt:
        entries = count_entries(kept)
        _rebuild(kept, rebuilt, entries)
        differences = compare_books(kept, rebuilt)
        listed = list(islice(differences, MOST_LISTED))
        count = len(listed) + sum(1 for _ in differences)
        more = count_entries(kept) - entries
    if count and more:
        raise BadInput(f"{more} entries were recorded meanwhile: check again while nothing is recorded")
    _show(entries, count, listed, as_json=as_json)
    if count:
        raise typer.Exit(1)


@contextmanager
def _temporary_store() -> Iterator[Database]:
    from partkin.store.database import Database
    from partkin.store.migrate import upgrade

    with TemporaryDirectory(prefix="partkin-check-") as folder:
        database = Database(f"sqlite:///{Path(folder) / 'rebuilt.db'}")
        upgrade(database)
        yield database
        database.close()


def _rebuild(kept: Database, rebuilt: Database, entries: int) -> None:
    from partkin.actions.rebuild_books import rebuild_books
    from partkin.command_line.terminal import progress_bar

    done = 0
    with progress_bar("entries rebuilt") as progress:

        def count(applied: int) -> None:
            nonlocal done
            done += applied
            progress(done, entries)

        rebuild_books(kept, rebuilt, count)


def _show(entries: int, count: int, listed: list[Difference], *, as_json: bool) -> None:
    from partkin.command_line.terminal import console, table

    differences = list(map(_difference, listed))
    if as_json:
        print(json.dumps({"entries": entries, "differences": count, "listed": differences}, default=str))
        return
    if not count:
        console().print(f"The books are what the journal says: {entries} entries, no difference.")
        return
    rows = (
        (d["table"], _words(d["key"]), str(d["entry"] or ""), _words(d["kept"]), _words(d["rebuilt"]))
        for d in differences
    )
    console().print(table("table", "row", "#of entry", "kept", "by the journal", rows=rows))
    console().print(f"{count} differences; {len(listed)} are listed. {entries} entries were read.")


def _difference(difference: Difference) -> dict[str, Any]:
    """One difference: the row's key, and what both have in the columns that differ; null for a row that is not there."""
    from partkin.store.tables import metadata

    columns = metadata.tables[difference.table].columns
    kept, rebuilt = difference.kept, difference.rebuilt
    row = kept if kept is not None else rebuilt
    differing = [c.name for place, c in enumerate(columns) if not (kept and rebuilt and kept[place] == rebuilt[place])]

    def part(values: tuple[Any, ...] | None) -> dict[str, Any] | None:
        return (
            None if values is None else {c.name: v for c, v in zip(columns, values, strict=True) if c.name in differing}
        )

    return {
        "table": difference.table,
        "key": {c.name: v for c, v in zip(columns, row or (), strict=True) if c.primary_key},
        "entry": difference.entry,
        "kept": part(kept),
        "rebuilt": part(rebuilt),
    }


def _words(values: dict[str, Any] | None) -> str:
    return "no such row" if values is None else ", ".join(f"{name} {value}" for name, value in values.items())
