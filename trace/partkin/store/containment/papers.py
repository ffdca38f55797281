"""What the papers of a containment case need of the books beyond the case itself."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final, NamedTuple

from sqlalchemy import Connection, Row, Select, func, literal, select, union_all

from partkin.rules.facts import FACTS_PER_ENTRY, Certainty, Decision, ItemKey, ItemKind, ItemState
from partkin.rules.known import FoundThing
from partkin.rules.moments import Moment
from partkin.store.column_types import BigId
from partkin.store.containment.cases import found_things, sent
from partkin.store.dialects import among, given
from partkin.store.genealogy.exposure import Exposed
from partkin.store.journal.entries import Entry, entry_of_row
from partkin.store.tables import (
    case_decision,
    case_item,
    case_notice,
    case_revision,
    case_turn,
    check_plan,
    consignee,
    containment_case,
    entry,
    inspection,
    item,
    loading,
    point_of_use,
    receipt,
    shipment,
    sorting,
)


class Thing(NamedTuple):
    """A thing that a case lists and has not dropped, or would list."""

    item_id: int
    part: str
    kind: ItemKind
    code: str
    state: ItemState
    started_at: Moment | None
    lot_id: int | None
    certainty: Certainty
    suspect: bool
    revision: int
    because: int | None
    decision: Decision | None

    @property
    def key(self) -> ItemKey:
        """How the plant names it."""
        return ItemKey(self.part, self.kind, self.code)


def listed_things(connection: Connection, case_id: int) -> list[Thing]:
    """All that a case lists and has not dropped, in order of part, kind and code."""
    t, i = case_item.c, item.c
    query = (
        select(
            i.id, i.part, i.kind, i.code, i.state, i.started_at, i.lot_id,
            t.certainty, t.suspect, t.revision, t.because, case_decision.c.decision,
        )
        .join_from(case_item, item, i.id == t.item_id)
        .outerjoin(case_decision, case_decision.c.id == t.decision_id)
        .where(t.case_id == case_id, t.dropped_in.is_(None))
    )  # fmt: skip
    return sorted((Thing._make(row) for row in connection.execute(query)), key=lambda thing: thing.key)


def affected_things(connection: Connection, found: Exposed) -> list[Thing]:
    """All that is affected now, as a freeze would list it, in order of part, kind and code."""
    return sorted(map(_affected, found_things(connection, found)), key=lambda thing: thing.key)


def _affected(found: FoundThing) -> Thing:
    row = found.item
    of_item = (row.id, row.part, row.kind, row.code, row.state, row.started_at, row.lot_id)
    return Thing(*of_item, found.certainty, found.suspect, revision=0, because=None, decision=None)


class Despatch(NamedTuple):
    """A unit left on a shipment, in whatever it was packed."""

    item_id: int
    shipment: str
    consignee: str
    name: str
    despatched_at: Moment
    delivery_note: str | None


def despatches_of(connection: Connection, units: Sequence[int]) -> list[Despatch]:
    """When and to whom units were sent, in the order of time."""
    asked = given(connection, "asked", {"item": (BigId, units)})
    gone = sent(connection, select(asked.c.item))
    s = shipment.c
    query = (
        select(gone.c.item, s.code, s.consignee, consignee.c.name, s.despatched_at, s.delivery_note)
        .join_from(gone, shipment, s.id == gone.c.shipment)
        .join(consignee, consignee.c.consignee == s.consignee)
        .order_by(s.despatched_at, s.code, gone.c.item)
    )
    return [Despatch(*row) for row in connection.execute(query)]


def loadings_of(connection: Connection, lots: Sequence[int]) -> Sequence[Row[*tuple[Any, ...]]]:
    """When and where lots were up: the lot's part and code, scan point, position, feeder, from and until."""
    t, use = loading.c, point_of_use.c
    query = (
        select(item.c.part, item.c.code, use.scan_point, use.position, t.feeder, t.loaded_at, t.unloaded_at)
        .join_from(loading, item, item.c.id == t.lot_id)
        .join(point_of_use, use.id == t.point_of_use_id)
        .where(among(connection, t.lot_id, lots), t.loaded_at < t.unloaded_at)
    )
    return connection.execute(query.order_by(t.loaded_at, t.id)).all()


def receipts_of(connection: Connection, lots: Sequence[int]) -> Sequence[Row[*tuple[Any, ...]]]:
    """When lots came in: the lot's part and code, supplier, delivery note, moment."""
    t = receipt.c
    query = select(item.c.part, item.c.code, t.supplier, t.delivery_note, t.received_at)
    query = query.join_from(receipt, item, item.c.id == t.lot_id).where(among(connection, t.lot_id, lots))
    return connection.execute(query.order_by(t.received_at, t.id)).all()


def units_started(
    connection: Connection, parts: Sequence[str], since: Moment, step: Moment, steps: int
) -> dict[int, int]:
    """How many units of some parts were started in each of so many steps of time, by the step's number."""
    started = item.c.started_at
    number = ((started - literal(since, BigId)) // literal(step, BigId)).label("number")
    query = select(number, func.count()).where(
        among(connection, item.c.part, parts), started >= since, started < since + steps * step
    )
    return {row[0]: row[1] for row in connection.execute(query.group_by("number"))}


def entries_of_case(connection: Connection, case_id: int) -> Sequence[Answered]:
    """The journal's entries that say something of a case, without the lists that follow some of them, in order."""
    made = connection.scalars(union_all(*_rows_of_case(case_id)))
    numbers = sorted({number // FACTS_PER_ENTRY for number in made})
    return entries_by_number(connection, numbers)


_OF_CASE: Final = (case_revision, case_turn, case_decision, sorting, check_plan, case_notice)


def _rows_of_case(case_id: int) -> list[Select[Any]]:
    rows: list[Select[Any]] = [select(table.c.id).where(table.c.case_id == case_id) for table in _OF_CASE]
    rows.append(select(containment_case.c.id).where(containment_case.c.id == case_id))
    inspected = select(inspection.c.id).join(sorting, sorting.c.id == inspection.c.sorting_id)
    return [*rows, inspected.where(sorting.c.case_id == case_id)]


class Answered(NamedTuple):
    """An entry: when, by whom, of what kind, and the answer."""

    id: int
    kind: str
    operator: str | None
    at: Moment
    answer: str


def entries_by_number(connection: Connection, numbers: Sequence[int]) -> Sequence[Answered]:
    """Entries by their numbers, in order. Raises BrokenEntry."""
    query = select(entry).where(among(connection, entry.c.id, numbers)).order_by(entry.c.id)
    return [_answered(entry_of_row(connection, row)) for row in connection.execute(query)]


def _answered(one: Entry) -> Answered:
    at = one.recorded_at if one.occurred_at is None else one.occurred_at
    return Answered(one.id, one.kind, one.operator, at, one.answer)
