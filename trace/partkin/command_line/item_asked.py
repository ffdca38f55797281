"""Commands that ask about an item of a code: a serial number, a lot, an SSCC, or the text of a label."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Annotated, TypeVar

import typer

from partkin.command_line.asking import BadInput

if TYPE_CHECKING:
    from partkin.questions.asked_items import Asked
    from partkin.store.database import Database

T = TypeVar("T")

ItemCode = Annotated[
    str, typer.Argument(metavar="CODE", help="A serial number, a lot, an SSCC, or the text of a label as scanned.")
]
OfPart = Annotated[
    str | None, typer.Option("--part", metavar="PART", help="Its part number, where several parts have this code.")
]


def asked_of_item(database: Database, code: str, part: str | None, question: Callable[[Asked], T]) -> T:
    """The answer to a question about the item of a code; what no item has as its number is read as a label.

    Raises BadInput where there is no such item, or several.
    """
    from partkin.questions.asked_items import AskedItem
    from partkin.questions.birth_record import AmbiguousItem, NoSuchItem

    try:
        try:
            return question(AskedItem(code, ("serial", "lot"), part))
        except NoSuchItem as error:
            label = None if part is not None else _label(database, code)
            if label is None:
                raise BadInput(str(error)) from error
            return question(label)
    except NoSuchItem as error:
        raise BadInput(str(error)) from error
    except AmbiguousItem as error:
        raise BadInput(f"{error} Name one with --part.") from error


def _label(database: Database, code: str) -> Asked | None:
    """What a code names as a label; None where it is none."""
    from datetime import UTC, datetime

    from partkin.questions.asked_items import scanned_item
    from partkin.rules.identification import ScanError
    from partkin.rules.reading import Rulebook
    from partkin.store.catalogue import read_catalogue

    with database.read() as connection:
        rulebook = Rulebook(read_catalogue(connection))
    try:
        return scanned_item(code, rulebook, datetime.now(UTC).date())
    except ScanError:
        return None
