"""The mass balance of lots and containers: where the pieces went that were received, as the books are now.

Every number is the sum of the records behind it; what no record says is by difference, so that a balance closes to the
piece. What is read grows with the records of the lots that are asked for.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from heapq import merge
from operator import attrgetter
from typing import Any, Final, Literal, NamedTuple, get_args

from sqlalchemy import (
    Boolean,
    ColumnElement,
    Connection,
    Row,
    Select,
    Subquery,
    and_,
    cast,
    func,
    literal,
    not_,
    null,
    select,
    union_all,
)

from partkin.rules.moments import FOREVER, Moment
from partkin.store.column_types import BigId, Code
from partkin.store.dialects import Dialect, among, among_values, dialect_of, given, value_parameters
from partkin.store.genealogy.exposure import CHUNK
from partkin.store.genealogy.lot_changes import Doubts, lots_in_doubt
from partkin.store.tables import (
    disposition,
    entry,
    item,
    loading,
    marriage,
    part,
    receipt,
    received_item,
    removal,
    stock_count,
    transfer,
)

Bucket = Literal[
    "received",
    "in_units_certain",
    "in_units_possible",
    "in_containers",
    "scrapped",
    "returned",
    "in_analysis",
    "in_stock",
    "unaccounted",
    "possibly_elsewhere",
]
BUCKETS: Final[tuple[Bucket, ...]] = get_args(Bucket)
"""`received` is the sum of the others but the last, which are pieces booked on other lots."""

LeadKind = Literal["left over differs", "no lot known", "may be of this lot", "told late"]
"""Counted pieces of a container that were neither drawn nor returned; pieces drawn where it had been the last lot up;
draws booked on another lot; dispositions and removals from before the last count that were recorded after it."""

RecordKind = Literal[
    "receipt", "transfer", "marriage", "removal", "disposition", "item", "stock-count", "difference", "loading"
]


@dataclass(frozen=True, slots=True)
class Balance:
    """The mass balance of a lot or container, in pieces: `received` is the sum of all others but the last."""

    received: int
    in_units_certain: int
    in_units_possible: int
    """In a unit, a subassembly or a box, but the records cannot tell whether they are of this lot."""
    in_containers: int
    """Moved into containers with their own labels."""
    scrapped: int
    returned: int
    """Sent back to the supplier."""
    in_analysis: int
    in_stock: int
    """As counted, and what went and came since then; by difference where it was never counted."""
    unaccounted: int
    """Fewer than none: more was used than was received."""
    counted_at: Moment | None
    """None: nobody counted the stock."""
    possibly_elsewhere: int
    """Booked on other lots, but possibly of this one."""

    @property
    def lines(self) -> dict[Bucket, int]:
        """The pieces in each bucket, in the order in which a balance is written."""
        return {bucket: getattr(self, bucket) for bucket in BUCKETS}


class Booked(NamedTuple):
    """Pieces that one record puts into a bucket of a lot's balance, or that one lead is about."""

    under: Bucket | LeadKind
    record: RecordKind
    number: int | None
    """None: the record is a difference."""
    pieces: int
    at: Moment | None
    item: int | None
    """The lot, a serial item of it, or the lot that was booked instead."""
    other: int | None
    """The unit, or the container or lot, that it went into or came out of."""


class Standing(NamedTuple):
    """The marriages of some lots, so that a balance needs only a sum of most."""

    pieces: Mapping[int, int]
    """Of each lot, in marriages that stand and are certain."""
    others: Sequence[int]
    """Numbers of its other marriages."""


Stands = Callable[[Sequence[int], Collection[int]], Standing]
"""What stands of some lots, leaving out the marriages that are in doubt."""


def balances(connection: Connection, lots: Sequence[int], stands: Stands | None = None) -> dict[int, Balance]:
    """The mass balances of lots and containers, by their numbers; `stands` is asked in place of the store."""
    found = {}
    for lot, ledger in _ledgers(connection, lots, stands, summed=True):
        pieces: Counter[str] = Counter()
        for booked in ledger.records():
            pieces[booked.under] += booked.pieces
        counted = ledger.count
        found[lot] = Balance(
            **{bucket: pieces[bucket] for bucket in BUCKETS}, counted_at=None if counted is None else counted.at
        )
    return found


