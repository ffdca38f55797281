"""What is known: fetched for a whole batch of messages, and locked in one order.

Locks: serial items by number, then points of use, shared lots, orders, shipments, number counters, containment cases.
Every process keeps this order, so nobody waits in a circle. On SQLite the write transaction itself is the lock.
"""

from __future__ import annotations

import secrets
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import nullcontext
from dataclasses import dataclass, field
from functools import cache
from itertools import islice
from typing import Any, NamedTuple, TypeVar

from sqlalchemy import BindParameter, Column, ColumnElement, Connection, Select, Table, and_, bindparam, func, select

from partkin.rules.catalogue import Catalogue, Numbering
from partkin.rules.facts import ItemKey
from partkin.rules.known import FreeNumber, Known
from partkin.rules.moments import FOREVER
from partkin.rules.numbering import capacity, number, random_body, running_body
from partkin.rules.reading import Wanted
from partkin.rules.rows import (
    CalibrationRow,
    CaseDecisionRow,
    CaseItemRow,
    CaseRow,
    CheckPlanRow,
    HoldRow,
    InspectionRow,
    IssuedNumberRow,
    ItemRow,
    LabelPrintRow,
    LoadingRow,
    MarriageRow,
    MeasurementRow,
    NoticeRow,
    NumberCounterRow,
    OrderRow,
    PointOfUseRow,
    RemovalRow,
    Row,
    ShipmentLineRow,
    ShipmentRow,
    SortingItemRow,
    SortingRow,
    StaleRow,
    TestAttachmentRow,
    TestRunRow,
    TransferRow,
    VisitRow,
)
from partkin.store.column_types import BigId, Code
from partkin.store.database import together
from partkin.store.dialects import (
    Dialect,
    among_values,
    dialect_of,
    for_update,
    given_rows,
    row_parameters,
    value_parameters,
)
from partkin.store.errors import ChangedMeanwhile
from partkin.store.statements import Query
from partkin.store.tables import (
    attachment,
    build_order,
    calibration,
    case_decision,
    case_item,
    case_notice,
    check_plan,
    containment_case,
    hold,
    inspection,
    issued_number,
    item,
    label_print,
    loading,
    marriage,
    measurement,
    number_counter,
    point_of_use,
    removal,
    shipment,
    shipment_line,
    sorting,
    sorting_item,
    stale,
    test_attachment,
    test_run,
    transfer,
    visit,
)

AnyRow = TypeVar("AnyRow", bound=Row)
Selection = Select[*tuple[Any, ...]]

_MOST_GUESSES = 100_000
"""Random numbers tried in one batch: where that does not find enough, the scheme is as good as used up."""

_MOST_AT_ONCE = 10_000
"""Numbers that are looked up by one statement."""

_SPARE_ORDERS = 8
"""Open orders of a line that are looked at beyond those of the units that start: some name another part."""


def fetch_known(
    connection: Connection,
    wanted: Wanted,
    catalogue: Catalogue,
    *,
    lock: bool = True,
    ask_too: Callable[[Known], None] | None = None,
) -> Known:
    """All rows that judging may look at; locked, unless nothing will be written.

    `ask_too` asks something `together` with what is read after all locks are taken.

    Raises ChangedMeanwhile where what was found and what could be locked differ: it may be tried again.
    """
    return _Fetch(connection, wanted, catalogue, lock, ask_too).all()


