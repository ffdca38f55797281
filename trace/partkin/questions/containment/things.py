"""What a containment case lists, each thing as it is now."""

from __future__ import annotations

from typing import Any

from sqlalchemy import Connection

from partkin.rules.containment.listing import LEFT
from partkin.rules.containment.naming import suspects_of
from partkin.rules.facts_json import item_json
from partkin.rules.known import FoundThing
from partkin.rules.rows import CaseItemRow, CaseRow
from partkin.store import cases
from partkin.store.case_records import case_of_code
from partkin.store.database import Readable


class NoSuchCase(LookupError):
    """There is no containment case of this code."""


def case_named(connection: Connection, code: str) -> CaseRow:
    """The case of a code. Raises NoSuchCase."""
    case = case_of_code(connection, code)
    if case is None:
        raise NoSuchCase(f"There is no case {code}.")
    return case


def case_things(database: Readable, code: str) -> list[dict[str, Any]]:
    """Every thing that a case lists or once listed, in order of part, kind and code. Raises NoSuchCase."""
    with database.read() as connection:
        return things_of(connection, case_named(connection, code))


def things_of(connection: Connection, case: CaseRow) -> list[dict[str, Any]]:
    """As `case_things`, of a case in a transaction."""
    listed = cases.listed_by(connection, case.id)
    items = {row.id: row for row in cases.items_of(connection, [row.item_id for row in listed])}
    found = cases.found_things(connection, cases.exposed_things(connection, suspects_of(case.suspects)))
    now = {thing.item.id: thing for thing in found}
    around = cases.left_around(connection, sorted(items))
    settled = cases.settled_states(connection, case.id)
    decisions = {row.id: row.decision for row in cases.decisions_of(connection, case.id)}
    held = {row.item_id for row in cases.holds_of_case(connection, case.id)}

    def told(row: CaseItemRow) -> dict[str, Any]:
        item, thing = items[row.item_id], now.get(row.item_id)
        return {
            **item_json(item.key),
            "certainty": row.certainty,
            "suspect": row.suspect,
            "revision": row.revision,
            "dropped_in": row.dropped_in,
            "because": row.because,
            "gone": row.gone,
            "state": item.state,
            "left": item.state in LEFT or item.id in around,
            "affected": thing is not None,
            "still": _still(thing),
            "decision": None if row.decision_id is None else decisions[row.decision_id],
            "settled": row.dropped_in is not None or settled[row.item_id],
            "held": row.item_id in held,
        }

    return [told(row) for row in sorted(listed, key=lambda row: items[row.item_id].key)]


def _still(thing: FoundThing | None) -> bool:
    return thing is not None and thing.still
