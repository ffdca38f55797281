"""`partkin balance`."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING, Annotated, Any

import typer

from partkin.command_line.asking import AsJson, BadInput, StoreUrl, open_store

if TYPE_CHECKING:
    from partkin.store.database import Readable

Json = Mapping[str, Any]

LINES = {
    "received": "received",
    "in_units_certain": "in units",
    "in_units_possible": "in units, possibly",
    "in_containers": "moved into containers",
    "scrapped": "scrapped",
    "returned": "returned to the supplier",
    "in_analysis": "in failure analysis",
    "in_stock": "in stock",
    "unaccounted": "unaccounted for",
}


def balance(
    lot: Annotated[tuple[str, str], typer.Option("--lot", metavar="PART LOT", help="The lot, or a container of it.")],
    records: Annotated[bool, typer.Option("--records", help="List the records behind each number.")] = False,
    as_json: AsJson = False,
    store: StoreUrl = None,
) -> None:
    """Show where the pieces of a lot went that were received, and where the missing ones may be."""
    from partkin.questions.birth_record import NoSuchItem
    from partkin.questions.mass_balance import mass_balance

    with open_store(store) as database:
        try:
            found = mass_balance(database, *lot)
        except NoSuchItem as error:
            raise BadInput(str(error)) from error
        listed = list(_records(database, *lot)) if records else None
    if as_json:
        print(json.dumps(found if listed is None else {**found, "records": listed}))
        return
    _show(found, listed)


def _records(database: Readable, part: str, lot: str) -> Iterator[Json]:
    from partkin.questions.mass_balance import balance_records

    for chunk in balance_records(database, part, lot):
        yield from chunk


def _show(found: Json, listed: list[Json] | None) -> None:
    from partkin.command_line.terminal import console, local, shown, table

    printer = console()
    counted = "not counted: in stock is what is left" if found["counted_at"] is None else local(found["counted_at"])
    printer.print(shown(f"{found['part']} lot {found['lot']}, stock {counted}"))
    lines = ((name, str(found[key]["pieces"]), _per_cent(found[key]["per_cent"])) for key, name in LINES.items())
    printer.print(table("", "#pieces", "#of received", rows=lines))
    if elsewhere := found["possibly_elsewhere"]["pieces"]:
        printer.print(f"{elsewhere} pieces booked on other lots may be of this one.")
    if found["leads"]:
        printer.print()
        printer.print(table("lead", *_COLUMNS, rows=((row["lead"], *_row(row)) for row in found["leads"])))
    if listed is not None:
        printer.print()
        named = ((LINES.get(row["bucket"], "possibly of this lot"), *_row(row)) for row in listed)
        printer.print(table("counts as", *_COLUMNS, rows=named))


_COLUMNS = ("record", "#pieces", "when", "item", "in, into or from", "where", "#entry")


def _row(row: Json) -> Iterator[str]:
    from partkin.command_line.terminal import item_name, local

    yield row["record"]
    yield str(row["pieces"])
    yield "" if row["at"] is None else local(row["at"])
    yield "" if row["item"] is None else item_name(row["item"])
    yield "" if row["parent"] is None else item_name(row["parent"])
    yield row["where"] or ""
    yield "" if row["entry"] is None else str(row["entry"])


def _per_cent(value: float | None) -> str:
    return "" if value is None else f"{value:.2f} %"
