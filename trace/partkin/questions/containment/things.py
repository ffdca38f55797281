"""What a containment case lists, each thing as it is now."""

from __future__ import annotations

from collections.abc import Generator, Sequence
from typing import Any

from sqlalchemy import Connection, Row

from partkin.rules.containment.listing import LEFT
from partkin.rules.containment.naming import suspects_of
from partkin.rules.facts import ItemKey
from partkin.rules.facts_json import item_json
from partkin.rules.rows import CaseRow
from partkin.store.containment import cases
from partkin.store.containment.cases import AffectedNow
from partkin.store.containment.records import case_of_code
from partkin.store.database import Readable


class NoSuchCase(LookupError):
    """There is no containment case of this code."""


def case_named(connection: Connection, code: str) -> CaseRow:
    """The case of a code. Raises NoSuchCase."""
    case = case_of_code(connection, code)
    if case is None:
        raise NoSuchCase(f"There is no case {code}.")
    return case


def case_things(database: Readable, code: str) -> Generator[list[dict[str, Any]], None, None]:
    """Every thing that a case lists or once listed, in order of part, kind and code, a chunk at a time.

    The first chunk is empty: asking for it raises NoSuchCase before an answer has begun.
    """
    with database.read() as connection:
        case = case_named(connection, code)
        affected = cases.affected_now(connection, cases.exposed_things(connection, suspects_of(case.suspects)))
        yield []
        for rows in cases.listed_in_order(connection, case.id):
            yield _told(connection, case, rows, affected)


def _told(
    connection: Connection, case: CaseRow, rows: Sequence[Row[Any]], affected: AffectedNow
) -> list[dict[str, Any]]:
    ids = [row.item_id for row in rows]
    around = cases.left_around(connection, ids)
    settled = cases.settled_states(connection, case.id, ids)
    held = {hold.item_id for hold in cases.holds_among(connection, ids) if hold.case_id == case.id}
    return [
        {
            **item_json(ItemKey(row.part, row.kind, row.code)),
            "certainty": row.certainty,
            "suspect": row.suspect,
            "revision": row.revision,
            "dropped_in": row.dropped_in,
            "because": row.because,
            "gone": row.gone,
            "state": row.state_now,
            "left": row.state_now in LEFT or row.item_id in around,
            "affected": is_affected,
            "still": still,
            "decision": row.decision,
            "settled": row.dropped_in is not None or settled[row.item_id],
            "held": row.item_id in held,
        }
        for row, (is_affected, still) in zip(rows, affected.among(ids), strict=True)
    ]
