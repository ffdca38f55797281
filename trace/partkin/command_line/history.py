"""`partkin history`."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from typing import Annotated, Any

import typer

from partkin.command_line.asking import AsJson, StoreUrl, open_store
from partkin.command_line.item_asked import ItemCode, OfPart, asked_of_item


def history(
    code: ItemCode,
    part: OfPart = None,
    inside: Annotated[
        bool, typer.Option("--inside", help="Also what happened to what was in it, while it was in there.")
    ] = False,
    as_json: AsJson = False,
    store: StoreUrl = None,
) -> None:
    """Show what happened to an item, in the order in which it happened."""
    from partkin.command_line.terminal import console, shown
    from partkin.questions.asked_items import Asked
    from partkin.questions.item_history import history as history_of

    printer = console()
    with open_store(store) as database:

        def begun(asked: Asked) -> Iterator[list[dict[str, Any]]]:
            chunks = history_of(database, asked, inside=inside)
            next(chunks)
            return chunks

        for entry in (entry for chunk in asked_of_item(database, code, part, begun) for entry in chunk):
            if as_json:
                print(json.dumps(entry))
            else:
                for line in _lines(entry):
                    printer.print(shown(line), soft_wrap=True)


def _lines(entry: Mapping[str, Any]) -> Iterator[str]:
    from partkin.command_line.terminal import local

    place = "" if entry["scan_point"] is None else f" at {entry['scan_point']}"
    told = ", told" if entry["mode"] == "tell" else ""
    by = "" if entry["operator"] is None else f" by {entry['operator']}"
    head = f"{local(entry['occurred_at'])}  {entry['kind']}{place}{by}{told}"
    yield f"{head} (entry {entry['entry']})"
    for sentence in entry["sentences"]:
        yield f"    {sentence}"
    for discrepancy in entry["discrepancies"]:
        yield f"    AGAINST THE BOOKS: {discrepancy['detail']}"
    for corrected in entry["corrected"]:
        yield f"    RECORDED WRONGLY (entry {corrected['entry']}): {corrected['reason']}"
