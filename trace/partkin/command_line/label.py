"""`partkin label`."""

from __future__ import annotations

import asyncio
import json
import os
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal, get_args

import typer

from partkin.command_line.asking import BadInput, StoreUrl, open_store, settings_of
from partkin.command_line.item_asked import OfPart, asked_of_item
from partkin.command_line.posting import recorded
from partkin.rules.facts import ItemKey, ItemKind, LabelKind, Symbol

if TYPE_CHECKING:
    from partkin.actions.record_messages import MessagePost
    from partkin.actions.rulebooks import Rulebooks
    from partkin.rules.labels import Label
    from partkin.store.database import Database

Picture = Literal["svg", "png", "pdf"]

Json = dict[str, Any]


def label(
    kind: Annotated[
        LabelKind | None,
        typer.Argument(
            metavar="LABEL", help="unit (its rating plate), component, carton or pallet.", show_default=False
        ),
    ] = None,
    items: Annotated[
        list[str] | None,
        typer.Argument(metavar="ITEM...", help="Serial numbers, lots, SSCCs, or texts of labels as scanned."),
    ] = None,
    operator: Annotated[str | None, typer.Option(metavar="BADGE", help="Badge code of who prints.")] = None,
    part: OfPart = None,
    reason: Annotated[str | None, typer.Option(metavar="WORDS", help="Why it is printed again.")] = None,
    symbol: Annotated[
        Symbol | None, typer.Option(metavar="SYMBOL", help=f"{', '.join(get_args(Symbol))}; else what is usual for it.")
    ] = None,
    block: Annotated[
        int | None,
        typer.Option(metavar="ENTRY", min=1, help="The numbers that this entry reserved, in place of LABEL and ITEM."),
    ] = None,
    picture: Annotated[
        Picture | None,
        typer.Option("--format", metavar="FORMAT", help="svg or png for one label, pdf; else by the FILE, else pdf."),
    ] = None,
    sheet: Annotated[
        bool, typer.Option("--sheet", help="As many on an A4 sheet as fit, with crop marks (pdf).")
    ] = False,
    to: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Where to; labels-ENTRY.pdf in this folder, if left out.")
    ] = None,
    store: StoreUrl = None,
) -> None:
    """Print labels: journal who prints what and why, then draw it to a file.

    A label that was printed before takes a reason. Where anything speaks against it, nothing is printed.
    """
    drawing = picture or _by_ending(to)
    _require_place(to)
    with open_store(store) as database:
        if block is not None:
            _require(not (kind or items or operator or reason or symbol or part), "--block takes no LABEL and no ITEM")
            entry = _of_block(database, block)
        else:
            _require(kind is not None and bool(items), "name the LABEL and an ITEM, or the ENTRY of a --block")
            _require(operator is not None, "--operator takes the badge code of who prints")
            keys = [_named(database, code, part) for code in items or ()]
            said = {"operator": operator, "label": kind, "symbol": symbol, "reason": reason}
            entry = _journalled(database, keys, said, drawing, sheet=sheet)
        labels = _of_entry(database, entry)
    file = to or Path(f"labels-{entry}.{drawing}")
    file.write_bytes(_drawn(labels, drawing, sheet=sheet))
    print(f"{len(labels)} label{'' if len(labels) == 1 else 's'} of entry {entry}: {file}")


def _require(holds: bool, what: str) -> None:
    if not holds:
        raise BadInput(what)


def _by_ending(to: Path | None) -> Picture:
    ending = "" if to is None else to.suffix
    return next((known for known in get_args(Picture) if ending == f".{known}"), "pdf")


def _require_place(to: Path | None) -> None:
    """What is journalled must not fail for want of a place."""
    folder = Path() if to is None else to.parent
    there = folder.is_dir() and os.access(folder, os.W_OK) and (to is None or not to.is_dir())
    _require(there, f"--to: no file can be written at {to or folder.resolve()}")


def _named(database: Database, code: str, part: str | None) -> ItemKey:
    """The item of a code."""
    from partkin.questions.whereabouts import where_is

    found = asked_of_item(database, code, part, lambda asked: where_is(database, asked))
    kind: ItemKind = "lot" if found["serial"] is None else "serial"
    return ItemKey(found["part"], kind, found[kind])


