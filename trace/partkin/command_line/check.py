"""`partkin check`."""

from __future__ import annotations

import json
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import asdict
from itertools import islice
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING, Any

import typer

from partkin.command_line.asking import AsJson, StoreUrl, open_store

if TYPE_CHECKING:
    from partkin.actions.rebuild_books import Difference
    from partkin.questions.attachments import BrokenAttachment
    from partkin.questions.seals import SealsChecked
    from partkin.store.database import Database
    from partkin.store.journal.journal_codec import BrokenEntry

MOST_LISTED = 100
"""Differences listed; all of them are counted."""


def check(store: StoreUrl = None, as_json: AsJson = False) -> None:
    """Prove the books against the journal, the journal against its seals, and attachments against their hashes.

    The books are rebuilt from it in a temporary store and compared; seals and hashes are reckoned again. Exit code 0
    where all is the same, 1 where something differs, 2 where it could not be found out.
    """
    from partkin.actions.rebuild_books import check_books
    from partkin.command_line.terminal import progress_bar
    from partkin.questions.attachments import broken_attachments
    from partkin.questions.entries import unreadable_entries
    from partkin.questions.seals import check_seals
    from partkin.store.journal.journal_codec import BrokenEntry

    entries = 0

    def read(done: int, total: int) -> None:
        nonlocal entries
        entries = done
        progress(done, total)

    with open_store(store) as kept:
        try:
            with _temporary_store() as empty, progress_bar("entries rebuilt") as progress:
                differences = check_books(kept, empty, read)
                listed = list(islice(differences, MOST_LISTED))
                count = len(listed) + sum(1 for _ in differences)
            with progress_bar("sealed entries") as progress_of_seals:
                seals = check_seals(kept, progress_of_seals)
        except BrokenEntry:
            _show_broken(unreadable_entries(kept), as_json=as_json)
            raise typer.Exit(1) from None
        with progress_bar("attachments") as progress_of_attachments:
            broken = list(broken_attachments(kept, progress_of_attachments))
    if as_json:
        _print_json(entries, count, listed, seals, broken)
    else:
        _show(entries, count, listed)
        _show_seals(seals)
        _show_attachments(broken)
    if count or seals.broken is not None or broken:
        raise typer.Exit(1)


@contextmanager
def _temporary_store() -> Iterator[Database]:
    from partkin.store.database import Database
    from partkin.store.migrate import upgrade

    with (
        TemporaryDirectory(prefix="partkin-check-") as folder,
        closing(Database(f"sqlite:///{Path(folder) / 'rebuilt.db'}")) as database,
    ):
        upgrade(database)
        yield database


def _print_json(
    entries: int, count: int, listed: list[Difference], seals: SealsChecked, attachments: list[BrokenAttachment]
) -> None:
    broken = seals.broken
    result = {
        "entries": entries,
        "differences": count,
        "listed": list(map(_difference, listed)),
        "seals": 0 if seals.last is None else seals.last.seal,
        "broken_seal": None if broken is None else {"seal": broken.seal, "detail": str(broken)},
        "broken_attachments": [asdict(one) for one in attachments],
        "broken_entries": [],
    }
    print(json.dumps(result, default=str))


def _show_broken(broken: list[BrokenEntry], *, as_json: bool) -> None:
    from partkin.command_line.terminal import console

    if as_json:
        print(json.dumps({"broken_entries": [{"entry": one.entry, "detail": str(one)} for one in broken]}))
        return
    for one in broken[:MOST_LISTED]:
        console().print(str(one))
    console().print(
        f"{len(broken)} entries cannot be read, so nothing else was checked: "
        "put them back from a backup or the nights' exports."
    )


def _show_seals(seals: SealsChecked) -> None:
    from partkin.command_line.terminal import console

    if seals.broken is not None:
        console().print(f"{seals.broken} Seals after it were not looked at.")
    elif seals.last is not None:
        console().print(f"All {seals.last.seal} seals hold, up to entry {seals.last.last_entry}.")


def _show_attachments(broken: list[BrokenAttachment]) -> None:
    from partkin.command_line.terminal import console

    for one in broken:
        console().print(f"Attachment {one.sha256} is not what was kept. {one.detail}")


def _show(entries: int, count: int, listed: list[Difference]) -> None:
    from partkin.command_line.terminal import console, table

    differences = list(map(_difference, listed))
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
    """One difference: the row's key, and what both have where they differ; null for a row that is not there."""
    columns = difference.columns
    kept, rebuilt = difference.kept, difference.rebuilt
    row = kept if kept is not None else rebuilt
    differing = [name for place, name in enumerate(columns) if not (kept and rebuilt and kept[place] == rebuilt[place])]

    def part(values: tuple[Any, ...] | None) -> dict[str, Any] | None:
        return None if values is None else {n: v for n, v in zip(columns, values, strict=True) if n in differing}

    return {
        "table": difference.table,
        "key": {name: v for (name, is_key), v in zip(columns.items(), row or (), strict=True) if is_key},
        "entry": difference.entry,
        "kept": part(kept),
        "rebuilt": part(rebuilt),
    }


def _words(values: dict[str, Any] | None) -> str:
    return "no such row" if values is None else ", ".join(f"{name} {value}" for name, value in values.items())