def records(connection: Connection, lot: int) -> Iterator[Booked]:
    """The records behind each number of a lot's balance; they add up to it."""
    for _, ledger in _ledgers(connection, [lot]):
        yield from ledger.records()


def leads(connection: Connection, lot: int) -> Iterator[Booked]:
    """Where pieces that are unaccounted for may be."""
    yield from _left_over(connection, lot)
    yield from _drawn_unknown(connection, lot)
    for _, ledger in _ledgers(connection, [lot]):
        yield from ledger.elsewhere("may be of this lot")
        yield from ledger.told_late()


def scan_points_of(connection: Connection, entries: Sequence[int]) -> dict[int, str | None]:
    """Where journal entries were posted from, by their numbers; None where they name no scan point."""
    query = _scan_points(dialect_of(connection))
    return {row.id: row.scan_point for row in connection.execute(query, value_parameters(connection, entries))}


@cache
def _scan_points(dialect: Dialect) -> Select[Any]:
    return select(entry.c.id, entry.c.scan_point).where(among_values(dialect, entry.c.id))


# -- what the books say


def _ledgers(
    connection: Connection, lots: Sequence[int], stands: Stands | None = None, *, summed: bool = False
) -> Iterator[tuple[int, _Ledger]]:
    """The books of each lot; with `summed`, marriages that only their sum is needed of are one row.

    Else these, of which there can be very many, are read when they are asked for.
    """
    if not lots:
        return
    doubts = lots_in_doubt(connection, given(connection, "balanced", {"id": (BigId, lots)}))
    of_lots, plain = among_values(dialect_of(connection), marriage.c.child_id), _is_plain(connection, doubts)
    others = (_married().where(of_lots, not_(plain)),)
    rows = _told(connection, lots, _marriages(connection, lots, doubts, stands) if summed else others)
    ends = _ends(connection, lots, [row for of_lot in rows.values() for row in of_lot if _has_ended(row)])
    in_doubt = _drawn_of_others(connection, doubts)
    for lot, by_items in _by_items(connection, lots).items():
        elsewhere = [row for row in in_doubt if row.lot != lot and lot in doubts[row.number]]
        counts = (row for row in rows[lot] if row.what == "stock-count")
        count = max(counts, key=attrgetter("at", "number"), default=None)
        standing = () if summed else _plain_marriages(connection, lot, doubts)
        yield lot, _Ledger(lot, by_items, rows[lot], standing, count, doubts, ends, elsewhere)


def _told(
    connection: Connection, lots: Sequence[int], marriages: Sequence[Select[*tuple[Any, ...]]]
) -> Mapping[int, Sequence[Row[Any]]]:
    """What the books say of lots: `what`, `number`, `pieces`, `at`, and what else that has."""
    found: dict[int, list[Row[Any]]] = defaultdict(list)
    query = union_all(*_but_marriages(dialect_of(connection)), *marriages)
    for row in connection.execute(query, value_parameters(connection, lots)):
        found[row.lot].append(row)
    return found


def _is_plain(connection: Connection, doubts: Doubts) -> ColumnElement[bool]:
    """Whether a marriage certainly stands, of a lot that was never counted."""
    m = marriage.c
    counted = select(stock_count.c.id).where(stock_count.c.item_id == m.child_id).exists()
    plain = and_(m.ended == FOREVER, not_(m.disputed), not_(counted))
    return and_(plain, not_(among(connection, m.id, sorted(doubts)))) if doubts else plain


def _plain_marriages(connection: Connection, lot: int, doubts: Doubts) -> Iterator[Row[Any]]:
    """Those of a lot, in order of time and number."""
    m = marriage.c
    query = _married().where(m.child_id == lot, _is_plain(connection, doubts)).order_by(m.started, m.id)
    yield from connection.execute(query.execution_options(yield_per=CHUNK))


def _marriages(
    connection: Connection, lots: Sequence[int], doubts: Doubts, stands: Stands | None
) -> Sequence[Select[*tuple[Any, ...]]]:
    """Marriages of lots; certain ones that stand, of lots that were never counted, as one row."""
    if stands is None:
        return _summed(among_values(dialect_of(connection), marriage.c.child_id), _is_plain(connection, doubts))
    t = stock_count.c
    counted = set(connection.scalars(select(t.item_id).where(among(connection, t.item_id, lots))))
    summed = stands([lot for lot in lots if lot not in counted], doubts)
    sums = given(
        connection,
        "sums",
        {"lot": (BigId, list(summed.pieces)), "pieces": (BigId, list(summed.pieces.values()))},
    )
    return (
        _sum(sums.c.lot, sums.c.pieces).select_from(sums),
        _married().where(among(connection, marriage.c.id, summed.others)),
        _married().where(among(connection, marriage.c.child_id, sorted(counted))),
    )


