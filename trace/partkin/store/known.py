"""What is known: fetched for a whole batch of messages, and locked in one order.

Locks: serial items by number, then points of use, then received lots, then serial-number counters. Every process keeps
this order, so nobody waits in a circle. On SQLite the write transaction itself is the lock.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any, TypeVar

from sqlalchemy import BindParameter, Column, ColumnElement, Connection, Select, and_, bindparam, func, select

from partkin.rules.catalogue import Catalogue
from partkin.rules.facts import ItemKey
from partkin.rules.known import Known
from partkin.rules.moments import FOREVER
from partkin.rules.reading import Wanted
from partkin.rules.rows import (
    HoldRow,
    ItemRow,
    LoadingRow,
    MarriageRow,
    PointOfUseRow,
    RemovalRow,
    Row,
    SerialNumberRow,
    StaleRow,
    TestRunRow,
    VisitRow,
)
from partkin.rules.serial_numbers import issued_serial
from partkin.store.database import (
    Code,
    Dialect,
    among_values,
    dialect_of,
    for_update,
    given_rows,
    row_parameters,
    value_parameters,
)
from partkin.store.tables import (
    hold,
    item,
    loading,
    marriage,
    point_of_use,
    removal,
    serial_number,
    stale,
    test_run,
    visit,
)

AnyRow = TypeVar("AnyRow", bound=Row)
Query = Select[*tuple[Any, ...]]


def fetch_known(connection: Connection, wanted: Wanted, catalogue: Catalogue) -> Known:
    """All rows that judging may look at."""
    return _Fetch(connection, wanted, catalogue, Known()).all()


class _Queries:
    """The statements, made once for each engine: making them anew for every batch would cost more than asking them.

    Each finds the rows of some values; `since` is the moment from which on things matter.
    """

    def __init__(self, dialect: Dialect) -> None:
        def of(column: Column[Any], *conditions: ColumnElement[bool]) -> Query:
            return select(column.table).where(among_values(dialect, column), *conditions)

        def locked(column: Column[Any], order: Column[Any]) -> Query:
            return for_update(dialect, of(column).order_by(order), column.table)

        since: BindParameter[int] = bindparam("since")
        names = ("part", "kind", "code")
        wanted = given_rows(dialect, "wanted", dict.fromkeys(names, Code))
        same_key = and_(*(item.c[name] == wanted.c[name] for name in names))
        self.items_of_keys = select(item).join(wanted, same_key).order_by(item.c.id)
        self.items_of_keys_locked = for_update(dialect, self.items_of_keys, item)
        self.items = of(item.c.id)
        self.items_locked = locked(item.c.id, item.c.id)
        self.points_of_use_locked = locked(point_of_use.c.scan_point, point_of_use.c.id)
        self.serial_numbers_locked = locked(serial_number.c.part, serial_number.c.part)
        self.loadings = of(loading.c.point_of_use_id, loading.c.unloaded_at >= since)
        self.draws = of(marriage.c.point_of_use_id, marriage.c.started >= since)
        self.marriages = of(marriage.c.id)
        self.content = of(marriage.c.parent_id, marriage.c.ended >= since)
        self.standing_content = of(marriage.c.parent_id, marriage.c.ended == FOREVER)
        self.holders = of(marriage.c.child_id)
        self.pieces_in = (
            select(marriage.c.child_id, func.sum(marriage.c.quantity))
            .where(among_values(dialect, marriage.c.child_id), marriage.c.ended == FOREVER)
            .group_by(marriage.c.child_id)
        )
        self.open_holds = of(hold.c.item_id, hold.c.released_at == FOREVER)
        self.holds = of(hold.c.id)
        self.of_items: tuple[tuple[type[Row], Query], ...] = (
            (RemovalRow, of(removal.c.parent_id)),
            (VisitRow, of(visit.c.item_id)),
            (TestRunRow, of(test_run.c.item_id)),
            (StaleRow, of(stale.c.item_id)),
        )


_queries = cache(_Queries)


@dataclass(slots=True)
class _Fetch:
    connection: Connection
    wanted: Wanted
    catalogue: Catalogue
    known: Known

    def all(self) -> Known:
        serials = self._serials()
        self._points_of_use()
        self._draws()
        self._lots()
        self._serial_numbers()
        self._marriages({row.id for row in serials})
        self._names()
        self._about_items()
        return self.known

    # -- the ways to ask

    @property
    def _ask(self) -> _Queries:
        return _queries(dialect_of(self.connection))

    def _find(self, kind: type[AnyRow], query: Query, values: Iterable[Any]) -> list[AnyRow]:
        asked = sorted(set(values))
        if not asked:
            return []
        parameters = {**value_parameters(self.connection, asked), "since": self.wanted.since}
        return [kind(*row) for row in self.connection.execute(query, parameters)]

    def _take(self, kind: type[AnyRow], query: Query, values: Iterable[Any]) -> list[AnyRow]:
        rows = self._find(kind, query, values)
        self.known.take_all(rows)
        return rows

    def _of_keys(self, query: Query, keys: Sequence[ItemKey]) -> list[ItemRow]:
        if not keys:
            return []
        columns = dict(zip(("part", "kind", "code"), zip(*keys, strict=True), strict=True))
        return [ItemRow(*row) for row in self.connection.execute(query, row_parameters(self.connection, columns))]

    # -- what is locked

    def _serials(self) -> list[ItemRow]:
        keys = sorted(key for key in self.wanted.items if key.kind == "serial")
        rows = self._of_keys(self._ask.items_of_keys_locked, keys)
        self.known.take_all(rows)
        return rows

    def _points_of_use(self) -> None:
        points = self._take(PointOfUseRow, self._ask.points_of_use_locked, self.wanted.scan_points)
        self._take(LoadingRow, self._ask.loadings, (point.id for point in points))

    def _draws(self) -> None:
        points = (row.id for use, row in self.known.points_of_use.items() if use.scan_point in self.wanted.loads)
        self._take(MarriageRow, self._ask.draws, points)

    def _lots(self) -> None:
        """Lots that are scanned, loaded or drawn; those of parts that are counted are locked."""
        keys = sorted(key for key in self.wanted.items if key.kind == "lot")
        ids = {row.lot_id for rows in self.known.loadings.values() for row in rows if row.lot_id is not None}
        ids |= {row.child_id for rows in self.known.draws.values() for row in rows if row.child_id is not None}
        found = self._of_keys(self._ask.items_of_keys, keys)
        found += self._find(ItemRow, self._ask.items, ids - {row.id for row in found})
        counted = [row.id for row in found if row.part in self.catalogue.counted_parts]
        self._take(ItemRow, self._ask.items_locked, counted)
        self.known.take_all(found)  # those just locked are known already, as they are now
        self._pieces_in()

    def _pieces_in(self) -> None:
        lots = [self.known.items.get(key) for key in self.wanted.receipts]
        uncounted = [lot.id for lot in lots if lot is not None and lot.received is None]
        if uncounted:
            parameters = value_parameters(self.connection, uncounted)
            for lot_id, total in self.connection.execute(self._ask.pieces_in, parameters):
                self.known.pieces_in[lot_id] = int(total)

    def _serial_numbers(self) -> None:
        """The counters, and those of the next numbers that are taken, as far as it needs to find enough free ones."""
        self._take(SerialNumberRow, self._ask.serial_numbers_locked, self.wanted.numbered)
        for number, count in self.wanted.numbered.items():
            part = self.catalogue.part.get(number)
            if part is None or part.serial_digits is None:
                continue
            counter = self.known.serial_numbers.get(number)
            next_one, lacking = 1 if counter is None else counter.last + 1, count
            while lacking:
                codes = [issued_serial(part, running) for running in range(next_one, next_one + lacking)]
                taken = self._of_keys(self._ask.items_of_keys, [ItemKey(number, "serial", code) for code in codes])
                self.known.take_all(taken)
                next_one, lacking = next_one + lacking, len(taken)

    # -- what is only read

    def _marriages(self, item_ids: set[int]) -> None:
        """What is in the items, what they are in, everything above them, and everything inside the whole ones."""
        self._take(MarriageRow, self._ask.marriages, self.wanted.marriages)
        self._take(MarriageRow, self._ask.content, item_ids)
        above, seen = item_ids, set(item_ids)
        while above:
            rows = self._take(MarriageRow, self._ask.holders, above)
            above = {row.parent_id for row in rows} - seen
            seen |= above
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

    def _names(self) -> None:
        """Items that the marriages name, and the lots that serial items belong to."""
        ids = {row.parent_id for row in self.known.marriages.values()}
        ids |= {row.child_id for row in self.known.marriages.values() if row.child_id is not None}
        self._by_id(ids)
        self._by_id(row.lot_id for row in list(self.known.item.values()) if row.lot_id is not None)

    def _about_items(self) -> None:
        self._take(HoldRow, self._ask.open_holds, self.known.item)
        released = self._take(HoldRow, self._ask.holds, self.wanted.holds - self.known.holds.keys())
        self._by_id(row.item_id for row in released)
        worked_on = [
            row.id
            for row in self.known.item.values()
            if row.part in self.catalogue.made_parts or row.key in self.wanted.items
        ]
        for kind, query in self._ask.of_items:
            self._take(kind, query, worked_on)
