"""What is known: fetched for a whole batch of messages, and locked in one order.

Locks: serial items by number, then points of use, then received lots, then serial-number counters. Every process keeps
this order, so nobody waits in a circle. On SQLite the write transaction itself is the lock.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any, TypeVar

from sqlalchemy import ColumnElement, Connection, Select, Table, and_, func, or_, select

from partkin.rules.catalogue import Catalogue
from partkin.rules.facts import ItemKey
from partkin.rules.known import (
    HoldRow,
    ItemRow,
    Known,
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
from partkin.rules.moments import FOREVER
from partkin.rules.reading import Wanted
from partkin.store import tables
from partkin.store.database import Code, among, for_update, given

AnyRow = TypeVar("AnyRow", bound=Row)
Query = Select[*tuple[Any, ...]]


def fetch_known(connection: Connection, wanted: Wanted, catalogue: Catalogue) -> Known:
    """All rows that judging may look at."""
    return _Fetch(connection, wanted, catalogue, Known()).all()


@dataclass(slots=True)
class _Fetch:
    connection: Connection
    wanted: Wanted
    catalogue: Catalogue
    known: Known

    def all(self) -> Known:
        serials = self._items(key for key in self.wanted.items if key.kind == "serial")
        self._points_of_use()
        self._draws()
        self._lots()
        self._serial_numbers()
        self._marriages([row.id for row in serials])
        self._names()
        self._about_items()
        return self.known

    # -- the ways to ask

    def _rows(self, kind: type[AnyRow], query: Query) -> list[AnyRow]:
        rows = [kind(*row) for row in self.connection.execute(query)]
        self.known.take_all(rows)
        return rows

    def _among(self, column: ColumnElement[Any], values: Iterable[int | str]) -> ColumnElement[bool]:
        return among(self.connection, column, sorted(set(values)))

    def _of_keys(self, keys: Sequence[ItemKey]) -> Query:
        wanted = given(
            self.connection,
            "wanted",
            {
                "part": (Code, [key.part for key in keys]),
                "kind": (Code, [key.kind for key in keys]),
                "code": (Code, [key.code for key in keys]),
            },
        )
        same = and_(*(tables.item.c[name] == wanted.c[name] for name in ("part", "kind", "code")))
        return select(tables.item).join(wanted, same).order_by(tables.item.c.id)

    # -- what is locked

    def _items(self, keys: Iterable[ItemKey]) -> list[ItemRow]:
        wanted = sorted(keys)
        if not wanted:
            return []
        return self._rows(ItemRow, for_update(self.connection, self._of_keys(wanted), tables.item))

    def _points_of_use(self) -> None:
        if not self.wanted.scan_points:
            return
        t = tables.point_of_use
        at = select(t).where(self._among(t.c.scan_point, self.wanted.scan_points)).order_by(t.c.id)
        points = self._rows(PointOfUseRow, for_update(self.connection, at, t))
        if points:
            t = tables.loading
            point_ids = [point.id for point in points]
            of_points = self._among(t.c.point_of_use_id, point_ids)
            self._rows(LoadingRow, select(t).where(of_points, t.c.unloaded_at >= self.wanted.since))

    def _draws(self) -> None:
        points = [row.id for use, row in self.known.points_of_use.items() if use.scan_point in self.wanted.loads]
        if points:
            t = tables.marriage
            drawn = select(t).where(self._among(t.c.point_of_use_id, points), t.c.started >= self.wanted.since)
            self._rows(MarriageRow, drawn)

    def _lots(self) -> None:
        """Lots that are scanned, loaded or drawn; those of parts that are counted are locked."""
        keys = sorted(key for key in self.wanted.items if key.kind == "lot")
        ids = {row.lot_id for rows in self.known.loadings.values() for row in rows if row.lot_id is not None}
        ids |= {row.child_id for rows in self.known.draws.values() for row in rows if row.child_id is not None}
        t = tables.item
        found: dict[int, str] = {}
        if keys:
            found.update(self._numbers_and_parts(self._of_keys(keys)))
        if ids:
            found.update(self._numbers_and_parts(select(t).where(self._among(t.c.id, ids))))
        counted = [number for number, part in found.items() if part in self.catalogue.counted_parts]
        if counted:
            lock = select(t).where(self._among(t.c.id, counted)).order_by(t.c.id)
            self._rows(ItemRow, for_update(self.connection, lock, t))
        self._by_id(found)
        self._pieces_in()

    def _numbers_and_parts(self, query: Query) -> dict[int, str]:
        t = tables.item
        return {row.id: row.part for row in self.connection.execute(query.with_only_columns(t.c.id, t.c.part))}

    def _pieces_in(self) -> None:
        lots = [self.known.items.get(key) for key in self.wanted.receipts]
        uncounted = [lot.id for lot in lots if lot is not None and lot.received is None]
        if uncounted:
            t = tables.marriage
            pieces = select(t.c.child_id, func.sum(t.c.quantity)).where(
                self._among(t.c.child_id, uncounted), t.c.ended == FOREVER
            )
            for lot_id, total in self.connection.execute(pieces.group_by(t.c.child_id)):
                self.known.pieces_in[lot_id] = int(total)

    def _serial_numbers(self) -> None:
        if self.wanted.numbered:
            t = tables.serial_number
            of_parts = select(t).where(self._among(t.c.part, self.wanted.numbered)).order_by(t.c.part)
            self._rows(SerialNumberRow, for_update(self.connection, of_parts, t))

    # -- what is only read

    def _marriages(self, item_ids: list[int]) -> None:
        """What is in the items, what they are in, everything above them, and everything inside the whole ones."""
        t = tables.marriage
        if self.wanted.marriages:
            self._rows(MarriageRow, select(t).where(self._among(t.c.id, self.wanted.marriages)))
        if not item_ids:
            return
        self._rows(MarriageRow, select(t).where(self._among(t.c.parent_id, item_ids), t.c.ended >= self.wanted.since))
        above = set(item_ids)
        seen = set(above)
        while above:
            rows = self._rows(MarriageRow, select(t).where(self._among(t.c.child_id, above)))
            above = {row.parent_id for row in rows} - seen
            seen |= above
        whole = {row.id for key in self.wanted.whole if (row := self.known.items.get(key)) is not None}
        self._inside(whole, set(item_ids))

    def _inside(self, whole: set[int], fetched: set[int]) -> None:
        t = tables.marriage
        level = whole
        while level:
            children = {
                row.child_id
                for item_id in level
                for row in self.known.as_parent.get(item_id, ())
                if row.stands and row.child_is_serial and row.child_id is not None
            }
            self._by_id(children)
            level = {child for child in children if self.known.item[child].part in self.catalogue.made_parts}
            if new := level - fetched:
                inside = select(t).where(self._among(t.c.parent_id, new), t.c.ended == FOREVER)
                self._rows(MarriageRow, inside)
                fetched |= new

    def _by_id(self, ids: Iterable[int]) -> None:
        unknown = {item_id for item_id in ids if item_id not in self.known.item}
        if unknown:
            t = tables.item
            self._rows(ItemRow, select(t).where(self._among(t.c.id, unknown)))

    def _names(self) -> None:
        """Items that the marriages name, and the lots that serial items belong to."""
        ids = {row.parent_id for row in self.known.marriages.values()}
        ids |= {row.child_id for row in self.known.marriages.values() if row.child_id is not None}
        self._by_id(ids)
        self._by_id(row.lot_id for row in list(self.known.item.values()) if row.lot_id is not None)

    def _about_items(self) -> None:
        ids = list(self.known.item)
        t = tables.hold
        held = and_(self._among(t.c.item_id, ids), t.c.released_at == FOREVER)
        if self.wanted.holds:
            held = or_(held, self._among(t.c.id, self.wanted.holds))
        if ids or self.wanted.holds:
            rows = self._rows(HoldRow, select(t).where(held))
            self._by_id(row.item_id for row in rows)
        worked_on = [
            row.id
            for row in self.known.item.values()
            if row.part in self.catalogue.made_parts or row.key in self.wanted.items
        ]
        if worked_on:
            self._of_items(RemovalRow, tables.removal, tables.removal.c.parent_id, worked_on)
            self._of_items(VisitRow, tables.visit, tables.visit.c.item_id, worked_on)
            self._of_items(TestRunRow, tables.test_run, tables.test_run.c.item_id, worked_on)
            self._of_items(StaleRow, tables.stale, tables.stale.c.item_id, worked_on)

    def _of_items(self, kind: type[AnyRow], table: Table, column: ColumnElement[Any], ids: list[int]) -> None:
        self._rows(kind, select(table).where(self._among(column, ids)))