def _sum(lot: ColumnElement[Any], pieces: ColumnElement[int]) -> Select[*tuple[Any, ...]]:
    ended, disputed = literal(FOREVER, BigId), literal(False, Boolean)
    return _record("marriage", lot, literal(0), pieces, literal(0), ended=ended, disputed=disputed)


def _summed(of_lots: ColumnElement[bool], plain: ColumnElement[bool]) -> Sequence[Select[*tuple[Any, ...]]]:
    m = marriage.c
    pieces = _sum(m.child_id, func.sum(m.quantity))
    return (
        _married().where(of_lots, not_(plain)),
        pieces.where(of_lots, not_(m.wrong), plain).group_by(m.child_id),
    )


@cache
def _but_marriages(dialect: Dialect) -> Sequence[Select[*tuple[Any, ...]]]:
    t, d, c = transfer.c, disposition.c, stock_count.c
    disposed = _record("disposition", d.item_id, d.id, d.quantity, d.occurred_at, said=d.destination)
    return (
        *_received(dialect),
        _record("transfer in", t.target_id, t.id, t.quantity, t.occurred_at, other=t.source_id).where(
            among_values(dialect, t.target_id)
        ),
        _record("transfer out", t.source_id, t.id, t.quantity, t.occurred_at, other=t.target_id).where(
            among_values(dialect, t.source_id)
        ),
        disposed.where(among_values(dialect, d.item_id), d.quantity.is_not(None)),
        _serial_items(dialect),
        _record("stock-count", c.item_id, c.id, c.quantity, c.occurred_at).where(among_values(dialect, c.item_id)),
    )


def _record(
    what: str,
    lot: ColumnElement[int] | ColumnElement[int | None],
    number: ColumnElement[int],
    pieces: ColumnElement[int] | ColumnElement[int | None],
    at: ColumnElement[int],
    *,
    of_item: ColumnElement[int] | None = None,
    other: ColumnElement[int] | None = None,
    said: ColumnElement[str] | None = None,
    ended: ColumnElement[int] | None = None,
    disputed: ColumnElement[bool] | None = None,
) -> Select[*tuple[Any, ...]]:
    return select(
        literal(what).label("what"),
        lot.label("lot"),
        number.label("number"),
        cast(pieces, BigId).label("pieces"),
        at.label("at"),
        (lot if of_item is None else of_item).label("item"),
        (cast(null(), BigId) if other is None else other).label("other"),
        (cast(null(), Code) if said is None else said).label("said"),
        (cast(null(), BigId) if ended is None else ended).label("ended"),
        (cast(null(), Boolean) if disputed is None else disputed).label("disputed"),
    )


def _received(dialect: Dialect) -> Sequence[Select[*tuple[Any, ...]]]:
    """Receipts of pieces without serial numbers; and each serial item once, by the first receipt that it came with."""
    r, named = receipt.c, received_item.c
    numbered = select(named.item_id).where(named.receipt_id == r.id).exists()
    came = _came(dialect)
    plain = _record("receipt", r.lot_id, r.id, r.quantity, r.received_at)
    return (
        plain.where(among_values(dialect, r.lot_id), not_(numbered)),
        _record("receipt", came.c.lot, came.c.receipt, literal(1), came.c.at, of_item=came.c.item).where(
            came.c.place == 1
        ),
    )


def _came(dialect: Dialect) -> Subquery:
    """Serial items of receipts of a lot, and those that belong to it with whatever receipt: the first has `place` 1."""
    r, i, named = receipt.c, item.c, received_item.c
    by_receipt = (
        select(r.lot_id.label("lot"), named.item_id.label("item"), r.id.label("receipt"), r.received_at.label("at"))
        .join_from(receipt, received_item, named.receipt_id == r.id)
        .where(among_values(dialect, r.lot_id))
    )
    by_label = (
        select(i.lot_id, i.id, r.id, r.received_at)
        .join_from(item, received_item, named.item_id == i.id)
        .join(receipt, r.id == named.receipt_id)
        .where(among_values(dialect, i.lot_id))
    )
    every = by_receipt.union_all(by_label).subquery("every_receipt")
    earliest = func.row_number().over(partition_by=(every.c.lot, every.c.item), order_by=(every.c.at, every.c.receipt))
    return select(every, earliest.label("place")).subquery("came")