class _Queries:
    """The statements, made once for each engine: making them anew for every batch would cost more than asking them.

    Each finds the rows of some values; `since` is the moment from which on things matter.
    """

    def __init__(self, dialect: Dialect, *, lock: bool) -> None:
        def made(selection: Selection, locked: Table | None = None) -> Query:
            return Query(dialect, for_update(dialect, selection, locked) if lock and locked is not None else selection)

        def found(column: Column[Any], *conditions: ColumnElement[bool]) -> Selection:
            return select(column.table).where(among_values(dialect, column), *conditions)

        def of(column: Column[Any], *conditions: ColumnElement[bool]) -> Query:
            return made(found(column, *conditions))

        def locked(column: Column[Any], order: Column[Any]) -> Query:
            return made(found(column).order_by(order), column.table)

        def keys(named: Column[Any], other: Column[Any], *names: str) -> Selection:
            wanted = given_rows(dialect, "wanted", dict.fromkeys(names, Code))
            same = and_(*(named.table.c[name] == wanted.c[name] for name in names))
            return select(named.table).join(wanted, same).order_by(other)

        since: BindParameter[int] = bindparam("since")
        items_of_keys = keys(item.c.part, item.c.id, "part", "kind", "code")
        self.items_of_keys = made(items_of_keys)
        self.items_of_keys_locked = made(items_of_keys, item)
        self.items = of(item.c.id)
        self.items_locked = locked(item.c.id, item.c.id)
        self.points_of_use = of(point_of_use.c.id)
        self.points_of_use_locked = locked(point_of_use.c.scan_point, point_of_use.c.id)
        counters = keys(number_counter.c.scheme, number_counter.c.scheme, "scheme", "period")
        self.counters_locked = made(counters.order_by(number_counter.c.period), number_counter)
        self.issued = made(keys(issued_number.c.scheme, issued_number.c.number, "scheme", "number"))
        at_points = select(point_of_use.c.id).where(among_values(dialect, point_of_use.c.scan_point))
        up = (loading.c.point_of_use_id.in_(at_points), loading.c.unloaded_at >= since)
        with_lots = select(loading, item).join(item, item.c.id == loading.c.lot_id, isouter=True)
        self.loadings_with_lots = made(with_lots.where(*up))
        self.loading = of(loading.c.id)
        self.draws = of(marriage.c.point_of_use_id, marriage.c.started >= since)
        self.marriages = of(marriage.c.id)
        self.content = of(marriage.c.parent_id, marriage.c.ended >= since)
        self.all_content = of(marriage.c.parent_id)
        self.standing_content = of(marriage.c.parent_id, marriage.c.ended == FOREVER)
        self.holders = of(marriage.c.child_id)
        self.transfers = of(transfer.c.target_id)
        self.pieces_in = made(
            select(marriage.c.child_id, func.sum(marriage.c.quantity))
            .where(among_values(dialect, marriage.c.child_id), marriage.c.ended == FOREVER)
            .group_by(marriage.c.child_id)
        )
        self.open_holds = of(hold.c.item_id, hold.c.released_at == FOREVER)
        self.holds = of(hold.c.id)
        self.removals = of(removal.c.id)
        self.runs = of(test_run.c.id)
        self.measurements = of(measurement.c.test_run_id)
        self.attachments_of = of(test_attachment.c.test_run_id)
        self.of_items: tuple[tuple[type[Row], Query], ...] = (
            (RemovalRow, of(removal.c.parent_id)),
            (VisitRow, of(visit.c.item_id)),
            (TestRunRow, of(test_run.c.item_id)),
            (StaleRow, of(stale.c.item_id)),
        )
        self.calibrations = of(calibration.c.instrument)
        self.attachments = made(select(attachment.c.sha256).where(among_values(dialect, attachment.c.sha256)))
        self.prints = of(label_print.c.item_id)
        self.orders_locked = locked(build_order.c.code, build_order.c.id)
        self.orders = of(build_order.c.id)
        self.orders_of_serials = made(keys(build_order.c.part, build_order.c.id, "part", "serial"))
        self.open_orders = made(
            found(build_order.c.line, build_order.c.started < build_order.c.quantity)
            .order_by(build_order.c.sequence, build_order.c.code)
            .limit(bindparam("most", type_=BigId))
        )
        self.shipments_locked = locked(shipment.c.code, shipment.c.id)
        self.shipments = of(shipment.c.id)
        self.shipment_lines = of(shipment_line.c.id)
        self.lines = of(shipment_line.c.shipment_id)
        self.lines_with = of(shipment_line.c.item_id)
        self.cases_locked = locked(containment_case.c.code, containment_case.c.id)
        self.frozen_cases = made(select(containment_case).where(containment_case.c.status == "frozen"))
        self.listed = of(case_item.c.item_id)
        self.case_items = of(case_item.c.id)
        self.decisions = of(case_decision.c.id)
        self.sortings = of(sorting.c.code)
        self.drawn = of(sorting_item.c.sorting_id)
        self.inspections = of(inspection.c.sorting_id)
        self.notices = of(case_notice.c.case_id)
        self.check_plans = of(check_plan.c.case_id)
        self.watched_points = made(
            select(loading.c.point_of_use_id)
            .distinct()
            .join(case_item, case_item.c.item_id == loading.c.lot_id)
            .join(containment_case, containment_case.c.id == case_item.c.case_id)
            .where(
                among_values(dialect, loading.c.point_of_use_id),
                containment_case.c.status == "frozen",
                case_item.c.dropped_in.is_(None),
            )
        )


