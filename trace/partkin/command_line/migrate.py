"""`partkin migrate`."""

from __future__ import annotations

import re
from contextlib import closing
from typing import TYPE_CHECKING, Annotated

import typer

from partkin.command_line.asking import BadInput, StoreUrl, database_of, require_file

if TYPE_CHECKING:
    from partkin.store.database import Database


def migrate(
    store: StoreUrl = None,
    to: Annotated[
        str, typer.Option(metavar="REVISION", help="A number such as 0001, head (the newest) or base (no tables).")
    ] = "head",
    show: Annotated[bool, typer.Option("--show", help="Only say at which revision the store is.")] = False,
) -> None:
    """Make a store, or bring it up to date.

    All of it, or nothing where a step fails. The service must not run meanwhile.
    """
    if not re.fullmatch("head|base|[0-9]{4}", to):
        raise BadInput(f"--to takes head, base or a number of four digits, such as 0001, not {to!r}")
    with closing(database_of(store)) as database:
        if show or to == "base":
            require_file(database)
        if show:
            _show(database)
        else:
            _migrate(database, to)


def _show(database: Database) -> None:
    from partkin.command_line.terminal import console
    from partkin.store.migrate import current_revision, head_revision

    console().print(f"{database} is {_said(current_revision(database))}; this version works with {head_revision()}")


def _migrate(database: Database, to: str) -> None:
    from partkin.command_line.terminal import console
    from partkin.store.migrate import current_revision, downgrade, upgrade

    found = current_revision(database)
    if found is not None and (to == "base" or to < found):
        _confirm(found, to)
        downgrade(database, to)
        console().print(f"{database} went back from {found} to {_said(current_revision(database))}")
        return
    with console(stderr=True).status("migrating"):
        upgrade(database, to)
    now = current_revision(database)
    was = "already" if now == found else f"now; it was {_said(found)}"
    console().print(f"{database} is {_said(now)} {was}")


def _said(revision: str | None) -> str:
    return "empty" if revision is None else f"at revision {revision}"


def _confirm(found: str, to: str) -> None:
    lost = "the journal, the books and the catalogue" if to == "base" else f"what revisions after {to} hold"
    typer.confirm(f"Going back from {found} to {to} deletes {lost}. Go on?", abort=True, err=True)
