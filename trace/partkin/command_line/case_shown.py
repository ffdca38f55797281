"""`partkin cases`, and what `partkin case` shows of one."""

from __future__ import annotations

import json
import sys
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from partkin.command_line.asking import AsJson, BadInput, StoreUrl, open_store, settings_of
from partkin.rules.rows import CaseStatus

if TYPE_CHECKING:
    from rich.console import Console

Json = Mapping[str, Any]

CaseCode = Annotated[str, typer.Argument(metavar="CASE", help="The plant's code for the case.")]

ALL = 1_000_000_000

FIRST = 12
"""Things named at a terminal, so that the answer fits on one screen."""

CAUTION = (
    "What is shown is no decision: any recall follows the plant's procedure, local law and authorities' deadlines."
)


def cases(
    status: Annotated[
        CaseStatus | None, typer.Option(metavar="STATUS", help="Only open, frozen or closed ones; all, if left out.")
    ] = None,
    as_json: AsJson = False,
    store: StoreUrl = None,
) -> None:
    """List the containment cases, in the order in which they were opened."""
    from partkin.command_line.terminal import console, local, table
    from partkin.questions.containment.cases import list_cases

    with open_store(store) as database:
        found = list_cases(database, status=status, after=0, limit=ALL)
    if as_json:
        print(json.dumps(found))
        return
    rows = (
        (row["case"], row["status"], str(row["revision"]), str(row["listed"]), local(row["opened_at"]), row["title"])
        for row in found
    )
    console().print(table("case", "status", "#revision", "#things", "opened", "title", rows=rows))


def show(code: CaseCode, as_json: AsJson = False, store: StoreUrl = None) -> None:
    """Show a case: what it suspects and lists, what was done, and what speaks against closing it."""
    from partkin.command_line.terminal import console
    from partkin.questions.containment.cases import one_case
    from partkin.questions.containment.things import NoSuchCase

    with open_store(store) as database:
        try:
            told = one_case(database, code)
        except NoSuchCase as error:
            raise BadInput(str(error)) from error
    if as_json:
        print(json.dumps(told))
        return
    printer = console()
    for part in (_head, _list, _added, _sortings, _notices, _closing):
        part(printer, told)
    printer.print(CAUTION)


def _head(printer: Console, told: Json) -> None:
    from partkin.command_line.terminal import local, shown

    printer.print(shown(f"{told['case']}: {told['title']}"))
    printer.print(
        shown(f"{told['status']}, opened {local(told['opened_at'])} by {told['opened_by']}: {told['reason']}")
    )
    for line in told["suspects_in_words"]:
        printer.print(shown(line))
    for one in told["revisions"]:
        new = f"{one['added']} added, {one['again']} again, {one['dropped']} dropped"
        printer.print(shown(f"revision {one['revision']}, {local(one['frozen_at'])}, seal {one['seal']}: {new}"))
        printer.print(f"  SHA-256 {one['sha256']}")
    for one in told["turns"]:
        printer.print(shown(f"{one['turn']} {local(one['at'])} by {one['by']}: {one['reason']}"))


def _list(printer: Console, told: Json) -> None:
    from partkin.command_line.terminal import table

    counts = told["counts"]
    if not counts["things"]:
        return
    groups = {**counts["by_kind"], **{f"now {state}": group for state, group in counts["by_state"].items()}}
    rows = ((name, str(one["certain"]), str(one["possible"])) for name, one in groups.items() if any(one.values()))
    printer.print()
    printer.print(table("listed", "#certain", "#possible", rows=rows))
    printer.print(f"{counts['held']} held, {counts['settled']} settled, {counts['left']} left the plant.")
    decided = ", ".join(f"{count} {decision}" for decision, count in told["decisions"].items())
    printer.print(f"Decided: {decided}.")


def _added(printer: Console, told: Json) -> None:
    from partkin.command_line.terminal import item_name, local, table

    added = told["added"]
    if not added["things"]:
        return
    rows = (
        (
            item_name(one),
            one["certainty"],
            str(one["because"]),
            one["message"],
            "" if not one["at"] else local(one["at"]),
        )
        for one in added["first"][:FIRST]
    )
    printer.print()
    printer.print(table("added since", "", "#entry", "message", "when", rows=rows))
    if added["things"] > FIRST:
        printer.print(f"{added['things'] - FIRST} more: `partkin case things`.")


