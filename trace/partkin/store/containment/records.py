"""What was said and done about containment cases, and rehearsals of recalls."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from typing import Any, NamedTuple, TypeVar

from sqlalchemy import ColumnElement, Connection, Row, Table, func, not_, select

from partkin.rules.facts import FACTS_PER_ENTRY, ItemKey
from partkin.rules.moments import FOREVER
from partkin.rules.rows import (
    CaseRevisionRow,
    CaseRow,
    CaseTurnRow,
    CheckPlanRow,
    DrillRow,
    InspectionRow,
    NoticeRow,
    SortingRow,
)
from partkin.store.column_types import BigId
from partkin.store.containment.cases import sent
from partkin.store.dialects import given
from partkin.store.journal.entries import Entry, read_entries
from partkin.store.tables import (
    case_item,
    case_notice,
    case_revision,
    case_turn,
    check_plan,
    consignee,
    containment_case,
    drill,
    entry,
    inspection,
    item,
    marriage,
    part,
    shipment,
    sorting,
    sorting_item,
)

AnyRow = TypeVar("AnyRow", CaseRevisionRow, CaseTurnRow, CheckPlanRow, NoticeRow, SortingRow)


def case_of_code(connection: Connection, code: str) -> CaseRow | None:
    """The case of a code."""
    row = connection.execute(select(containment_case).where(containment_case.c.code == code)).first()
    return None if row is None else CaseRow(*row)


def cases_after(
    connection: Connection, *, status: str | None, after: int, limit: int
) -> Sequence[Row[*tuple[Any, ...]]]:
    """Cases in the order in which they were opened, with how many things each lists."""
    t = containment_case.c
    listed = select(func.count()).where(case_item.c.case_id == t.id, case_item.c.dropped_in.is_(None))
    query = select(containment_case, listed.scalar_subquery().label("listed")).where(t.id > after)
    if status is not None:
        query = query.where(t.status == status)
    return connection.execute(query.order_by(t.id).limit(limit)).all()


def revisions_of(connection: Connection, case_id: int) -> list[CaseRevisionRow]:
    """The freezes of a case, in order."""
    return _of_case(connection, CaseRevisionRow, case_revision, case_id)


def turns_of(connection: Connection, case_id: int) -> list[CaseTurnRow]:
    """When a case was closed and opened again, in order."""
    return _of_case(connection, CaseTurnRow, case_turn, case_id)


def plans_of(connection: Connection, case_id: int) -> list[CheckPlanRow]:
    """The plans of checks of a case, in order; the last one counts."""
    return _of_case(connection, CheckPlanRow, check_plan, case_id)


def notices_of(connection: Connection, case_id: int) -> list[NoticeRow]:
    """The steps of all notices of a case, in order."""
    return _of_case(connection, NoticeRow, case_notice, case_id)


def sortings_of(connection: Connection, case_id: int) -> list[SortingRow]:
    """The sortings of a case, in order."""
    return _of_case(connection, SortingRow, sorting, case_id)


def _of_case(connection: Connection, kind: type[AnyRow], table: Table, case_id: int) -> list[AnyRow]:
    query = select(table).where(table.c.case_id == case_id).order_by(table.c.id)
    return [kind(*row) for row in connection.execute(query)]


def drawn_for(connection: Connection, case_id: int) -> Mapping[int, set[int]]:
    """The things drawn for each sorting of a case, by its number."""
    drawn: dict[int, set[int]] = defaultdict(set)
    query = select(sorting_item).join(sorting, sorting.c.id == sorting_item.c.sorting_id)
    for sorting_id, item_id in connection.execute(query.where(sorting.c.case_id == case_id)):
        drawn[sorting_id].add(item_id)
    return drawn


def inspections_for(connection: Connection, case_id: int) -> Mapping[int, list[InspectionRow]]:
    """The inspections for each sorting of a case, by its number."""
    done: dict[int, list[InspectionRow]] = defaultdict(list)
    query = select(inspection).join(sorting, sorting.c.id == inspection.c.sorting_id)
    for row in connection.execute(query.where(sorting.c.case_id == case_id).order_by(inspection.c.id)):
        done[row.sorting_id].append(InspectionRow(*row))
    return done


def added_since(connection: Connection, case_id: int, limit: int) -> tuple[int, Sequence[Row[*tuple[Any, ...]]]]:
    """How many things a case lists because of entries after its freeze, and the first of them with these entries."""
    t, e = case_item.c, entry.c
    these = (t.case_id == case_id, t.because.is_not(None), t.dropped_in.is_(None))
    query = (
        select(
            item.c.part, item.c.kind, item.c.code, t.certainty, t.because, t.gone,
            e.kind.label("message"), e.occurred_at, e.scan_point, e.operator,
        )
        .join_from(case_item, item, item.c.id == t.item_id)
        .join(entry, e.id == t.because)
        .where(*these)
        .order_by(t.because, item.c.part, item.c.code)
        .limit(limit)
    )  # fmt: skip
    total = connection.scalar(select(func.count()).select_from(case_item).where(*these)) or 0
    return total, connection.execute(query).all()


def entries_listing(connection: Connection, revision: CaseRevisionRow) -> Iterator[Entry]:
    """The entries that hold the list of a freeze: those of kind `case-list` right after it."""
    entries = read_entries(connection, after=revision.id // FACTS_PER_ENTRY, chunk=10)
    try:
        for one in entries:
            if one.kind != "case-list":
                return
            yield one
    finally:
        entries.close()


class Sent(NamedTuple):
    """Units that a case lists and a consignee was sent."""

    consignee: str
    name: str
    certain: int
    possible: int


def sent_to(connection: Connection, case_id: int) -> list[Sent]:
    """How many units that a case lists each consignee was sent, in order of their codes."""
    t = case_item.c
    listed = (
        select(t.item_id.label("item"))
        .join(item, item.c.id == t.item_id)
        .join(part, part.c.part == item.c.part)
        .where(t.case_id == case_id, t.dropped_in.is_(None), part.c.sold)
    )
    gone = sent(connection, listed)

    def of(certainty: str) -> Any:
        return func.count(gone.c.item.distinct()).filter(t.certainty == certainty)

    query = (
        select(consignee.c.consignee, consignee.c.name, of("certain"), of("possible"))
        .join_from(gone, shipment, shipment.c.id == gone.c.shipment)
        .join(consignee, consignee.c.consignee == shipment.c.consignee)
        .join(case_item, (t.item_id == gone.c.item) & (t.case_id == case_id))
        .group_by(consignee.c.consignee, consignee.c.name)
        .order_by(consignee.c.consignee)
    )
    return [Sent(*row) for row in connection.execute(query)]


def consignees_sent(connection: Connection, units: Sequence[int]) -> list[str]:
    """Who was sent some units, in order of their codes."""
    gone = sent(connection, select(given(connection, "unit", {"item": (BigId, units)})))
    query = select(shipment.c.consignee).distinct().join(gone, gone.c.shipment == shipment.c.id)
    return list(connection.scalars(query.order_by(shipment.c.consignee)))


# -- rehearsals


def drills_after(connection: Connection, *, after: int, limit: int) -> list[DrillRow]:
    """Drills in the order in which they were recorded."""
    query = select(drill).where(drill.c.id > after).order_by(drill.c.id).limit(limit)
    return [DrillRow(*row) for row in connection.execute(query)]


def parts_standing(connection: Connection) -> list[str]:
    """Bought parts of which a lot or serial item stands in something, in order."""
    of_part = select(item.c.id).where(item.c.part == part.c.part, _stands())
    query = select(part.c.part).where(not_(part.c.made), of_part.exists())
    return list(connection.scalars(query.order_by(part.c.part)))


def items_standing(connection: Connection, of_part: str) -> list[ItemKey]:
    """Lots and serial items of a part of which something stands in something, in order."""
    query = select(item.c.part, item.c.kind, item.c.code).where(item.c.part == of_part, _stands())
    return [ItemKey(*row) for row in connection.execute(query.order_by(item.c.kind, item.c.code))]


def _stands() -> ColumnElement[bool]:
    t = marriage.c
    return select(t.id).where(t.child_id == item.c.id, t.ended == FOREVER, not_(t.disputed)).exists()
