"""Suspects in the books: found by statements that stay in the database, because they can be very many."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import (
    CTE,
    Connection,
    FromClause,
    Select,
    Table,
    and_,
    exists,
    func,
    literal,
    not_,
    select,
    union,
    union_all,
)

from partkin.rules.facts import FACTS_PER_ENTRY, ItemKey
from partkin.rules.messages import NamedItem
from partkin.rules.moments import Moment
from partkin.rules.suspects import Received, SerialRange, Suspects, Worked
from partkin.store.database import BigId, Code, among, dialect_of, given
from partkin.store.tables import entry, item, part, receipt, received_item, scan_point, supplier, test_run
from partkin.store.walks import BEGINNING, looked_up

WORK = ("unit-start", "marriage", "removal", "test-run")
"""Messages about an item that was worked on."""


@dataclass(frozen=True, slots=True)
class Mistake:
    """A place in the criteria (JSON pointer), and what is the matter there."""

    pointer: str
    detail: str


@dataclass(frozen=True, slots=True)
class Suspected:
    """The suspects, as parts of a statement."""

    lots: CTE | None
    """Lots (`item`), for their whole lives; None where no criterion can find one."""
    items: CTE
    """All suspects, also the lots and the serial items that belong to them: `item`, suspect from `since` on."""


# -- what the criteria name


def unknown_names(connection: Connection, suspects: Suspects) -> list[Mistake]:
    """Everything in the criteria that neither the catalogue nor the books know."""
    named = list(_catalogue_names(suspects))
    known = {table.name: _known(connection, table, named) for table in (part, supplier, scan_point)}
    mistakes = [
        Mistake(pointer, f"There is no {table.name.replace('_', ' ')} {code} in the catalogue.")
        for pointer, table, code in named
        if code not in known[table.name]
    ]
    return mistakes + [
        Mistake(f"/suspects/items/{place}/{key.kind}", f"There is no {key} in the books.")
        for place, key in _unknown_items(connection, suspects.items)
        if key.part in known[part.name]
    ]


def _catalogue_names(suspects: Suspects) -> Iterator[tuple[str, Table, str]]:
    for list_name, table in (
        ("items", part),
        ("serial_ranges", part),
        ("received", part),
        ("received", supplier),
        ("worked", scan_point),
    ):
        for place, criterion in enumerate(getattr(suspects, list_name)):
            code = getattr(criterion, table.name)
            if code is not None:
                yield f"/suspects/{list_name}/{place}/{table.name}", table, code


def _known(connection: Connection, table: Table, named: Iterable[tuple[str, Table, str]]) -> set[str]:
    codes = sorted({code for _, of_table, code in named if of_table is table})
    column = table.c[table.name]
    return set(connection.scalars(select(column).where(among(connection, column, codes)))) if codes else set()


def _key(named: NamedItem) -> ItemKey:
    if named.serial is not None:
        return ItemKey(named.part, "serial", named.serial)
    return ItemKey(named.part, "lot", named.lot or "")


def _unknown_items(connection: Connection, named: Sequence[NamedItem]) -> Iterator[tuple[int, ItemKey]]:
    keys = [_key(one) for one in named]
    if keys:
        t = item.c
        found = connection.execute(_named(connection, keys).with_only_columns(t.part, t.kind, t.code))
        known = {ItemKey(*row) for row in found}
        yield from ((place, key) for place, key in enumerate(keys) if key not in known)


def _named(connection: Connection, keys: Sequence[ItemKey]) -> Select[Any]:
    names = ItemKey._fields
    columns = {name: (Code, [key[place] for key in keys]) for place, name in enumerate(names)}
    wanted = given(connection, "wanted", columns)
    return select(item.c.id).join(wanted, and_(*(item.c[name] == wanted.c[name] for name in names)))


# -- what they find


def criteria_without_suspects(connection: Connection, suspects: Suspects, as_of: Moment | None) -> list[Mistake]:
    """Criteria that find nothing, other than named items."""
    criteria: dict[str, Select[Any]] = {}
    for place, serials in enumerate(suspects.serial_ranges):
        criteria[f"/suspects/serial_ranges/{place}"] = _in_range(serials)
    for place, received in enumerate(suspects.received):
        criteria[f"/suspects/received/{place}"] = _receipts(received)
    for place, worked in enumerate(suspects.worked):
        criteria[f"/suspects/worked/{place}"] = _worked_on(worked, as_of)
    if not criteria:
        return []
    found = connection.execute(select(*(exists(query) for query in criteria.values()))).one()
    return [
        Mistake(pointer, "The books have nothing of this kind.")
        for pointer, something in zip(criteria, found, strict=True)
        if not something
    ]


def suspected(connection: Connection, suspects: Suspects, as_of: Moment | None) -> Suspected:
    """All that the criteria find, known to the books by a moment where one is given."""
    keys = [_key(one) for one in suspects.items]
    lots = [_named(connection, of_kind) for of_kind in _of_kind(keys, "lot")]
    serials = [_named(connection, of_kind) for of_kind in _of_kind(keys, "serial")]
    serials += map(_in_range, suspects.serial_ranges)
    if suspects.received:
        received = union_all(*map(_receipts, suspects.received)).cte("received")
        lots.append(select(received.c.lot_id.label("id")).where(received.c.lot_id.is_not(None)))
        serials.append(_received_items(connection, received))
    lot = union(*lots).cte("suspect_lot") if lots else None
    if lot is not None:
        serials += [select(lot.c.id), _items_of_lots(connection, lot)]
    always = literal(BEGINNING, BigId).label("since")
    found = [query.add_columns(always) for query in serials]
    found += [_worked_on(worked, as_of) for worked in suspects.worked]
    each = union_all(*found).subquery()
    first = func.min(each.c.since).label("since")
    return Suspected(lot, select(each.c.id.label("item"), first).group_by(each.c.id).cte("suspect"))


def _of_kind(keys: Sequence[ItemKey], kind: str) -> list[list[ItemKey]]:
    """The keys of a kind in one list, or no list."""
    of_kind = [key for key in keys if key.kind == kind]
    return [of_kind] if of_kind else []


def _in_range(serials: SerialRange) -> Select[Any]:
    t = item.c
    return select(t.id).where(
        t.part == serials.part,
        t.kind == "serial",
        t.code >= serials.from_,
        t.code <= serials.to,
        func.length(t.code) == len(serials.from_),
    )


def _receipts(received: Received) -> Select[Any]:
    t = receipt.c
    query = select(t.id, t.lot_id).where(
        t.supplier == received.supplier, t.received_at >= received.since, t.received_at < received.until
    )
    return query if received.part is None else query.where(t.part == received.part)


def _received_items(connection: Connection, receipts: FromClause) -> Select[Any]:
    """Serial items that some receipts name."""
    t = received_item
    rows, named = looked_up(dialect_of(connection), receipts, t, t.c.receipt_id == receipts.c.id, "item_id")
    return select(named.c.item_id.label("id")).select_from(rows)


def _items_of_lots(connection: Connection, lots: FromClause) -> Select[Any]:
    """Serial items that belong to some lots."""
    rows, serial = looked_up(dialect_of(connection), lots, item, item.c.lot_id == lots.c.id, "id")
    return select(serial.c.id).select_from(rows)


def _worked_on(worked: Worked, as_of: Moment | None) -> Select[Any]:
    """Items and the moments at which they were worked on; by a test run where the instrument is stated."""
    on = entry.c if worked.instrument is None else test_run.c
    query = select(on.item_id.label("id"), on.occurred_at.label("since")).where(
        on.item_id.is_not(None), on.occurred_at >= worked.since, on.occurred_at < worked.until
    )
    if as_of is not None:
        query = query.where(on.occurred_at <= as_of)
    if worked.instrument is None:
        query = query.where(entry.c.kind.in_(WORK), entry.c.outcome == "recorded")
    else:
        made_by = entry.c.id == test_run.c.id // FACTS_PER_ENTRY
        query = query.join(entry, made_by).where(test_run.c.instrument == worked.instrument, not_(test_run.c.wrong))
    for column in (entry.c.scan_point, entry.c.operator):
        code = getattr(worked, column.name)
        if code is not None:
            query = query.where(column == code)
    return query
