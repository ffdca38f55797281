"""`partkin affected`."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from partkin.command_line.asking import AsJson, AsKnownAt, AsOf, StoreUrl, open_asked
from partkin.command_line.criteria import Criteria, by_criteria, refused

if TYPE_CHECKING:
    from partkin.rules.messages.criteria import Alarm
    from partkin.store.database import Readable

FIRST = 12
"""Units listed at a terminal, so that the answer fits on one screen."""

ALL = 1_000_000_000

COLUMNS = (
    *("certainty", "part", "serial", "state", "inside", "where", "where_at", "exposed_from", "exposed_to", "path"),
)
"""Of the file: what the service tells of each unit too."""

CAUTION = (
    "This list is no decision: containment and any recall follow the plant's procedure, local law and the "
    "authorities' deadlines."
)


@by_criteria
def affected(
    suspects: Criteria,
    as_of: AsOf = None,
    as_known_at: AsKnownAt = None,
    as_json: AsJson = False,
    to_csv: Annotated[
        Path | None, typer.Option("--csv", metavar="FILE", help="Write all affected units to this file.")
    ] = None,
    store: StoreUrl = None,
) -> None:
    """List the units that something suspect went into.

    Suspects can be of any kinds and any number together. A unit is certain, or possible where the records cannot tell:
    next to a lot change, or where they contradict each other. FROM and TO of a time are dates (UTC) or times with their
    offset from UTC; TO itself is not included.
    """
    alarm = suspects.alarm(as_of)
    with open_asked(store, as_known_at) as database:
        _answer(database, suspects, alarm, as_json=as_json, to_csv=to_csv)


def _answer(database: Readable, criteria: Criteria, alarm: Alarm, *, as_json: bool, to_csv: Path | None) -> None:
    from partkin.command_line.terminal import console
    from partkin.questions.units_affected import UnknownSuspects, affected_page

    try:
        page = affected_page(database, alarm, after=None, limit=ALL if as_json else FIRST)
        if to_csv is not None:
            written = _write(database, alarm, to_csv)
    except UnknownSuspects as error:
        raise refused([criteria.at(one.pointer, one.detail) for one in error.mistakes]) from error
    if as_json:
        print(json.dumps(page))
        return
    for note in page["notes"]:
        console(stderr=True).print(criteria.at(note["pointer"], note["detail"]))
    _show(page)
    if to_csv is not None:
        console().print(f"All {written} units are in {to_csv}.")
    console().print(CAUTION)


def _write(database: Readable, alarm: Alarm, file: Path) -> int:
    """All affected units, as CSV (RFC 4180); how many."""
    import csv

    from partkin.command_line.terminal import progress_bar
    from partkin.questions.units_affected import affected_rows

    written = 0
    with file.open("w", encoding="utf-8", newline="") as opened, progress_bar("units written") as progress:
        writer = csv.writer(opened)
        writer.writerow([*COLUMNS, "in_words"])
        for chunk in affected_rows(database, alarm):
            writer.writerows([*map(_cell, map(row.get, COLUMNS)), way_in_words(row["path"], str)] for row in chunk)
            written += len(chunk)
            progress(written, None)
    return written


def _cell(value: Any) -> str:
    """Nothing is an empty cell; what is no text is JSON."""
    return "" if value is None else value if isinstance(value, str) else json.dumps(value)


def _show(page: Mapping[str, Any]) -> None:
    from partkin.command_line.terminal import console, local, table

    counts = page["counts"]
    groups = {"all units": counts}
    groups |= {f"model {name}": group for name, group in counts["by_part"].items()}
    groups |= {f"now {name}": group for name, group in counts["by_state"].items()}
    counted = ((name, str(group["certain"]), str(group["possible"])) for name, group in groups.items())
    console().print(table("", "#certain", "#possible", rows=counted))
    rows = [*page["certain"], *page["possible"]]
    if rows:
        listed = (
            (
                f"{row['part']} {row['serial']}",
                row["certainty"],
                row["state"],
                "inside" if row["inside"] else "was inside",
                "" if row["where"] is None else f"{row['where']} {local(row['where_at'])}",
                way_in_words(row["path"], local),
            )
            for row in rows
        )
        console().print()
        console().print(table("unit", "", "now", "suspect", "last seen", "by", rows=listed))
    more = counts["certain"] + counts["possible"] - len(rows)
    if more:
        console().print(f"and {more} more: --csv or --json gives all of them")
    console().print()


def way_in_words(path: Sequence[Mapping[str, Any]], when: Callable[[str], str]) -> str:
    """The way of a suspect into a unit, step by step; the unit itself is not named again."""
    from partkin.command_line.terminal import item_name

    if not path:
        return "the unit itself"
    steps = []
    for place, step in enumerate(path, start=1):
        holder = "" if place == len(path) else f" of {item_name(step['into'])}"
        ended = "" if step["ended"] is None else f" until {when(step['ended'])}"
        doubt = "" if step["certain"] else " (possibly)"
        steps.append(f"{step['position'] or 'no position'}{holder}{ended}{doubt}")
    return f"{item_name(path[0])} in {', in '.join(steps)}"