def _married() -> Select[*tuple[Any, ...]]:
    m = marriage.c
    times = {"ended": m.ended, "disputed": m.disputed}
    found = _record("marriage", m.child_id, m.id, m.quantity, m.started, other=m.parent_id, said=m.position, **times)
    return found.where(not_(m.wrong))


def _serial_items(dialect: Dialect) -> Select[*tuple[Any, ...]]:
    """The serial items of lots: the marriage in which each stands, else the item itself, and its state."""
    m, i = marriage.c, item.c
    stands = and_(m.child_id == i.id, m.ended == FOREVER, not_(m.disputed))
    number = func.coalesce(m.id, i.id)
    found = _record("item", i.lot_id, number, literal(1), m.started, of_item=i.id, other=m.parent_id, said=i.state)
    return found.join_from(item, marriage, stands, isouter=True).where(among_values(dialect, i.lot_id))


def _by_items(connection: Connection, lots: Sequence[int]) -> dict[int, bool]:
    """Whether the pieces of each lot have serial numbers, so that its stock is known by them."""
    query = (
        select(item.c.id, part.c.trace).join(part, part.c.part == item.c.part).where(among(connection, item.c.id, lots))
    )
    return {row.id: row.trace == "serial" for row in connection.execute(query)}


def _drawn_of_others(connection: Connection, doubts: Doubts) -> Sequence[Row[Any]]:
    """The draws that may be of several lots, as they are booked."""
    if not doubts:
        return ()
    m = marriage.c
    query = _married().where(among(connection, m.id, sorted(doubts)), m.child_id.is_not(None))
    return connection.execute(query.order_by(m.started, m.id)).all()


# -- where pieces went that were taken out


class _End(NamedTuple):
    """The removal that ended a marriage."""

    number: int
    destination: str


def _has_ended(row: Row[Any]) -> bool:
    return bool(row.what == "marriage" and row.ended != FOREVER)


def _ends(connection: Connection, lots: Sequence[int], ended: Sequence[Row[Any]]) -> Mapping[int, _End]:
    """By marriage the removal that ended it.

    A draw booked anew, or a corrected marriage, is ended by a removal that names the lot or the unit of before.
    """
    removals: dict[tuple[str, int, Moment], list[Row[Any]]] = defaultdict(list)
    for row in _removals(connection, lots, sorted({row.other for row in ended})) if ended else ():
        removals["parent", row.parent_id, row.occurred_at].append(row)
        removals["child", row.child_id, row.occurred_at].append(row)
    ends = {}
    for row in ended:
        near = (removals["parent", row.other, row.ended], removals["child", row.lot, row.ended])
        fitting = next(filter(None, ([one for one in some if one.position in (None, row.said)] for some in near)), ())
        if fitting:
            first = min(fitting, key=lambda one: (one.child_id != row.lot, one.id))
            ends[row.number] = _End(first.id, first.destination)
    return ends


def _removals(connection: Connection, lots: Sequence[int], parents: Sequence[int]) -> Sequence[Row[Any]]:
    """What was said to come out of what held the lots, and of these lots from anywhere."""
    r, parts = removal.c, select(item.c.part).where(among(connection, item.c.id, lots))
    found = select(r.id, r.parent_id, r.child_id, r.position, r.occurred_at, r.destination).where(not_(r.wrong))
    from_parents = found.join(item, item.c.id == r.child_id).where(
        among(connection, r.parent_id, parents), item.c.part.in_(parts), not_(among(connection, r.child_id, lots))
    )
    return connection.execute(union_all(found.where(among(connection, r.child_id, lots)), from_parents)).all()


# -- the balance of one lot

_GONE: Final[Mapping[str, Bucket]] = {
    "scrap": "scrapped",
    "scrapped": "scrapped",
    "supplier": "returned",
    "returned": "returned",
    "failure analysis": "in_analysis",
    "in analysis": "in_analysis",
}
"""By the destination of pieces, or by the state of a serial item."""