def _journalled(database: Database, keys: Sequence[ItemKey], said: Json, drawing: Picture, *, sheet: bool) -> int:
    """The entry of a print. Raises BadInput where a label does not fit, or something speaks against it."""
    from partkin.actions.rulebooks import Rulebooks

    rulebooks = Rulebooks(database)
    post = _post(keys, said, rulebooks)
    _drawn(_expected(database, keys, said), drawing, sheet=sheet)
    outcome = asyncio.run(recorded(database, rulebooks, post))
    answer = json.loads(outcome.answer)
    if outcome.status != 201:
        _refuse(answer)
    return int(answer["entry"])


def _post(keys: Sequence[ItemKey], said: Json, rulebooks: Rulebooks) -> MessagePost:
    from datetime import datetime
    from uuid import uuid4

    from partkin.actions.record_messages import UnreadablePost
    from partkin.web.reading import read_post

    head = {"message_id": str(uuid4()), "occurred_at": datetime.now().astimezone().isoformat()}
    items = [{"part": key.part, key.kind: key.code} for key in keys]
    message = {**head, "items": items, **{name: value for name, value in said.items() if value is not None}}
    post = read_post(json.dumps(message).encode(), rulebooks.newest, kind="label-print")
    if isinstance(post, UnreadablePost):
        raise BadInput(f"nothing was printed: {post.problem['detail']}")
    return post


def _expected(database: Database, keys: Sequence[ItemKey], said: Json) -> list[Label]:
    """The labels as they will be drawn, to see whether they fit before it is said that they were printed."""
    from partkin.rules.labels import LabelError, compose
    from partkin.rules.labels.items import labelled_item
    from partkin.store.catalogue import read_catalogue
    from partkin.store.items import dated_items

    with database.read() as connection:
        catalogue, known = read_catalogue(connection), dated_items(connection, keys)
    stem = settings_of().link_stem
    try:
        return [
            compose(labelled_item(catalogue, key, *known[key]), said["label"], said["symbol"], link_stem=stem)
            for key in keys
        ]
    except LabelError as error:
        raise BadInput(f"nothing was printed: {error}") from error


def _refuse(answer: Mapping[str, Any]) -> None:
    """Each reason on a line of its own, with what to do."""
    from partkin.command_line.terminal import console, shown
    from partkin.rules.reasons import REASON_TYPES

    for reason in answer.get("reasons", ()):
        mend = REASON_TYPES[reason["type"].removeprefix("/problems/")].mend
        console(stderr=True).print(shown(f"{reason['detail']} {mend}"))
    raise BadInput(f"nothing was printed: {answer['title']}")


def _of_block(database: Database, entry: int) -> int:
    """The entry, if it reserved numbers: prints of items are journalled each time."""
    from partkin.questions.entries import find_entry

    found = find_entry(database, entry)
    _require(found is not None and found.kind == "number-block", f"--block: entry {entry} reserved no numbers")
    return entry


def _of_entry(database: Database, entry: int) -> list[Label]:
    from partkin.questions.printed_labels import NoLabels, printed_labels
    from partkin.rules.labels import LabelError

    try:
        return printed_labels(database, entry, link_stem=settings_of().link_stem)
    except (NoLabels, LabelError) as error:
        raise BadInput(str(error)) from error


def _drawn(labels: Sequence[Label], drawing: Picture, *, sheet: bool) -> bytes:
    from partkin.exports.labels import Sheet, draw_pdf, draw_png, draw_svg
    from partkin.rules.labels import LabelError

    _require(drawing == "pdf" or len(labels) == 1, f"{drawing} is of one label, and these are {len(labels)}: draw pdf")
    _require(drawing == "pdf" or not sheet, f"--sheet is of pdf, not of {drawing}")
    try:
        match drawing:
            case "pdf":
                return draw_pdf(labels, Sheet(crop_marks=True) if sheet else None)
            case "png":
                return draw_png(labels[0])
            case "svg":
                return draw_svg(labels[0]).encode()
    except LabelError as error:
        raise BadInput(f"nothing was printed: {error}") from error
