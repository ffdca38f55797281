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
    or_,
    select,
    union,
    union_all,
)

from partkin.rules.check_characters import SCHEMES, CheckScheme
from partkin.rules.facts import FACTS_PER_ENTRY, ItemKey
from partkin.rules.messages import NamedItem
from partkin.rules.messages.criteria import (
    AnyOf,
    BuiltUnder,
    Measured,
    Produced,
    Received,
    SerialRange,
    Suspects,
    Worked,
)
from partkin.rules.moments import Moment
from partkin.rules.serial_ranges import check_ends
from partkin.store.column_types import BigId, Code
from partkin.store.dialects import among, dialect_of, given
from partkin.store.genealogy.walks import BEGINNING, looked_up
from partkin.store.journal.entries import LAST
from partkin.store.tables import (
    characteristic,
    entry,
    item,
    measurement,
    numbering,
    part,
    receipt,
    received_item,
    scan_point,
    supplier,
    test_plan,
    test_run,
)

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
    """Everything in the criteria that neither the catalogue nor the books know, and serial numbers that cannot be."""
    return [mistake for pointer, any_of in _parts(suspects) for mistake in _unknown_names(connection, pointer, any_of)]


def _parts(suspects: Suspects) -> Iterator[tuple[str, AnyOf]]:
    """The parts of criteria with their pointers."""
    if suspects.names_any:
        yield "/suspects", suspects
    for place, any_of in enumerate(suspects.all_of):
        yield f"/suspects/all_of/{place}", any_of
    if suspects.except_ is not None:
        yield "/suspects/except", suspects.except_


def _unknown_names(connection: Connection, pointer: str, any_of: AnyOf) -> Iterator[Mistake]:
    named = list(_catalogue_names(any_of))
    known = {table.name: _known(connection, table, named) for table in (part, supplier, scan_point, test_plan)}
    for place, table, code in named:
        if code not in known[table.name]:
            what = table.name.replace("_", " ")
            yield Mistake(f"{pointer}/{place}", f"There is no {what} {code} in the catalogue.")
    for number, key in _unknown_items(connection, any_of.items):
        if key.part in known[part.name]:
            yield Mistake(f"{pointer}/items/{number}/{key.kind}", f"There is no {key} in the books.")
    for number, serials in enumerate(any_of.serial_ranges):
        yield from _wrong_ends(connection, f"{pointer}/serial_ranges/{number}", serials)
    for number, measured in enumerate(any_of.measured):
        if measured.plan in known[test_plan.name] and not _is_measured(connection, measured):
            what = f"{measured.plan} measures no {measured.characteristic} as a number."
            yield Mistake(f"{pointer}/measured/{number}/characteristic", what)
    for number, built in enumerate(any_of.built_under):
        yield from _unknown_revisions(connection, f"{pointer}/built_under/{number}", built)


def _wrong_ends(connection: Connection, pointer: str, serials: SerialRange) -> Iterator[Mistake]:
    scheme = _check_scheme(connection, serials.part)
    try:
        check_ends(serials.from_, serials.to, scheme, serials.without_check)
    except ValueError as error:
        yield Mistake(pointer, f"{error}.")


def _unknown_revisions(connection: Connection, pointer: str, built: BuiltUnder) -> Iterator[Mistake]:
    for name, number in (("from", built.from_), ("to", built.to)):
        if number is not None and not _is_revision(connection, number):
            yield Mistake(f"{pointer}/{name}", f"Entry {number} did not change the catalogue.")


def _catalogue_names(any_of: AnyOf) -> Iterator[tuple[str, Table, str]]:
    for list_name, table, member in (
        ("items", part, "part"),
        ("serial_ranges", part, "part"),
        ("received", part, "part"),
        ("received", supplier, "supplier"),
        ("produced", part, "part"),
        ("produced", supplier, "supplier"),
        ("worked", scan_point, "scan_point"),
        ("measured", test_plan, "plan"),
    ):
        for place, criterion in enumerate(getattr(any_of, list_name)):
            code = getattr(criterion, member)
            if code is not None:
                yield f"{list_name}/{place}/{member}", table, code