_IN_STOCK: Final = frozenset({"usable", "in work"})


class _Went(NamedTuple):
    """Pieces that went out of stock to a destination, or came back."""

    at: Moment
    number: int
    record: RecordKind
    destination: str
    pieces: int
    other: int | None


@dataclass(frozen=True, slots=True)
class _Ledger:
    """All that the books say of one lot."""

    lot: int
    by_items: bool
    rows: Sequence[Row[Any]]
    plain: Iterable[Row[Any]]
    """Marriages that are not among the rows, as they certainly stand, in order; read once."""
    count: Row[Any] | None
    """The last count of its stock."""
    doubts: Doubts
    ends: Mapping[int, _End]
    others: Sequence[Row[Any]]
    """Draws booked on other lots that may be of this one."""

    def records(self) -> Iterator[Booked]:
        """What is booked, and the differences that close the balance."""
        pieces: Counter[str] = Counter()
        for booked in self._booked():
            pieces[booked.under] += booked.pieces
            yield booked
        rest = pieces.pop("received", 0) - pieces.total()
        if rest:
            by_books = self.count is None and not self.by_items
            under: Bucket = "in_stock" if by_books else "unaccounted"
            yield Booked(under, "difference", None, rest, None, self.lot, None)
        yield from self.elsewhere("possibly_elsewhere")

    def _booked(self) -> Iterator[Booked]:
        for row in merge(sorted(self.rows, key=_in_order), self.plain, key=_in_order):
            match row.what:
                case "receipt":
                    yield from self._moved(row, "received", "receipt", 1)
                case "transfer in":
                    yield from self._moved(row, "received", "transfer", 1)
                case "transfer out":
                    yield from self._moved(row, "in_containers", "transfer", -1)
                case "item":
                    yield from self._serial_item(row)
                case "marriage":
                    yield from self._marriage(row)
        yield from self._gone()
        if (count := self.count) is not None:
            yield Booked("in_stock", "stock-count", count.number, count.pieces, count.at, self.lot, None)

    def _since_count(self, at: Moment, number: int) -> bool:
        """Whether something happened after the last count, so that what was counted is no longer what is there."""
        return self.count is not None and (at, number) > (self.count.at, self.count.number)

    def _stock(self, record: RecordKind, number: int, pieces: int, at: Moment, other: int | None) -> Iterator[Booked]:
        if self._since_count(at, number):
            yield Booked("in_stock", record, number, pieces, at, self.lot, other)

    def _moved(self, row: Row[Any], bucket: Bucket, record: RecordKind, sign: int) -> Iterator[Booked]:
        yield Booked(bucket, record, row.number, row.pieces, row.at, row.item, row.other)
        yield from self._stock(record, row.number, sign * row.pieces, row.at, row.other)

    def _serial_item(self, row: Row[Any]) -> Iterator[Booked]:
        if row.other is not None:
            yield Booked("in_units_certain", "marriage", row.number, 1, row.at, row.item, row.other)
        elif row.said in _GONE:
            yield Booked(_GONE[row.said], "item", row.number, 1, None, row.item, None)
        elif row.said in _IN_STOCK:
            yield Booked("in_stock", "item", row.number, 1, None, row.item, None)

    def _marriage(self, row: Row[Any]) -> Iterator[Booked]:
        end = self._end(row)
        if not _has_ended(row):
            possible = row.disputed or row.number in self.doubts
            bucket: Bucket = "in_units_possible" if possible else "in_units_certain"
            yield Booked(bucket, "marriage", row.number, row.pieces, row.at, row.item, row.other)
        elif end.destination == "stock":
            yield from self._stock("removal", end.number, row.pieces, row.ended, row.other)
        yield from self._stock("marriage", row.number, -row.pieces, row.at, row.other)

    def _end(self, row: Row[Any]) -> _End:
        """What a carton or unit gave back without a removal is in stock."""
        return self.ends.get(row.number) or _End(row.number, "stock")

    def _gone(self) -> Iterator[Booked]:
        """What went to scrap, supplier and failure analysis; what is taken back to stock is what went last."""
        out: list[tuple[Bucket, int]] = []
        for went in sorted(self._went()):
            if went.destination != "stock":
                out.append((_GONE[went.destination], went.pieces))
                back = [out[-1]]
            else:
                back = [(bucket, -pieces) for bucket, pieces in _taken_back(out, went.pieces)]
            for bucket, pieces in back:
                yield Booked(bucket, went.record, went.number, pieces, went.at, self.lot, went.other)
            if went.record == "disposition":
                sign = 1 if went.destination == "stock" else -1
                yield from self._stock("disposition", went.number, sign * went.pieces, went.at, None)

    def _went(self) -> Iterator[_Went]:
        for row in self.rows:
            if row.what == "disposition":
                yield _Went(row.at, row.number, "disposition", row.said, row.pieces, None)
            elif _has_ended(row) and (end := self._end(row)).destination != "stock":
                yield _Went(row.ended, end.number, "removal", end.destination, row.pieces, row.other)

    # -- leads

    def elsewhere(self, under: Bucket | LeadKind) -> Iterator[Booked]:
        """Draws booked on other lots that may be of this one."""
        for row in self.others:
            yield Booked(under, "marriage", row.number, row.pieces, row.at, row.lot, row.other)

    def told_late(self) -> Iterator[Booked]:
        """Dispositions and removals from before the last count that were recorded after it."""
        count = self.count
        if count is None:
            return
        removed = (
            _Went(row.ended, end.number, "removal", end.destination, row.pieces, row.other)
            for row in self.rows
            if _has_ended(row) and (end := self.ends.get(row.number)) is not None
        )
        disposed = (went for went in self._went() if went.record == "disposition")
        for went in sorted((*removed, *disposed)):
            if went.at < count.at and went.number > count.number:
                yield Booked("told late", went.record, went.number, went.pieces, went.at, self.lot, went.other)


