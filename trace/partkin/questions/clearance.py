"""Clearance: whether a unit may be worked on, packed, shipped, and every reason why not."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import Any

from partkin.questions.asked_items import Asked, find_item
from partkin.rules.catalogue import Catalogue
from partkin.rules.facts import ItemKey
from partkin.rules.facts_json import item_json
from partkin.rules.judging.clearance import why_not_pack, why_not_ship, why_not_work
from partkin.rules.known import Known
from partkin.rules.moments import moment_of
from partkin.rules.reading import Wanted
from partkin.rules.reasons import Reason
from partkin.rules.rows import ItemRow
from partkin.store.books.known import fetch_known
from partkin.store.catalogue import read_catalogue
from partkin.store.database import Database
from partkin.store.genealogy.content import items_by_id


class NotBuiltHere(LookupError):
    """The item is not built here, so nothing is worked on, packed or shipped."""


def clearance(database: Database, asked: Asked, scan_point: str | None, *, now: datetime) -> dict[str, Any]:
    """What may be done with a unit or subassembly now.

    Work is told of one scan point, or of all on its route; packing and shipping of units only.
    Raises NoSuchItem, AmbiguousItem and NotBuiltHere.
    """
    with database.read() as connection:
        number = find_item(connection, asked)
        key = items_by_id(connection, [number])[number]
        catalogue = read_catalogue(connection)
        if not catalogue.part[key.part].made:
            raise NotBuiltHere(f"{key} is bought: it is not worked on, packed or shipped by itself.")
        wanted = Wanted(items={key}, whole={key}, shipping={key}, beside=True, since=moment_of(now))
        known = fetch_known(connection, wanted, catalogue, lock=False)
    return _told(known, catalogue, key, scan_point, now)


def _told(known: Known, catalogue: Catalogue, key: ItemKey, scan_point: str | None, now: datetime) -> dict[str, Any]:
    unit = known.items[key]
    points = [step.scan_point for step in catalogue.route.get(key.part, ())] if scan_point is None else [scan_point]
    sold = catalogue.part[key.part].sold
    return {
        "unit": item_json(key),
        "state": unit.state,
        "work": [{"scan_point": code, **_work(known, catalogue, unit, code, now)} for code in points],
        "pack": _clear(why_not_pack(known, catalogue, unit)) if sold else None,
        "ship": _clear(why_not_ship(known, catalogue, unit)) if sold else None,
    }


def _work(known: Known, catalogue: Catalogue, unit: ItemRow, code: str, now: datetime) -> dict[str, Any]:
    return _clear(why_not_work(known, catalogue, unit, code, now))


def _clear(reasons: Sequence[Reason]) -> dict[str, Any]:
    return {"clear": not reasons, "reasons": [Reason(one.type, one.detail).as_json() for one in reasons]}
