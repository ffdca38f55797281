"""`partkin affected`."""

from __future__ import annotations

import csv
import json
from collections.abc import Iterable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer
from typer.core import TyperCommand

from partkin.command_line.asking import AsJson, AsOf, BadInput, StoreUrl, moment_asked, open_store

if TYPE_CHECKING:
    from partkin.rules.suspects import Alarm
    from partkin.store.database import Database
    from partkin.store.suspects import Mistake

FIRST = 12
"""Units shown on the screen, so that all of the answer fits on it."""

CAUTION = (
    "This list is no decision: containment and any recall follow the plant's procedure, local law and the "
    "authorities' deadlines."
)


class WideOptions(TyperCommand):
    """A command whose options take as many words each as their metavars name."""

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        for parameter in self.params:
            parameter.nargs = len((parameter.metavar or "").split()) or 1


class Words(tuple[str, ...]):
    """The words of one option."""


def _words(metavar: str, help_: str) -> Any:
    return typer.Option(metavar=metavar, help=help_, parser=Words, show_default=False)


def affected(
    lot: Annotated[list[Words] | None, _words("PART LOT", "A lot, with the serial items that belong to it.")] = None,
    serial: Annotated[list[Words] | None, _words("PART SERIAL", "A serial item.")] = None,
    serial_range: Annotated[
        list[Words] | None, _words("PART FROM TO", "Serial numbers of one length, both ends included.")
    ] = None,
    received: Annotated[list[Words] | None, _words("SUPPLIER FROM TO", "What a supplier delivered in a time.")] = None,
    part: Annotated[str | None, typer.Option(metavar="PART", help="With --received: only this part.")] = None,
    scan_point: Annotated[list[Words] | None, _words("CODE FROM TO", "Whatever was worked on there in a time.")] = None,
    operator: Annotated[list[Words] | None, _words("BADGE FROM TO", "Whatever was worked on by this person.")] = None,
    instrument: Annotated[list[Words] | None, _words("CODE FROM TO", "Whatever was tested on this instrument.")] = None,
    as_of: AsOf = None,
    as_json: AsJson = False,
    to_csv: Annotated[
        Path | None, typer.Option("--csv", metavar="FILE", help="Write all affected units to this file.")
    ] = None,
    store: StoreUrl = None,
) -> None:
    """List the units that suspects went into.

    Suspects can be of any kinds and any number together. A unit is certain, or possible where it cannot be told: pieces
    next to a lot change, contradictions in the records. FROM and TO of a time are dates (UTC) or times with their offset
    from UTC; TO is not included.
    """
    named = {
        "items": [*_named(lot, "lot"), *_named(serial, "serial")],
        "serial_ranges": [dict(zip(("part", "from", "to"), words, strict=True)) for words in serial_range or ()],
        "received": [{**one, **({} if part is None else {"part": part})} for one in _timed(received, "supplier")],
        "worked": [*_timed(scan_point, "scan_point"), *_timed(operator, "operator"), *_timed(instrument, "instrument")],
    }