def _sortings(printer: Console, told: Json) -> None:
    from partkin.command_line.terminal import shown

    if told["sortings"]:
        printer.print()
    for one in told["sortings"]:
        printer.print(shown(f"sorting {one['sorting']}: {one['conclusion']}. {one['sentence']}"))


def _notices(printer: Console, told: Json) -> None:
    from partkin.command_line.terminal import table

    if not told["notices"]:
        return
    steps = ("sent", "answered", "checked")
    rows = (
        (f"{one['consignee']} {one['name']}", str(one["certain"]), str(one["possible"]), *_steps(one, steps))
        for one in told["notices"]
    )
    printer.print()
    printer.print(table("consignee", "#certain", "#possible", *steps, rows=rows))


def _steps(one: Json, steps: tuple[str, ...]) -> Iterator[str]:
    for step in steps:
        due = one["to_check"] if step == "checked" else one["to_tell"] and step == "sent"
        yield one[step]["at"][:10] if one[step] else "due" if due else ""


def _closing(printer: Console, told: Json) -> None:
    from partkin.command_line.terminal import shown

    printer.print()
    if told["status"] == "closed":
        return
    printer.print("Against closing it:" if told["against_closing"] else "Nothing speaks against closing it.")
    for reason in told["against_closing"]:
        printer.print(shown(f"  {reason['detail']}"))


def things(
    code: CaseCode,
    to_csv: Annotated[
        Path | None, typer.Option("--csv", metavar="FILE", help="Write all of them to this file.")
    ] = None,
    as_json: AsJson = False,
    store: StoreUrl = None,
) -> None:
    """List every thing that a case lists or once listed, as it is now."""
    from partkin.questions.containment.things import NoSuchCase, case_things

    with open_store(store) as database:
        try:
            rows = [row for chunk in case_things(database, code) for row in chunk]
        except NoSuchCase as error:
            raise BadInput(str(error)) from error
    if to_csv is not None:
        _write(rows, to_csv)
    elif as_json:
        print(json.dumps(rows))
    else:
        _show_things(rows)


_COLUMNS = (
    *("part", "serial", "lot", "certainty", "suspect", "revision", "dropped_in", "because", "gone", "state", "left"),
    *("affected", "still", "decision", "settled", "held"),
)


def _write(rows: list[dict[str, Any]], file: Path) -> None:
    """As CSV (RFC 4180), with the columns that the service gives."""
    import csv

    with file.open("w", encoding="utf-8", newline="") as opened:
        writer = csv.DictWriter(opened, _COLUMNS, restval="")
        writer.writeheader()
        writer.writerows({name: _cell(value) for name, value in row.items()} for row in rows)
    print(f"All {len(rows)} things are in {file}.")


def _cell(value: Any) -> str:
    return "" if value is None else value if isinstance(value, str) else json.dumps(value)


def _show_things(rows: list[dict[str, Any]]) -> None:
    from partkin.command_line.terminal import console, item_name, table

    said = ("suspect", "dropped", "left", "held", "settled")
    listed = (
        (
            item_name(row),
            row["certainty"],
            row["state"],
            row["decision"] or "",
            ", ".join(word for word in said if row.get(word) or (word == "dropped" and row["dropped_in"])),
        )
        for row in rows
    )
    console().print(table("thing", "", "now", "decision", "", rows=listed))


def frozen_lines(
    code: CaseCode,
    revision: Annotated[
        int | None, typer.Option(metavar="NUMBER", min=1, help="Which freeze; the last one, if left out.")
    ] = None,
    store: StoreUrl = None,
) -> None:
    """Print the list of a freeze, found anew from the journal up to its seal.

    Its SHA-256 must be the one that the freeze said, whatever was recorded since.
    """
    from partkin.command_line.terminal import progress_bar
    from partkin.questions.containment.lists import NeverFrozen, frozen_list
    from partkin.questions.containment.things import NoSuchCase
    from partkin.store.journal.seals import BrokenSeal

    with open_store(store) as database:
        try:
            with progress_bar("entries rebuilt") as progress:
                lines = frozen_list(database, code, revision, settings_of().cache_folder, progress)
        except (NoSuchCase, NeverFrozen) as error:
            raise BadInput(str(error)) from error
        except BrokenSeal as error:
            raise BadInput(f"{error} Run `partkin check`, and compare with what auditors have.") from error
    sys.stdout.write(lines)