_queries = cache(_Queries)


_LOADING = len(loading.c)


def _loading_with_lot(*row: Any) -> tuple[LoadingRow, ItemRow | None]:
    return LoadingRow(*row[:_LOADING]), None if row[_LOADING] is None else ItemRow(*row[_LOADING:])


class _Question(NamedTuple):
    kind: Callable[..., Any]
    """Makes something of a row."""
    query: Query
    parameters: Mapping[str, Any] | None
    """None where it is not worth asking, as there is nothing to find."""


@dataclass(slots=True)
class _Fetch:
    connection: Connection
    wanted: Wanted
    catalogue: Catalogue
    lock: bool
    ask_too: Callable[[Known], None] | None
    known: Known = field(default_factory=Known)
    traced: set[int] = field(default_factory=set)
    """Lots of which it was asked what went into them."""
    leaving: set[int] = field(default_factory=set)
    """What is on shipments that are despatched: whoever stops any of it is waited for, or waits."""

    def all(self) -> Known:
        self._widen()
        serials, lots = self._serials_and_points_of_use()
        self._draws()
        lots = self._lots(lots)
        self._orders()
        self._shipments()
        self._numbers()
        self._cases()
        self._marriages({row.id for row in serials}, {row.id for row in lots})
        self._names()
        self._about_items()
        self._about_tests()
        self._about_cases()
        return self.known

    # -- the ways to ask

    @property
    def _ask(self) -> _Queries:
        return _queries(dialect_of(self.connection), lock=self.lock)

    def _of(self, kind: Callable[..., Any], query: Query, values: Iterable[Any], **more: int) -> _Question:
        asked = sorted(set(values))
        if not asked:
            return _Question(kind, query, None)
        parameters = {**value_parameters(self.connection, asked), "since": self.wanted.since, **more}
        return _Question(kind, query, parameters)

    def _of_keys(
        self, kind: Callable[..., Any], query: Query, names: Sequence[str], keys: Sequence[Sequence[Any]]
    ) -> _Question:
        if not keys:
            return _Question(kind, query, None)
        columns = dict(zip(names, zip(*keys, strict=True), strict=True))
        return _Question(kind, query, row_parameters(self.connection, columns))

    def _items_of(self, query: Query, keys: Iterable[ItemKey]) -> _Question:
        return self._of_keys(ItemRow, query, ("part", "kind", "code"), sorted(keys))

    def _rows(self, *questions: _Question, ask_too: Callable[[Known], None] | None = None) -> list[list[Any]]:
        """The rows of each; asked in their order, without waiting in between."""
        several = sum(one.parameters is not None for one in questions) + (ask_too is not None) > 1
        with together(self.connection) if several else nullcontext():
            answers = [
                None if one.parameters is None else one.query.ask(self.connection, one.parameters) for one in questions
            ]
            if ask_too is not None:
                ask_too(self.known)
        return [
            [] if answer is None else [one.kind(*row) for row in answer()]
            for one, answer in zip(questions, answers, strict=True)
        ]

    def _find(self, kind: type[AnyRow], query: Query, values: Iterable[Any], **more: int) -> list[AnyRow]:
        (found,) = self._rows(self._of(kind, query, values, **more))
        return found

    def _take(self, kind: type[AnyRow], query: Query, values: Iterable[Any], **more: int) -> list[AnyRow]:
        rows = self._find(kind, query, values, **more)
        self.known.take_all(rows)
        return rows

    def _take_together(self, *questions: _Question, ask_too: Callable[[Known], None] | None = None) -> list[list[Any]]:
        found = self._rows(*questions, ask_too=ask_too)
        for rows in found:
            self.known.take_all(rows)
        return found

    # -- what else must be locked, because of what was said before

    def _widen(self) -> None:
        """Want the items of rows that are corrected, and everything that is on shipments which are despatched."""
        self.leaving = self._on_despatched()
        for row in self._find(ItemRow, self._ask.items, self._of_wrong_rows() | self.leaving):
            self.wanted.items.add(row.key)
            if row.part in self.catalogue.made_parts:
                self.wanted.whole.add(row.key)

    def _on_despatched(self) -> set[int]:
        """All that is on shipments which are despatched, everything inside it, and the lots that this came from."""
        shipments = self._find(ShipmentRow, self._unlocked_shipments, self.wanted.despatched)
        lines = self._find(ShipmentLineRow, self._ask.lines, (one.id for one in shipments))
        level = {line.item_id for line in lines if line.unloaded_at == FOREVER}
        found: set[int] = set()
        while level:
            found |= level
            inside = self._find(MarriageRow, self._ask.standing_content, level)
            items = self._find(ItemRow, self._ask.items, level)
            sources = self._find(TransferRow, self._ask.transfers, level)
            below = {row.child_id for row in inside if row.stands} | {row.lot_id for row in items}
            level = {*(one for one in below if one is not None), *(row.source_id for row in sources)} - found
        return found

    @property
    def _unlocked_shipments(self) -> Query:
        return _queries(dialect_of(self.connection), lock=False).shipments_locked

    def _of_wrong_rows(self) -> set[int]:
        wrong = self.wanted.wrong
        marriages = self._find(MarriageRow, self._ask.marriages, wrong)
        removals = self._find(RemovalRow, self._ask.removals, wrong)
        runs = self._find(TestRunRow, self._ask.runs, wrong)
        loadings = self._find(LoadingRow, self._ask.loading, wrong)
        uses = {row.point_of_use_id for row in marriages if row.point_of_use_id is not None}
        uses |= {row.point_of_use_id for row in loadings}
        points = self._find(PointOfUseRow, self._ask.points_of_use, uses)
        self.wanted.scan_points |= {point.scan_point for point in points}
        self.wanted.loads |= {point.scan_point for point in points}
        begins = [row.started for row in marriages] + [row.loaded_at for row in loadings]
        children = {row.child_id for row in removals}
        of_parents = self._find(MarriageRow, self._ask.all_content, (row.parent_id for row in removals))
        begins += [row.started for row in of_parents if row.child_id in children]
        self.wanted.since = min([self.wanted.since, *begins])
        married = {row.parent_id for row in marriages} | {row.child_id for row in marriages if row.child_id is not None}
        removed = {item_id for row in removals for item_id in (row.parent_id, row.child_id)}
        lots = {row.lot_id for row in loadings if row.lot_id is not None}
        return married | removed | lots | {row.item_id for row in runs}

    # -- what is locked

    def _serials_and_points_of_use(self) -> tuple[list[ItemRow], list[ItemRow]]:
        """The serial items; and, not yet locked, the lots that are scanned or loaded."""
        wanted, scan_points = self.wanted, self.wanted.scan_points
        serials, points, loadings, lots = self._rows(
            self._items_of(self._ask.items_of_keys_locked, (key for key in wanted.items if key.kind == "serial")),
            self._of(PointOfUseRow, self._ask.points_of_use_locked, scan_points),
            self._of(_loading_with_lot, self._ask.loadings_with_lots, scan_points),
            self._items_of(self._ask.items_of_keys, (key for key in wanted.items if key.kind == "lot")),
        )
        for rows in (serials, points, (row for row, _ in loadings)):
            self.known.take_all(rows)
        lots += (lot for _, lot in loadings if lot is not None)
        return serials, list({lot.id: lot for lot in lots}.values())

    def _draws(self) -> None:
        points = (row.id for use, row in self.known.points_of_use.items() if use.scan_point in self.wanted.loads)
        self._take(MarriageRow, self._ask.draws, points)

    def _lots(self, found: list[ItemRow]) -> list[ItemRow]:
        """With those that were found, the lots that are drawn; locked, where others may wait for them."""
        drawn = {row.child_id for rows in self.known.draws.values() for row in rows if row.child_id is not None}
        found = found + self._find(ItemRow, self._ask.items, drawn - {row.id for row in found})
        self._take(ItemRow, self._ask.items_locked, (row.id for row in found if self._is_shared(row)))
        self.known.take_all(found)  # those just locked are known already, as they are now
        self._pieces_in()
        return found

    def _is_shared(self, lot: ItemRow) -> bool:
        """Whether others may wait for a lot: its pieces are counted, or it leaves, or is stopped before it leaves."""
        stopped = lot.id in self.leaving or lot.key in self.wanted.stopped
        return stopped or lot.part in self.catalogue.counted_parts

    def _sources(self, lots: set[int]) -> None:
        lots = lots - self.traced
        while lots:
            lots = self._next_sources(lots, self._take(TransferRow, self._ask.transfers, lots))

    def _next_sources(self, lots: set[int], rows: Sequence[TransferRow]) -> set[int]:
        """Of rows that say what went into lots: what was not asked about yet."""
        self.traced |= lots
        sources = {row.source_id for row in rows} - self.traced
        self._by_id(sources)
        return sources

    def _pieces_in(self) -> None:
        lots = [self.known.items.get(key) for key in self.wanted.receipts]
        uncounted = [lot.id for lot in lots if lot is not None and lot.received is None]
        if uncounted:
            parameters = value_parameters(self.connection, uncounted)
            for lot_id, total in self._ask.pieces_in.rows(self.connection, parameters):
                self.known.pieces_in[lot_id] = int(total)

    def _orders(self) -> None:
        """Orders that are named, that the next units of a line are of, and that units were started for."""
        codes = set(self.wanted.orders)
        for line, starts in self.wanted.lines.items():
            codes |= {
                row.code for row in self._find(OrderRow, self._ask.open_orders, [line], most=starts + _SPARE_ORDERS)
            }
        if self.wanted.lines:
            made = self.catalogue.made_parts
            serials = {key.code for key in self.wanted.items if key.kind == "serial" and key.part in made}
            of_any_part = sorted((part, serial) for part in made for serial in serials)
            (named,) = self._rows(self._of_keys(OrderRow, self._ask.orders_of_serials, ("part", "serial"), of_any_part))
            codes |= {row.code for row in named}
        taken = self._take(OrderRow, self._ask.orders_locked, codes)
        bear = {ItemKey(row.part, "serial", row.serial) for row in taken if row.serial is not None}
        self._take_together(self._items_of(self._ask.items_of_keys, bear - self.known.items.keys()))
        of_units = {row.order_id for row in self.known.item.values() if row.order_id is not None}
        self._take(OrderRow, self._ask.orders, of_units - self.known.order.keys())

    def _shipments(self) -> None:
        self._take(ShipmentLineRow, self._ask.shipment_lines, self.wanted.shipment_lines)
        found = self._take(ShipmentRow, self._ask.shipments_locked, self.wanted.shipments)
        self._take(ShipmentLineRow, self._ask.lines, (row.id for row in found))
        if self._on_despatched() != self.leaving:
            raise ChangedMeanwhile("what is on a shipment was changed while it was locked")

    def _numbers(self) -> None:
        """The counters, and enough numbers that nothing bears yet."""
        keys = sorted(self.wanted.numbered)
        self._take_together(self._of_keys(NumberCounterRow, self._ask.counters_locked, ("scheme", "period"), keys))
        for scheme, period in keys:
            numbering = self.catalogue.numbering.get(scheme)
            if numbering is not None:
                self.known.free_numbers[scheme, period] = self._free_numbers(numbering, period)

    def _free_numbers(self, numbering: Numbering, period: str) -> list[FreeNumber]:
        """As many as are wanted; fewer where the scheme has no more."""
        needed = self.wanted.numbered[numbering.scheme, period] + self._perhaps_taken(numbering)
        counter = self.known.counters.get((numbering.scheme, period))
        candidates = _candidates(numbering, period, 1 if counter is None else counter.last + 1)
        free: dict[str, FreeNumber] = {}
        at_once = needed
        while len(free) < needed and (tried := list(islice(candidates, at_once))):
            taken = self._taken(numbering, tried)
            free |= {one.number: one for one in tried if one.number not in taken}
            at_once = min(2 * at_once, _MOST_AT_ONCE)
        return list(free.values())

    def _perhaps_taken(self, numbering: Numbering) -> int:
        """How many numbers the batch itself may take: those of items that it names first."""
        sharing = self.catalogue.numbered_by[numbering.scheme]
        return sum(key.part in sharing and key not in self.known.items for key in self.wanted.items)

    def _taken(self, numbering: Numbering, tried: Sequence[FreeNumber]) -> set[str]:
        """Of these numbers, those that an item of a part with this scheme bears or will bear, or that were issued."""
        codes = [one.number for one in tried]
        keys = [
            ItemKey(part, "serial", code) for part in self.catalogue.numbered_by[numbering.scheme] for code in codes
        ]
        pairs = [(key.part, key.code) for key in keys]
        items, ordered = self._rows(
            self._items_of(self._ask.items_of_keys, keys),
            self._of_keys(OrderRow, self._ask.orders_of_serials, ("part", "serial"), pairs),
        )
        self.known.take_all(items)
        taken = {row.code for row in items} | {row.serial for row in ordered if row.serial is not None}
        if numbering.body == "random":
            columns = {"scheme": [numbering.scheme] * len(codes), "number": codes}
            issued = self._ask.issued.rows(self.connection, row_parameters(self.connection, columns))
            taken |= {IssuedNumberRow(*row).number for row in issued}
        return taken

    def _cases(self) -> None:
        """Containment cases that are named."""
        self._take(CaseRow, self._ask.cases_locked, self.wanted.cases)

    # -- what is only read

    def _marriages(self, item_ids: set[int], lots: set[int]) -> None:
        """What is in the items, what they are in, everything above them, and everything inside the whole ones.

        With that, frozen cases, and what went into lots.
        """
        *_, holders, sources = self._take_together(
            _Question(CaseRow, self._ask.frozen_cases, {} if self.wanted.watching else None),
            self._of(MarriageRow, self._ask.marriages, self.wanted.marriages),
            self._of(MarriageRow, self._ask.content, item_ids),
            self._of(MarriageRow, self._ask.holders, item_ids),
            self._of(TransferRow, self._ask.transfers, lots),
        )
        self._sources(self._next_sources(lots, sources))
        seen = set(item_ids)
        while above := {row.parent_id for row in holders} - seen:
            seen |= above
            holders = self._take(MarriageRow, self._ask.holders, above)
        if self.wanted.beside:
            self._take(MarriageRow, self._ask.standing_content, seen - item_ids)
            item_ids = seen
        self._named()
        whole = {row.id for key in self.wanted.whole if (row := self.known.items.get(key)) is not None}
        self._inside(whole, set(item_ids))

    def _inside(self, level: set[int], fetched: set[int]) -> None:
        while level:
            children = {
                row.child_id
                for item_id in level
                for row in self.known.as_parent.get(item_id, ())
                if row.stands and row.child_is_serial and row.child_id is not None
            }
            self._by_id(children)
            level = {child for child in children if self.known.item[child].part in self.catalogue.made_parts}
            self._take(MarriageRow, self._ask.standing_content, level - fetched)
            fetched |= level

    def _by_id(self, ids: Iterable[int]) -> None:
        self._take(ItemRow, self._ask.items, (item_id for item_id in ids if item_id not in self.known.item))

    def _named(self) -> None:
        """Items that the marriages name."""
        ids = {row.parent_id for row in self.known.marriages.values()}
        ids |= {row.child_id for row in self.known.marriages.values() if row.child_id is not None}
        self._by_id(ids)

    def _names(self) -> None:
        """Items that the marriages name, the lots that serial items belong to, and what went into lots."""
        self._named()
        self._by_id(row.lot_id for row in list(self.known.item.values()) if row.lot_id is not None)
        self._sources({row.id for row in self.known.item.values() if row.kind == "lot"})

    def _about_items(self) -> None:
        if self.wanted.holds:
            self._take(HoldRow, self._ask.open_holds, self.known.item)
            released = self._take(HoldRow, self._ask.holds, self.wanted.holds - self.known.holds.keys())
            self._by_id(row.item_id for row in released)
        worked_on = [
            row.id
            for row in self.known.item.values()
            if row.part in self.catalogue.made_parts or row.key in self.wanted.items
        ]
        printed = (row.id for key in self.wanted.printed if (row := self.known.items.get(key)) is not None)
        lines, *_ = self._take_together(
            self._of(ShipmentLineRow, self._ask.lines_with, worked_on if self.wanted.shipping else ()),
            self._of(HoldRow, self._ask.open_holds, () if self.wanted.holds else self.known.item),
            *(self._of(kind, query, worked_on) for kind, query in self._ask.of_items),
            self._of(LabelPrintRow, self._ask.prints, printed),
            self._of(CalibrationRow, self._ask.calibrations, self.wanted.instruments),
            ask_too=self.ask_too,
        )
        shipments = {row.shipment_id for row in lines} - self.known.shipment.keys()
        self._take(ShipmentRow, self._ask.shipments, shipments)

    def _about_tests(self) -> None:
        wrong = self.wanted.wrong & self.known.run.keys()
        self._take(MeasurementRow, self._ask.measurements, wrong)
        self._take(TestAttachmentRow, self._ask.attachments_of, wrong)
        if self.wanted.attachments:
            parameters = value_parameters(self.connection, sorted(self.wanted.attachments))
            self.known.attachments |= {sha256 for (sha256,) in self._ask.attachments.rows(self.connection, parameters)}

    def _about_cases(self) -> None:
        listed = self._take(CaseItemRow, self._ask.case_items, self.wanted.case_items)
        self._by_id(row.item_id for row in listed)
        sortings = self._take(SortingRow, self._ask.sortings, self.wanted.sortings)
        numbers = {row.id for row in sortings}
        self._take(SortingItemRow, self._ask.drawn, numbers)
        self._take(InspectionRow, self._ask.inspections, numbers)
        named = {self.known.cases[code].id for code in self.wanted.cases if code in self.known.cases}
        self._take(NoticeRow, self._ask.notices, named)
        self._take(CheckPlanRow, self._ask.check_plans, named)
        if self.known.case and self.wanted.watching:
            listed += self._take(CaseItemRow, self._ask.listed, self.known.item)
            points = value_parameters(self.connection, sorted(row.id for row in self.known.points_of_use.values()))
            self.known.watched_points = {point for (point,) in self._ask.watched_points.rows(self.connection, points)}
        self._take(CaseDecisionRow, self._ask.decisions, {row.decision_id for row in listed if row.decision_id})


def _candidates(numbering: Numbering, period: str, first: int) -> Iterator[FreeNumber]:
    """Numbers of a scheme, from a running one on, or at random; they end where the scheme does."""
    if numbering.body == "random":
        for _ in range(_MOST_GUESSES):
            yield FreeNumber(number(numbering, period, random_body(numbering, secrets.choice)), None)
        return
    for running in range(first, capacity(numbering) + 1):
        yield FreeNumber(number(numbering, period, running_body(numbering, running)), running)