def _in_order(row: Row[Any]) -> tuple[Moment, int]:
    return row.at or 0, row.number


def _taken_back(out: list[tuple[Bucket, int]], pieces: int) -> Iterator[tuple[Bucket, int]]:
    """From where pieces came back, newest first; what never went out is taken from the scrapped."""
    while pieces and out:
        bucket, went = out.pop()
        taken = min(went, pieces)
        if went > taken:
            out.append((bucket, went - taken))
        pieces -= taken
        yield bucket, taken
    if pieces:
        yield "scrapped", pieces


# -- leads


def _left_over(connection: Connection, lot: int) -> Iterator[Booked]:
    """Counted containers of a lot that were taken down with other pieces left than were returned."""
    t = loading.c
    missing = (t.quantity - t.drawn - func.coalesce(t.returned, 0)).label("missing")
    query = (
        select(t.id, t.unloaded_at, missing)
        .where(t.lot_id == lot, t.unloaded_at < FOREVER, t.loaded_at < t.unloaded_at, t.quantity.is_not(None))
        .order_by(t.unloaded_at, t.id)
    )
    for number, at, pieces in connection.execute(query).all():
        if pieces:
            yield Booked("left over differs", "loading", number, pieces, at, lot, None)


def _drawn_unknown(connection: Connection, lot: int) -> Iterator[Booked]:
    """Pieces drawn while nothing was known to be up, where this was the last lot before."""
    t, m, later = loading.c, marriage.c, loading.alias("later")
    # While any lot is up, nothing is drawn of none: the first lot to be taken down after this one bounds the time.
    following = (
        select(later.c.loaded_at)
        .where(
            later.c.point_of_use_id == t.point_of_use_id,
            later.c.unloaded_at > t.unloaded_at,
            later.c.loaded_at < later.c.unloaded_at,
            later.c.lot_id.is_not(None),
        )
        .order_by(later.c.unloaded_at)
        .limit(1)
        .scalar_subquery()
    )
    query = (
        select(m.id, m.started, m.quantity, m.parent_id)
        .distinct()
        .join_from(loading, marriage, m.point_of_use_id == t.point_of_use_id)
        .where(t.lot_id == lot, t.loaded_at < t.unloaded_at, t.unloaded_at < FOREVER)
        .where(m.child_id.is_(None), m.started >= t.unloaded_at, m.started < func.coalesce(following, FOREVER))
        .order_by(m.started, m.id)
    )
    for number, at, pieces, parent in connection.execute(query).all():
        yield Booked("no lot known", "marriage", number, pieces, at, None, parent)
