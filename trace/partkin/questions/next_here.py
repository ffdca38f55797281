"""What comes next at a scan point: which unit, what to scan into it, and what the last one still lacks."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

from sqlalchemy import Connection, Row

from partkin.rules.catalogue import Bill, Catalogue, Position, ScanPoint
from partkin.rules.facts import ItemKey, Use
from partkin.rules.facts_json import item_json
from partkin.rules.judging.completeness import filled, missing_positions, test_reason
from partkin.rules.known import Known
from partkin.rules.moments import Moment, moment_of
from partkin.rules.reading import Wanted
from partkin.rules.rows import ItemRow, LoadingRow
from partkin.store.books.known import fetch_known
from partkin.store.build_orders import open_orders_after
from partkin.store.catalogue import read_catalogue
from partkin.store.database import Database
from partkin.store.line_work import in_work, last_at


class NoSuchScanPoint(LookupError):
    """The catalogue has no scan point of this code."""


def next_here(database: Database, code: str, *, now: datetime) -> dict[str, Any]:
    """What a station should do next. Raises NoSuchScanPoint."""
    with database.read() as connection:
        catalogue = read_catalogue(connection)
        point = catalogue.scan_point.get(code)
        if point is None:
            raise NoSuchScanPoint(f"The catalogue has no scan point {code}.")
        coming, last = _coming(connection, catalogue, point), last_at(connection, code)
        items = {key for key in (coming.key if coming else None, last) if key is not None}
        wanted = Wanted(items=items, whole=set(), scan_points={code}, since=moment_of(now))
        known = fetch_known(connection, wanted, catalogue, lock=False)
    station = _Station(known, catalogue, point, now)
    return {
        "scan_point": code,
        "line": point.line,
        "next": None if coming is None else station.told(coming),
        "last": None if last is None else station.lacking(known.items[last]),
    }


@dataclass(frozen=True, slots=True)
class _Coming:
    """The unit or the model that comes next."""

    part: str
    key: ItemKey | None
    """None: it has not been started, and its serial number is not known."""
    order: str | None
    due: str | None
    parts: Mapping[str, str]
    left: int | None
    """Units of the order that are still to be started."""


# -- which one


def _coming(connection: Connection, catalogue: Catalogue, point: ScanPoint) -> _Coming | None:
    """On its way here, else by the orders of the line where it starts here."""
    for parts, before in _routes_here(catalogue, point).items():
        if before:
            waiting = in_work(connection, parts, point.scan_point, before)
            if waiting:
                return _on_its_way(waiting[0])
    starting = [parts for parts, before in _routes_here(catalogue, point).items() if not before]
    return _ordered(connection, point, [part for parts in starting for part in parts])


def _routes_here(catalogue: Catalogue, point: ScanPoint) -> Mapping[tuple[str, ...], tuple[str, ...]]:
    """Parts whose routes lead here, with the scan points of the step before; none where they start here."""
    parts: dict[tuple[str, ...], list[str]] = {}
    for part, route in catalogue.route.items():
        here = next((step.step for step in route if step.scan_point == point.scan_point), None)
        if here is not None:
            earlier = [step for step in route if step.step < here]
            last = max((step.step for step in earlier), default=0)
            before = (step.scan_point for step in earlier if step.step == last)
            parts.setdefault(tuple(_on_line(catalogue, before, point.line)), []).append(part)
    return {tuple(of_step): before for before, of_step in parts.items()}


def _on_line(catalogue: Catalogue, points: Iterator[str], line: str) -> list[str]:
    """Those of the same line, where there are any."""
    found = list(points)
    return [code for code in found if catalogue.scan_point[code].line == line] or found


def _on_its_way(row: Row[*tuple[Any, ...]]) -> _Coming:
    return _Coming(row.part, ItemKey(row.part, "serial", row.code), row.order, None, {}, None)


def _ordered(connection: Connection, point: ScanPoint, parts: Sequence[str]) -> _Coming | None:
    orders = open_orders_after(connection, line=point.line, after=(-1, ""), limit=_MOST_ORDERS)
    row = next((row for row in orders if row.part in parts), None)
    if row is None:
        return None
    key = None if row.serial is None else ItemKey(row.part, "serial", row.serial)
    due = None if row.due is None else row.due.isoformat()
    return _Coming(row.part, key, row.code, due, json.loads(row.parts), row.quantity - row.started)


_MOST_ORDERS = 100
"""Orders that are looked at for one of a part that starts here."""


# -- what is said of it


@dataclass(frozen=True, slots=True)
class _Station:
    known: Known
    catalogue: Catalogue
    point: ScanPoint
    now: datetime

    @property
    def at(self) -> Moment:
        return moment_of(self.now)

    def told(self, coming: _Coming) -> dict[str, Any]:
        """The unit, and each position that is filled here."""
        row = None if coming.key is None else self.known.items.get(coming.key)
        order = None if row is None or row.order_id is None else self.known.order[row.order_id]
        ordered = coming.parts if order is None else json.loads(order.parts)
        bill = self._bill(coming.part, row)
        pieces = {} if row is None else filled(self.known, row.id)
        return {
            "part": coming.part,
            "description": self.catalogue.part[coming.part].description,
            "serial": None if coming.key is None else coming.key.code,
            "started": row is not None,
            "order": coming.order,
            "due": coming.due if order is None or order.due is None else order.due.isoformat(),
            "left_of_order": coming.left,
            "positions": [
                self._position(position, bill, ordered, pieces.get(position.position, 0))
                for position in bill.positions
                if self.point.scan_point in position.scan_points
            ],
        }

    def _bill(self, part: str, row: ItemRow | None) -> Bill:
        day = self.now if row is None or row.started_at is None else _day(row.started_at)
        return self.catalogue.bill(part, day.astimezone(UTC).date())

    def _position(self, position: Position, bill: Bill, ordered: Mapping[str, str], there: int) -> dict[str, Any]:
        one = ordered.get(position.position)
        parts = bill.allowed[position.position] if one is None else (one,)
        loaded = self.known.loaded(Use(self.point.scan_point, position.position), self.at)
        return {
            "position": position.position,
            "description": position.description,
            "quantity": position.quantity,
            "lacking": max(position.quantity - there, 0),
            "parts": [self._part(part) for part in parts],
            "loaded": [self._loaded(row) for row in loaded],
        }

    def _part(self, code: str) -> dict[str, Any]:
        part = self.catalogue.part[code]
        return {"part": code, "description": part.description, "trace": part.trace}

    def _loaded(self, row: LoadingRow) -> dict[str, Any]:
        lot = self.known.item[row.lot_id or 0]
        return {**item_json(lot.key), "feeder": row.feeder, "left": row.left}

    def lacking(self, row: ItemRow) -> dict[str, Any]:
        """What the last unit here still lacks of what is filled here or before."""
        route = self.catalogue.route.get(row.part, ())
        here = next((step.step for step in route if step.scan_point == self.point.scan_point), None)
        points = {step.scan_point for step in route if here is not None and step.step <= here}
        missing = [
            {"position": position.position, "description": position.description, "lacking": pieces}
            for position, pieces in missing_positions(self.known, self.catalogue, row, packing=True)
            if points.intersection(position.scan_points)
        ]
        plans = {plan for step in route if here is not None and step.step <= here for plan in step.needs_tests}
        reasons = (test_reason(self.known, row, plan) for plan in sorted(plans))
        tests = [reason.detail for reason in reasons if reason is not None]
        return {**item_json(row.key), "state": row.state, "positions": missing, "tests": tests}


def _day(moment: Moment) -> datetime:
    return datetime.fromtimestamp(moment / 1_000_000, UTC)
