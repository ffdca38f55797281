"""`partkin tree`."""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import TYPE_CHECKING, Annotated, Any

import typer

from partkin.command_line.asking import AsJson, AsKnownAt, AsOf, BadInput, StoreUrl, moment_asked, open_asked

if TYPE_CHECKING:
    from rich.text import Text
    from rich.tree import Tree


def tree(
    serial: Annotated[str, typer.Argument(metavar="SERIAL", help="Serial number of a unit or a component.")],
    part: Annotated[
        str | None, typer.Option(metavar="PART", help="Its part number, where several parts have this serial number.")
    ] = None,
    as_of: AsOf = None,
    as_known_at: AsKnownAt = None,
    removed: Annotated[bool, typer.Option("--removed", help="Also what has been taken out.")] = False,
    as_json: AsJson = False,
    store: StoreUrl = None,
) -> None:
    """Show what is in a unit, at every level."""
    from partkin.command_line.terminal import console
    from partkin.questions.birth_record import AmbiguousItem, NoSuchItem, birth_record

    moment = None if as_of is None else moment_asked(as_of, "--as-of")
    with open_asked(store, as_known_at) as database:
        try:
            record = birth_record(database, part, serial, as_of=moment, removed=removed)
        except NoSuchItem as error:
            raise BadInput(str(error)) from error
        except AmbiguousItem as error:
            raise BadInput(f"{error} Name one with --part.") from error
    if as_json:
        print(json.dumps(record))
    else:
        console().print(_drawn(record))


def _drawn(node: dict[str, Any]) -> Tree:
    from rich.tree import Tree

    from partkin.command_line.terminal import shown

    label = _name(node)
    notes = list(_notes(node))
    if node["position"] is None:
        for note in (*_root_notes(node), *notes):
            label.append("\n").append(shown(note))
    elif notes:
        label.append(shown(f"  ({'; '.join(notes)})"))
    drawn = Tree(label)
    for child in node["content"]:
        drawn.add(_drawn(child))
    return drawn


def _name(node: dict[str, Any]) -> Text:
    """Where it is, which item it is, and what that is."""
    from partkin.command_line.terminal import shown

    place = "" if node["position"] is None else f"{node['position'] or 'no position'}.{node['slot']}  "
    code = "of an unknown lot" if node["part"] is None else node["serial"] or f"lot {node['lot']}"
    pieces = "" if node["quantity"] in (None, 1) else f", {node['quantity']} pieces"
    item = f"{node['part'] or 'pieces'} {code}{pieces}"
    label = shown(f"{place}{item}  {node['description'] or ''}".rstrip())
    label.stylize("bold" if node["ended"] is None else "strike", len(place), len(place) + len(item))
    return label


def _root_notes(node: dict[str, Any]) -> Iterator[str]:
    from partkin.command_line.terminal import local

    yield node["state"] if node["started_at"] is None else f"{node['state']}, started {local(node['started_at'])}"
    if node["visits"]:
        yield f"worked on at {', '.join(visit['scan_point'] for visit in node['visits'])}"


def _notes(node: dict[str, Any]) -> Iterator[str]:
    """What is to be known of an item beyond its name."""
    from partkin.command_line.terminal import item_name, local

    if node["serial"] is not None and node["lot"] is not None:
        yield f"of lot {node['lot']}"
    if node["or_lot"]:
        yield f"possibly of {' or '.join(item_name(item) for item in node['or_lot'])}"
    if node["disputed"]:
        yield "disputed"
    if node["ended"] is not None:
        why = "" if node["reason"] is None else f": {node['reason']}, to {node['destination']}"
        yield f"out since {local(node['ended'])}{why}"
    for plan, run in {run["plan"]: run for run in node["tests"]}.items():  # the last of each
        stale = "" if run["counts"] else ", no longer counts"
        yield f"{plan} {run['verdict']} {local(run['occurred_at'])}{stale}"
    for hold in node["holds"]:
        yield f"ON HOLD {hold['hold']} ({item_name(hold['item'])}): {hold['reason']}"
