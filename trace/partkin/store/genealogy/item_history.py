"""The journal entries of items, found through the books: every row's number says which entry made it.

What changes a row and makes none, such as the release of a hold or the end of a line of a shipment, is found by its
moment; what a containment case changes in an entry of its own, by reading these entries.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterator, Mapping, Sequence
from functools import cache
from typing import Any, NamedTuple

from sqlalchemy import (
    CTE,
    ColumnElement,
    CompoundSelect,
    Connection,
    FromClause,
    Integer,
    Row,
    ScalarSelect,
    Select,
    Table,
    Text,
    and_,
    bindparam,
    cast,
    false,
    func,
    literal,
    literal_column,
    null,
    select,
    true,
    tuple_,
    union,
    union_all,
)
from sqlalchemy.types import TypeEngine

from partkin.rules.facts import FACTS_PER_ENTRY
from partkin.rules.moments import FOREVER, Moment
from partkin.store.column_types import BigId
from partkin.store.dialects import (
    Dialect,
    among_values,
    dialect_of,
    earlier,
    given_rows,
    later,
    row_parameters,
    value_parameters,
)
from partkin.store.genealogy.walks import BEGINNING, looked_up
from partkin.store.journal.dictionaries import unpacked
from partkin.store.journal.entries import entry_of_row, head_of
from partkin.store.journal.journal_codec import Head
from partkin.store.tables import (
    case_decision,
    case_item,
    containment_case,
    correction,
    customer_return,
    disposition,
    entry,
    hold,
    inspection,
    item,
    label_print,
    loading,
    marriage,
    point_of_use,
    receipt,
    received_item,
    removal,
    shipment,
    shipment_line,
    sorting_item,
    stock_count,
    test_run,
    transfer,
)

CHUNK = 200
"""Entries that are read in one trip."""


class Span(NamedTuple):
    """An item in the time in which it belongs to the history that is asked for."""

    item: int
    since: Moment
    until: Moment
    within: bool
    """The item itself, or what is in it; else what it is in, whose shipments and returns are its own."""


class After(NamedTuple):
    """The last entry of a page; the next page begins after it."""

    occurred_at: Moment
    entry: int


FIRST = After(BEGINNING, 0)

# -- in what, and what inside, and when


def spans_of(connection: Connection, number: int) -> list[Span]:
    """An item, all serial items that ever were in it, while they were, and all that it was in, while it was."""
    found = connection.execute(_spans(dialect_of(connection)), row_parameters(connection, {"item": [number]}))
    return [Span(row.item, row.lo, row.hi, row.within) for row in found]


@cache
def _spans(dialect: Dialect) -> CompoundSelect[Any]:
    inside, holders = _walk(dialect, down=True), _walk(dialect, down=False)
    columns = ("item", "lo", "hi")
    down = select(*(inside.c[name] for name in columns), true().label("within"))
    up = select(*(holders.c[name] for name in columns), false()).where(holders.c.level > 0)
    return union_all(down, up)


def _walk(dialect: Dialect, *, down: bool) -> CTE:
    root = given_rows(dialect, "root", {"item": BigId})
    walk = select(
        *(root.c.item, literal(0).label("level")),
        *(literal(BEGINNING, BigId).label("lo"), literal(FOREVER, BigId).label("hi")),
    ).cte("inside" if down else "holders", recursive=True)
    this, other = ("parent_id", "child_id") if down else ("child_id", "parent_id")
    on = and_(marriage.c[this] == walk.c.item, marriage.c.child_is_serial, ~marriage.c.wrong)
    rows, m = looked_up(dialect, walk, marriage, on, other, "started", "ended")
    lo, hi = later(walk.c.lo, m.c.started), earlier(walk.c.hi, m.c.ended)
    return walk.union_all(select(m.c[other], walk.c.level + 1, lo, hi).select_from(rows).where(lo < hi))


# -- the entries


class Told(NamedTuple):
    """An entry, and when it says that what it is of happened."""

    id: int
    kind: str
    mode: str | None
    scan_point: str | None
    operator: str | None
    occurred_at: Moment
    recorded_at: Moment
    item_id: int | None
    answer: str


def entries_of(connection: Connection, spans: Sequence[Span], after: After) -> Iterator[Sequence[Told]]:
    """The entries of items in their times, in order of occurred_at and entry, from the one after `after`; in chunks.

    Raises BrokenEntry.
    """
    rows = [(*span[:3], int(span.within), 0) for span in spans]
    rows += [(0, since, until, 0, listing) for listing, since, until in _lists_of(connection, spans)]
    columns = dict(zip(_SPAN, zip(*rows, strict=True), strict=True))
    parameters = {**row_parameters(connection, columns), "after_at": after.occurred_at, "after_entry": after.entry}
    statement = _entries(dialect_of(connection)).execution_options(yield_per=CHUNK)
    with connection.execute(statement, parameters) as found:
        for some in found.partitions():
            yield [_told(connection, row) for row in some]


def _told(connection: Connection, row: Row[Any]) -> Told:
    _, answer = unpacked(connection, head_of(row), row.texts)
    said = {name: getattr(row, name) for name in Told._fields if name not in ("occurred_at", "answer")}
    return Told(**said, occurred_at=row.told_at, answer=answer)


def _lists_of(connection: Connection, spans: Sequence[Span]) -> Iterator[tuple[int, Moment, Moment]]:
    """Lists of cases that list the items anew, drop them, or let them go: the entry, and the time of the item."""
    times: dict[int, list[tuple[Moment, Moment]]] = defaultdict(list)
    for span in spans:
        if span.within:
            times[span.item].append((span.since, span.until))
    listed = connection.execute(_listed(dialect_of(connection)), value_parameters(connection, list(times))).all()
    if not listed:
        return
    first = min(row.id for row in listed) // FACTS_PER_ENTRY
    lists = select(entry).where(entry.c.kind == literal_column("'case-list'"), entry.c.id >= first)
    for row in connection.execute(lists, execution_options={"yield_per": CHUNK}):
        answer = entry_of_row(connection, row).answer
        for member, number, item_id in listed:
            if f'"{member}":{number},' in answer:
                yield from ((row.id, since, until) for since, until in times[item_id])


@cache
def _listed(dialect: Dialect) -> CompoundSelect[Any]:
    """What cases list and hold of items: as what a list names it, and by which number."""

    def named(member: str, table: Table) -> Select[Any]:
        name = literal_column(f"'{member}'", Text()).label("member")
        return select(name, table.c.id, table.c.item_id).where(among_values(dialect, table.c.item_id))

    return union_all(named("listed", case_item), named("hold", hold).where(hold.c.case_id.is_not(None)))


_SPAN: Mapping[str, TypeEngine[Any]] = {
    "item": BigId,
    "lo": BigId,
    "hi": BigId,
    "within": Integer(),
    "listing": BigId,
}
"""A span; or in place of its item, a list of a case that names it."""

_ROWS_OF_ITEMS = (
    *((item, "id"), (marriage, "parent_id"), (marriage, "child_id"), (removal, "parent_id"), (removal, "child_id")),
    *((hold, "item_id"), (test_run, "item_id"), (receipt, "lot_id"), (loading, "lot_id"), (disposition, "item_id")),
    *((transfer, "source_id"), (transfer, "target_id"), (label_print, "item_id"), (stock_count, "item_id")),
    *((case_item, "item_id"), (case_decision, "item_id"), (inspection, "item_id")),
)
"""Tables whose rows are of items, and the column that says of which."""

_CORRECTED = (
    *((marriage, "parent_id"), (marriage, "child_id"), (removal, "parent_id"), (removal, "child_id")),
    *((test_run, "item_id"), (loading, "lot_id")),
)
"""Those that corrections are of."""


@cache
def _entries(dialect: Dialect) -> Select[Any]:
    span = given_rows(dialect, "span", _SPAN)
    numbers = union(*_numbers(dialect, span)).subquery("numbers")
    dated = select(numbers, _moment(numbers.c.number).label("at")).subquery("dated")
    in_time = and_(dated.c.at >= dated.c.lo, dated.c.at < dated.c.hi)
    last = tuple_(bindparam("after_at", type_=BigId), bindparam("after_entry", type_=BigId))
    next_ones = tuple_(dated.c.at, dated.c.number) > last
    wanted = select(dated.c.number.label("id"), dated.c.at.label("told_at")).where(in_time, next_ones).distinct()
    found = wanted.subquery("wanted")
    rows, told = looked_up(dialect, found, entry, entry.c.id == found.c.id, *_OF_ENTRY)
    columns = (told.c[name] for name in _OF_ENTRY)
    return select(*columns, found.c.told_at).select_from(rows).order_by(found.c.told_at, found.c.id)


def _moment(number: ColumnElement[int]) -> ScalarSelect[Moment]:
    """When an entry says that it happened; a list of a case, when that happened which it is because of."""
    own, first = entry.alias("own"), entry.alias("first")
    of = func.coalesce(own.c.because, own.c.id)
    return (
        select(first.c.occurred_at).join_from(own, first, first.c.id == of).where(own.c.id == number).scalar_subquery()
    )


_OF_ENTRY = (*Head._fields, "kind", "mode", "item_id", "texts")


def _numbers(dialect: Dialect, span: FromClause) -> Iterator[Select[Any]]:
    """The numbers of entries that may be of the items, each with the time of the item."""

    def found(rows: FromClause, number: ColumnElement[int]) -> Select[Any]:
        return select(number.label("number"), span.c.lo, span.c.hi).select_from(rows)

    def owned(table: Table, owner: str, *columns: str) -> tuple[FromClause, FromClause]:
        return looked_up(dialect, span, table, and_(span.c.within == 1, table.c[owner] == span.c.item), *columns)

    rows, e = looked_up(dialect, span, entry, and_(span.c.within == 1, entry.c.item_id == span.c.item), "id")
    yield found(rows, e.c.id)
    for table, owner in _ROWS_OF_ITEMS:
        rows, t = owned(table, owner, "id")
        yield found(rows, t.c.id // FACTS_PER_ENTRY)
    rows, t = owned(received_item, "item_id", "receipt_id")
    yield found(rows, t.c.receipt_id // FACTS_PER_ENTRY)
    for table, owner in _CORRECTED:
        rows, t = owned(table, owner, "id")
        rows, c = looked_up(dialect, rows, correction, correction.c.wrong_id == t.c.id, "id")
        yield found(rows, c.c.id // FACTS_PER_ENTRY)
    yield from _of_loadings(dialect, found, owned)
    rows, h = owned(hold, "item_id", "released_at")
    yield found(*_entries_at(dialect, rows, "hold", h.c.released_at))
    yield from _of_shipments(dialect, span, found)
    yield from _of_returns(dialect, span, found, owned)
    yield from _of_cases(span, found, owned)


_Found = Callable[[FromClause, ColumnElement[int]], Select[Any]]
_Owned = Callable[..., tuple[FromClause, FromClause]]


def _of_loadings(dialect: Dialect, found: _Found, owned: _Owned) -> Iterator[Select[Any]]:
    """Loadings that became known after pieces were drawn, or were corrected, and so changed what they are of."""
    rows, m = owned(marriage, "parent_id", "id", "child_id", "point_of_use_id", "started")
    t = loading.c
    # + 0: a point of use has many loadings after a moment, a lot has few.
    same = and_(t.lot_id == m.c.child_id, t.point_of_use_id + 0 == m.c.point_of_use_id)
    then = and_(t.loaded_at <= m.c.started, t.unloaded_at > m.c.started)
    rows, ld = looked_up(dialect, rows, loading, and_(same, then), "id")
    yield found(rows, ld.c.id // FACTS_PER_ENTRY).where(ld.c.id > m.c.id)
    rows, c = looked_up(dialect, rows, correction, correction.c.wrong_id == ld.c.id, "id")
    yield found(rows, c.c.id // FACTS_PER_ENTRY)


def _of_shipments(dialect: Dialect, span: FromClause, found: _Found) -> Iterator[Select[Any]]:
    """Loading, unloading and despatch of the items, and of what they are in."""
    columns = ("id", "shipment_id", "unloaded_at")
    rows, line = looked_up(dialect, span, shipment_line, shipment_line.c.item_id == span.c.item, *columns)
    yield found(rows, line.c.id // FACTS_PER_ENTRY)
    yield found(*_entries_at(dialect, rows, "shipment", line.c.unloaded_at))
    rows, s = looked_up(dialect, rows, shipment, shipment.c.id == line.c.shipment_id, "despatched_at")
    still_on = line.c.unloaded_at > s.c.despatched_at
    yield found(*_entries_at(dialect, rows, "shipment", s.c.despatched_at)).where(still_on)


def _of_returns(dialect: Dialect, span: FromClause, found: _Found, owned: _Owned) -> Iterator[Select[Any]]:
    """Returns from customers of what the items were in; and of what was in them, which ends that without a removal."""
    t = customer_return.c
    rows, back = looked_up(dialect, span, customer_return, t.item_id == span.c.item, "id")
    yield found(rows, back.c.id // FACTS_PER_ENTRY)
    rows, m = owned(marriage, "parent_id", "child_id", "ended")
    ended = and_(t.item_id == m.c.child_id, t.occurred_at == m.c.ended)
    rows, back = looked_up(dialect, rows, customer_return, ended, "id")
    yield found(rows, back.c.id // FACTS_PER_ENTRY)


def _of_cases(span: FromClause, found: _Found, owned: _Owned) -> Iterator[Select[Any]]:
    """Sortings that the items were drawn for, and lists of cases."""
    rows, drawn = owned(sorting_item, "item_id", "sorting_id")
    yield found(rows, drawn.c.sorting_id // FACTS_PER_ENTRY)
    yield found(span, span.c.listing).where(span.c.listing > 0)


def _entries_at(
    dialect: Dialect, rows: FromClause, kind: str, moment: ColumnElement[Moment]
) -> tuple[FromClause, ColumnElement[int]]:
    """The join with the entries of a kind at a moment, and their numbers."""
    # As the condition of their index says it; outer, so that SQLite does not begin with all entries of the kind.
    indexed = entry.c.kind.in_([literal_column(f"'{one}'") for one in ("hold", "shipment", "catalogue")])
    this = and_(entry.c.kind == literal_column(f"'{kind}'"), entry.c.outcome == "recorded")
    rows, e = looked_up(dialect, rows, entry, and_(indexed, this, entry.c.occurred_at == moment), "id", outer=True)
    return rows, e.c.id


# -- what the rows are about that facts name by number


_NUMBERED: Mapping[str, TypeEngine[Any]] = {
    "item_id": BigId,
    "other_id": BigId,
    "position": Text(),
    "slot": Integer(),
    "code": Text(),
    "at": BigId,
}


def rows_by_number(connection: Connection, numbers: Sequence[int]) -> dict[int, Row[Any]]:
    """Marriages, removals, loadings, test runs, holds, lines of shipments, what cases list: of which items, where."""
    found = connection.execute(_rows_by_number(dialect_of(connection)), value_parameters(connection, numbers))
    return {row.id: row for row in found}


@cache
def _rows_by_number(dialect: Dialect) -> CompoundSelect[Any]:
    tables = (marriage, removal, loading, test_run, hold, shipment_line, case_item)
    m, r, ld, t, h, line, listed = (table.c for table in tables)

    def numbered(what: str, table: FromClause, number: ColumnElement[Any], **columns: Any) -> Select[Any]:
        filled = (columns.get(name, cast(null(), kind)).label(name) for name, kind in _NUMBERED.items())
        head = (literal_column(f"'{what}'", Text()).label("what"), number.label("id"))
        return select(*head, *filled).select_from(table).where(among_values(dialect, number))

    use = {"position": point_of_use.c.position, "code": point_of_use.c.scan_point}
    at_point = loading.join(point_of_use, point_of_use.c.id == ld.point_of_use_id)
    on_shipment = shipment_line.join(shipment, shipment.c.id == line.shipment_id)
    in_case = case_item.join(containment_case, containment_case.c.id == listed.case_id)
    of_marriage = {"item_id": m.child_id, "other_id": m.parent_id, "position": m.position, "slot": m.slot}
    of_removal = {"item_id": r.child_id, "other_id": r.parent_id, "position": r.position, "at": r.occurred_at}
    return union_all(
        numbered("marriage", marriage, m.id, **of_marriage, at=m.started),
        numbered("removal", removal, r.id, **of_removal),
        numbered("loading", at_point, ld.id, item_id=ld.lot_id, at=ld.loaded_at, **use),
        numbered("test run", test_run, t.id, item_id=t.item_id, code=t.plan, at=t.occurred_at),
        numbered("hold", hold, h.id, item_id=h.item_id, at=h.placed_at),
        numbered("line", on_shipment, line.id, item_id=line.item_id, code=shipment.c.code, at=line.loaded_at),
        numbered("listed", in_case, listed.id, item_id=listed.item_id, code=containment_case.c.code),
    )


def draws_of(connection: Connection, numbers: Sequence[int]) -> Sequence[Row[Any]]:
    """When items took pieces from what was loaded, and at which points of use."""
    return connection.execute(_draws(dialect_of(connection)), value_parameters(connection, numbers)).all()


@cache
def _draws(dialect: Dialect) -> Select[Any]:
    drawn = select(point_of_use.c.scan_point, point_of_use.c.position, marriage.c.started)
    rows = drawn.join_from(marriage, point_of_use, point_of_use.c.id == marriage.c.point_of_use_id)
    return rows.where(among_values(dialect, marriage.c.parent_id))


def shipments_of(connection: Connection, numbers: Sequence[int]) -> Sequence[str]:
    """The codes of the shipments that items are or were on."""
    return connection.scalars(_shipments(dialect_of(connection)), value_parameters(connection, numbers)).all()


@cache
def _shipments(dialect: Dialect) -> Select[Any]:
    on = select(shipment.c.code).join_from(shipment_line, shipment, shipment.c.id == shipment_line.c.shipment_id)
    return on.where(among_values(dialect, shipment_line.c.item_id)).distinct()


def corrections_of(connection: Connection, numbers: Sequence[int]) -> Sequence[Row[Any]]:
    """The corrections of some rows."""
    return connection.execute(_corrections(dialect_of(connection)), value_parameters(connection, numbers)).all()


@cache
def _corrections(dialect: Dialect) -> Select[Any]:
    return select(correction).where(among_values(dialect, correction.c.wrong_id)).order_by(correction.c.id)
