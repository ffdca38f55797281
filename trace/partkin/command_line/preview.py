"""`partkin preview`."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING, Any

from partkin.command_line.affected import CAUTION, way_in_words
from partkin.command_line.asking import AsJson, AsKnownAt, AsOf, StoreUrl, open_asked, settings_of
from partkin.command_line.criteria import Criteria, by_criteria, refused

if TYPE_CHECKING:
    from partkin.store.database import Readable

Json = Mapping[str, Any]

LAST_DAYS = 14
"""Days shown at a terminal; --json has all."""


@by_criteria
def preview(
    suspects: Criteria,
    as_of: AsOf = None,
    as_known_at: AsKnownAt = None,
    as_json: AsJson = False,
    store: StoreUrl = None,
) -> None:
    """Count what a freeze of these suspects would stop, before anything is done.

    Suspects can be of any kinds and any number together. FROM and TO of a time are dates (UTC) or times with their
    offset from UTC; TO itself is not included.
    """
    with open_asked(store, as_known_at) as asked:
        found = _previewed(asked, suspects, as_of)
    if as_json:
        print(json.dumps(found))
        return
    _show(suspects, found)


def _previewed(asked: Readable, suspects: Criteria, as_of: str | None) -> Json:
    from partkin.memory.held import Held
    from partkin.questions import preview as question
    from partkin.questions.units_affected import UnknownSuspects
    from partkin.store.database import Database

    held = Held(asked, settings_of().cache_folder) if isinstance(asked, Database) else None
    try:
        return question.preview(asked, suspects.alarm(as_of), held)
    except UnknownSuspects as error:
        raise refused([suspects.at(one.pointer, one.detail) for one in error.mistakes]) from error


def _show(suspects: Criteria, found: Json) -> None:
    from partkin.command_line.terminal import console, item_name, shown, table

    printer = console()
    for note in found["notes"]:
        console(stderr=True).print(suspects.at(note["pointer"], note["detail"]))
    for line in found["in_words"]:
        printer.print(shown(line))
    printer.print()
    counted = ((name, str(group["certain"]), str(group["possible"]), _first(group)) for name, group in _groups(found))
    printer.print(table("", "#certain", "#possible", "such as", rows=counted))
    printer.print()
    for lot in found["lots_in_stock"]:
        how = "by difference" if lot["counted_at"] is None else "as counted"
        printer.print(shown(f"{item_name(lot)}: {lot['pieces']} pieces in stock {how} ({lot['certainty']})"))
    for up in found["points_of_use"]:
        printer.print(shown(f"{item_name(up)} is up at {up['scan_point']} {up['position']}, feeder {up['feeder']}"))
    printer.print(CAUTION)


def _groups(found: Json) -> Iterator[tuple[str, Json]]:
    """The lines of the table, and what each counts."""
    units = found["counts"]
    yield "all units", units
    for words, name in (("model", "by_part"), ("now", "by_state")):
        yield from ((f"{words} {key}", group) for key, group in units[name].items())
    days = list(units["by_day"].items())
    yield from ((f"started {day}", group) for day, group in days[-LAST_DAYS:])
    if earlier := [group for _, group in days[:-LAST_DAYS]]:
        totals = {name: sum(group[name] for group in earlier) for name in ("certain", "possible")}
        yield f"on {len(earlier)} days before", {**totals, "examples": []}
    for consignee, group in units["by_consignee"].items():
        yield (consignee if consignee == "in the plant" else f"sent to {consignee}"), group
    for words, kind in (
        ("waiting", "subassemblies_waiting"),
        ("in stock", "components_in_stock"),
        ("taken out", "components_removed"),
    ):
        yield from ((f"{words} {part}", group) for part, group in found[kind]["by_part"].items())


def _first(group: Json) -> str:
    """The first of a group, with the way of a suspect into it."""
    from partkin.command_line.terminal import item_name, local

    if not group["examples"]:
        return ""
    row = group["examples"][0]
    by = f": {way_in_words(row['path'], local)}" if row["path"] else ""
    return f"{item_name(row)}{by}"