def _check_scheme(connection: Connection, code: str) -> CheckScheme | None:
    """How the serial numbers that the plant itself gives to a part are checked."""
    query = select(numbering.c.check).join(part, part.c.numbering == numbering.c.scheme)
    found = connection.scalar(query.where(part.c.part == code))
    return None if found is None else SCHEMES[found]


def _is_measured(connection: Connection, measured: Measured) -> bool:
    t = characteristic.c
    named = (t.plan == measured.plan, t.characteristic == measured.characteristic, t.kind == "numeric")
    return connection.execute(select(t.plan).where(*named)).first() is not None


def _is_revision(connection: Connection, number: int) -> bool:
    return connection.execute(_revisions().where(entry.c.id == number)).first() is not None


def _revisions() -> Select[Any]:
    """The entries that changed the catalogue."""
    return select(entry.c.id).where(entry.c.kind == "catalogue", entry.c.outcome == "recorded")


def _known(connection: Connection, table: Table, named: Iterable[tuple[str, Table, str]]) -> set[str]:
    codes = sorted({code for _, of_table, code in named if of_table is table})
    column = table.c["plan" if table is test_plan else table.name]
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
    criteria = {
        f"{pointer}/{place}": query
        for pointer, any_of in _parts(suspects)
        for place, query in _by_place(connection, any_of, as_of)
    }
    if not criteria:
        return []
    found = connection.execute(select(*(exists(query) for query in criteria.values()))).one()
    return [
        Mistake(pointer, "The books have nothing of this kind.")
        for pointer, something in zip(criteria, found, strict=True)
        if not something
    ]


def _by_place(connection: Connection, any_of: AnyOf, as_of: Moment | None) -> Iterator[tuple[str, Select[Any]]]:
    for place, serials in enumerate(any_of.serial_ranges):
        yield f"serial_ranges/{place}", _in_range(serials, _check_scheme(connection, serials.part))
    for place, received in enumerate(any_of.received):
        yield f"received/{place}", _receipts(received)
    for place, produced in enumerate(any_of.produced):
        yield f"produced/{place}", _produced(produced)
    for place, worked in enumerate(any_of.worked):
        yield f"worked/{place}", _worked_on(worked, as_of)
    for place, measured in enumerate(any_of.measured):
        yield f"measured/{place}", _measured(measured, as_of)
    for place, built in enumerate(any_of.built_under):
        yield f"built_under/{place}", _built_under(built, as_of)


def suspected(connection: Connection, any_of: AnyOf, as_of: Moment | None, name: str = "") -> Suspected:
    """All that criteria find, known to the books by a moment where one is given.

    Several in one statement are told apart by `name`.
    """
    keys = [_key(one) for one in any_of.items]
    lots = [_named(connection, of_kind) for of_kind in _of_kind(keys, "lot")]
    serials = [_named(connection, of_kind) for of_kind in _of_kind(keys, "serial")]
    serials += [_in_range(serials, _check_scheme(connection, serials.part)) for serials in any_of.serial_ranges]
    if any_of.received:
        received = union_all(*map(_receipts, any_of.received)).cte(f"received{name}")
        lots.append(select(received.c.lot_id.label("id")).where(received.c.lot_id.is_not(None)))
        serials.append(_received_items(connection, received))
    for produced in any_of.produced:
        lots.append(_produced(produced).where(item.c.kind == "lot"))
        serials.append(_produced(produced).where(item.c.kind == "serial"))
    lot = union(*lots).cte(f"suspect_lot{name}") if lots else None
    if lot is not None:
        serials += [select(lot.c.id), _items_of_lots(connection, lot)]
    serials += [_measured(measured, as_of) for measured in any_of.measured]
    always = literal(BEGINNING, BigId).label("since")
    found = [query.add_columns(always) for query in serials]
    found += [_worked_on(worked, as_of) for worked in any_of.worked]
    found += [_built_under(built, as_of) for built in any_of.built_under]
    each = union_all(*found).subquery()
    first = func.min(each.c.since).label("since")
    query = select(each.c.id.label("item"), first).group_by(each.c.id)
    return Suspected(lot, query.cte(f"suspect{name}"))


