"""The mass balance of a lot: where the pieces went that were received, and where the rest may be."""

from __future__ import annotations

from collections.abc import Generator, Sequence
from itertools import islice
from typing import Any

from sqlalchemy import Connection

from partkin.questions.asked_items import AskedItem, find_item
from partkin.rules.facts import FACTS_PER_ENTRY
from partkin.rules.facts_json import item_json
from partkin.rules.moments import text_of
from partkin.store.database import Readable
from partkin.store.genealogy.content import items_by_id
from partkin.store.genealogy.mass_balance import Balance, Booked, balances, leads, records, scan_points_of

CHUNK = 1000
"""Records that are named in one trip."""


def mass_balance(database: Readable, part: str, lot: str) -> dict[str, Any]:
    """The balance of a lot or container, in pieces and per cent of those received. Raises NoSuchItem."""
    with database.read() as connection:
        number = find_item(connection, AskedItem(lot, ("lot",), part))
        balance = balances(connection, [number])[number]
        found = _said(connection, list(leads(connection, number)), "lead")
    counted_at = None if balance.counted_at is None else text_of(balance.counted_at)
    return {"part": part, "lot": lot, "counted_at": counted_at, **_lines(balance), "leads": found}


def balance_records(database: Readable, part: str, lot: str) -> Generator[list[dict[str, Any]], None, None]:
    """The records behind each number, some at a time; of each bucket they add up to its pieces.

    The first chunk is empty: asking for it raises NoSuchItem.
    """
    with database.read() as connection:
        number = find_item(connection, AskedItem(lot, ("lot",), part))
        yield []
        booked = records(connection, number)
        while chunk := list(islice(booked, CHUNK)):
            yield _said(connection, chunk, "bucket")


def _lines(balance: Balance) -> dict[str, Any]:
    """Each bucket, and what is accounted for: all that was received but the unaccounted."""
    accounted = balance.received - balance.unaccounted
    lines: list[tuple[str, int]] = [*balance.lines.items(), ("accounted", accounted)]
    return {name: {"pieces": pieces, "per_cent": _per_cent(pieces, balance.received)} for name, pieces in lines}


def _per_cent(pieces: int, received: int) -> float | None:
    return round(100 * pieces / received, 4) if received else None


def _said(connection: Connection, booked: Sequence[Booked], under: str) -> list[dict[str, Any]]:
    """Records with the names of what they are about, and where they were made."""
    ids = {number for one in booked for number in (one.item, one.other) if number is not None}
    names = {number: item_json(key) for number, key in items_by_id(connection, sorted(ids)).items()}
    points = scan_points_of(connection, sorted({entry for one in booked if (entry := _entry(one)) is not None}))
    return [
        {
            under: one.under,
            "record": one.record,
            "number": one.number,
            "entry": _entry(one),
            "pieces": one.pieces,
            "at": None if one.at is None else text_of(one.at),
            "item": None if one.item is None else names[one.item],
            "parent": None if one.other is None else names[one.other],
            "where": points.get(_entry(one) or 0),
        }
        for one in booked
    ]


def _entry(booked: Booked) -> int | None:
    return None if booked.number is None else booked.number // FACTS_PER_ENTRY