def _of_kind(keys: Sequence[ItemKey], kind: str) -> list[list[ItemKey]]:
    """The keys of a kind in one list, or no list."""
    of_kind = [key for key in keys if key.kind == kind]
    return [of_kind] if of_kind else []


def _in_range(serials: SerialRange, scheme: CheckScheme | None) -> Select[Any]:
    t, length = item.c, len(serials.from_)
    checks = scheme.length if serials.without_check and scheme is not None else 0
    return select(t.id).where(
        t.part == serials.part,
        t.kind == "serial",
        t.code >= serials.from_,
        func.substr(t.code, 1, length) <= serials.to,
        func.length(t.code) == length + checks,
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


def _produced(produced: Produced) -> Select[Any]:
    """Lots and serial items that were produced on some days; those of a lot, where they say no day themselves."""
    t, of_lot = item.c, item.alias("of_lot")
    day = func.coalesce(t.produced_on, of_lot.c.produced_on)
    query = (
        select(t.id)
        .outerjoin_from(item, of_lot, of_lot.c.id == t.lot_id)
        .where(t.part == produced.part, day >= produced.from_, day <= produced.to)
    )
    if produced.supplier is None:
        return query
    own = select(receipt.c.id).where(
        or_(receipt.c.id == t.receipt_id, receipt.c.lot_id == func.coalesce(t.lot_id, t.id))
    )
    named = select(receipt.c.id).join(received_item, received_item.c.receipt_id == receipt.c.id)
    named = named.where(received_item.c.item_id == t.id)
    by_catalogue = exists().where(part.c.part == t.part, part.c.supplier == produced.supplier)
    from_it = receipt.c.supplier == produced.supplier
    return query.where(
        or_(
            exists(own.where(from_it).correlate(item)),
            exists(named.where(from_it).correlate(item)),
            and_(not_(exists(own.correlate(item))), not_(exists(named.correlate(item))), by_catalogue),
        )
    )


def _measured(measured: Measured, as_of: Moment | None) -> Select[Any]:
    """Items that were once measured so."""
    r, m = test_run.c, measurement.c
    query = (
        select(r.item_id.label("id"))
        .join(measurement, m.test_run_id == r.id)
        .where(
            r.plan == measured.plan,
            m.characteristic == measured.characteristic,
            not_(r.wrong),
            r.occurred_at >= measured.since,
            r.occurred_at < measured.until,
        )
    )
    if measured.at_least is not None:
        query = query.where(m.value >= measured.at_least)
    if measured.at_most is not None:
        query = query.where(m.value <= measured.at_most)
    return query if as_of is None else query.where(r.occurred_at <= as_of)


def _built_under(built: BuiltUnder, as_of: Moment | None) -> Select[Any]:
    """Items and the moments at which they were worked on, by entries that were judged by some revisions."""
    t = entry.c
    query = select(t.item_id.label("id"), t.occurred_at.label("since")).where(
        t.item_id.is_not(None), t.kind.in_(WORK), t.outcome == "recorded", t.id > built.from_
    )
    if built.to is not None:
        after = entry.alias("next_revision")
        first = select(func.min(after.c.id)).where(
            after.c.kind == "catalogue", after.c.outcome == "recorded", after.c.id > built.to
        )
        query = query.where(t.id < func.coalesce(first.scalar_subquery(), literal(LAST, BigId)))
    return query if as_of is None else query.where(t.occurred_at <= as_of)


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
