"""What the reckoning keeps: plain lists of all that was heard, and the plainest questions about them."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from datetime import datetime
from typing import Any, NamedTuple

FOREVER = datetime.fromisoformat("9999-01-01T00:00:00Z")
ALWAYS = datetime.fromisoformat("0001-01-01T00:00:00Z")

GONE = frozenset({"scrapped", "returned", "in analysis"})
"""States of what is used no more."""

STATE_AFTER = {"scrap": "scrapped", "supplier": "returned", "failure analysis": "in analysis"}
"""Where something goes, and its state then; what goes to stock stays as it is."""

Row = dict[str, Any]
Message = Mapping[str, Any]
Reasons = set[str]


class Item(NamedTuple):
    """An item: part number, "serial" or "lot", and its code."""

    part: str
    kind: str
    code: str


class Plant(NamedTuple):
    """What the reckoning knows of the plant: plain data, by code."""

    parts: Mapping[str, Row]
    scan_points: Mapping[str, Row]
    positions: Mapping[str, Mapping[str, Row]]
    routes: Mapping[str, list[Row]]
    """Steps in order: the points of each (`at`), and the tests that it needs (`tests`)."""
    plans: Mapping[str, Row]
    instruments: Mapping[str, bool]
    """Whether each needs calibration."""
    consignees: frozenset[str]
    numberings: Mapping[str, Row]


def moment(text: str) -> datetime:
    """The moment that RFC 3339 text names."""
    return datetime.fromisoformat(text)


def overlap(row: Mapping[str, Any], started: datetime, ended: datetime) -> bool:
    """Whether a marriage holds at some moment of [started, ended)."""
    return bool(max(row["started"], started) < min(row["ended"], ended))


class Lists:
    """All that was heard, as lists."""

    def __init__(self, plant: Plant) -> None:
        self.plant = plant
        self.items: dict[Item, str | None] = {}
        """Known items, each with the lot that it belongs to."""
        self.states: dict[Item, str] = {}
        self.marriages: list[Row] = []
        self.removals: list[Row] = []
        self.loadings: list[Row] = []
        self.transfers: list[Row] = []
        self.receipts: list[Row] = []
        self.work: list[Row] = []
        self.tests: list[Row] = []
        self.stale: list[Row] = []
        self.calibrations: list[Row] = []
        self.holds: list[Row] = []
        self.dispositions: list[Row] = []
        self.shipments: dict[str, Row] = {}
        self.lines: list[Row] = []
        self.numbers: dict[str, list[str]] = {}
        """Those given out, by scheme."""
        self.labels: list[tuple[Item, str]] = []
        self.orders: dict[str, Row] = {}
        self.ordered: dict[Item, str] = {}
        """The order of each unit that was started for one."""
        self.dates: dict[Item, str] = {}
        """The day on which a lot or a serial item was produced, where a receipt said it."""
        self.counted: list[Row] = []
        """Lots whose pieces were counted."""
        self.cases: dict[str, Row] = {}
        """Containment cases, each with all that it lists."""
        self.sortings: dict[str, Row] = {}
        """What was drawn for inspection, and found."""
        self.notices: list[Row] = []
        self.entry: int | None = None
        """The journal's number of the message that is heard."""
        self.wrong: list[int] = []
        """Numbers of the rows that were corrected."""
        self.count = 0
        self.before = 0
        """The last number before the message that is heard."""

    def _number(self) -> int:
        """The next number of a row; a later row has a higher one."""
        self.count += 1
        return self.count

    # -- the plant

    def _kind(self, scan_point: str) -> str:
        return str(self.plant.scan_points[scan_point].get("kind", "build"))

    def _made(self, item: Item) -> bool:
        return bool(self.plant.parts[item.part].get("made"))

    def _sold(self, item: Item) -> bool:
        return bool(self.plant.parts[item.part].get("sold"))

    def _packaging(self, item: Item) -> bool:
        return bool(self.plant.parts[item.part].get("packaging"))

    def _bill(self, item: Item) -> Mapping[str, Row]:
        return self.plant.positions.get(item.part, {})

    # -- items

    def _named(self, name: Any) -> Item | None:
        """The item that a message names, known from now on if it is not built here; None for an unknown label."""
        if isinstance(name, dict):
            kind = "serial" if "serial" in name else "lot"
            item, lot = Item(name["part"], kind, name[kind]), None
        else:
            for part, row in self.plant.parts.items():
                if "label" in row and (read := re.fullmatch(row["label"], name)):
                    item, lot = Item(part, "serial", read["serial"]), read["lot"]
                    break
            else:
                return None
        if not self._made(item):
            self._know(item, lot)
        return item

    def _know(self, item: Item, lot: str | None = None) -> None:
        self.items[item] = self.items.get(item) or lot
        self.states.setdefault(item, "in work" if self._made(item) else "usable")

    def _built(self, name: Any, reasons: Reasons) -> Item:
        """The item that a message names; if it is built here, known from now on, as if it had been started."""
        item = self._named(name)
        assert item is not None
        if item not in self.items:
            reasons.add("unknown-item")
            self._know(item)
        return item

    def _lots_of(self, item: Item) -> Iterator[Item]:
        """The lot that an item is, or belongs to."""
        lot = item.code if item.kind == "lot" else self.items.get(item)
        if lot is not None:
            yield Item(item.part, "lot", lot)

    # -- what is in what

    def _standing(self, parent: Item) -> list[Row]:
        """What is in an item now, undisputed."""
        return [
            row
            for row in self.marriages
            if row["parent"] == parent and row["ended"] == FOREVER and not row["disputed"] and row["child"] is not None
        ]

    def _inside(self, item: Item) -> Iterator[Item]:
        """An item, and all that is in it now, at every level."""
        yield item
        for row in self._standing(item):
            yield from self._inside(row["child"])

    def _units(self, item: Item, *, packed: bool = False) -> Iterator[Item]:
        """The unit that an item is, or the units that are in packaging now; there, all that is built is one."""
        if self._sold(item) or (packed and self._made(item) and not self._packaging(item)):
            yield item
        elif self._packaging(item):
            for row in self._standing(item):
                yield from self._units(row["child"], packed=True)

    def _holder(self, item: Item) -> Item | None:
        """What a serial item stands in now."""
        return next(
            (
                row["parent"]
                for row in self.marriages
                if row["child"] == item and row["ended"] == FOREVER and not row["disputed"] and item.kind == "serial"
            ),
            None,
        )

    def _line(self, item: Item) -> Row | None:
        """Where on a shipment an item stands."""
        return next((row for row in self.lines if row["item"] == item and row["ended"] is None), None)

    def _holders(self, item: Item) -> list[Item]:
        """What a serial item stands in now, and what that stands in, up to the top."""
        holder = self._holder(item)
        return [] if holder is None else [holder, *self._holders(holder)]

    def _free(self, unit: Item, position: str, started: datetime, ended: datetime) -> list[int]:
        """The slots that nothing undisputed covers between two moments; what comes together shares none."""
        taken = {
            slot
            for row in self.marriages
            if (row["parent"], row["position"]) == (unit, position) and not row["disputed"]
            if overlap(row, started, ended) or row["number"] > self.before
            for slot in range(row["slot"], row["slot"] + row["quantity"])
        }
        return [slot for slot in range(1, self._bill(unit)[position]["slots"] + 1) if slot not in taken]

    def _empty(self, unit: Item, position: str) -> list[int]:
        """The slots of a position that nothing undisputed is in now."""
        taken = {
            slot
            for row in self.marriages
            if (row["parent"], row["position"]) == (unit, position) and not row["disputed"] and row["ended"] == FOREVER
            for slot in range(row["slot"], row["slot"] + row["quantity"])
        }
        return [slot for slot in range(1, self._bill(unit)[position]["slots"] + 1) if slot not in taken]

    # -- holds

    def _hold(self, item: Item, *, discrepancy: bool, case: str | None = None) -> None:
        row = {"number": self._number(), "item": item, "discrepancy": discrepancy, "case": case}
        self.holds.append({**row, "open": True})

    def _held(self, item: Item) -> bool:
        """Whether a hold stops an item: on it, on its lot, or on a lot that went into that."""
        stopped = {row["item"] for row in self.holds if row["open"]}
        lots = {source for lot in self._lots_of(item) for source in self._ever_in(lot)}
        return not stopped.isdisjoint({item, *lots})

    def _held_inside(self, item: Item) -> bool:
        return any(self._held(inner) for inner in self._inside(item))

    # -- where pieces of lots come from

    def _ever_in(self, lot: Item) -> set[Item]:
        """A lot, and all lots of which pieces ever went into it or into what went into it, whenever."""
        return {lot}.union(*(self._ever_in(row["source"]) for row in self.transfers if row["target"] == lot))

    def _sources(self, lot: Item, at: datetime) -> set[Item]:
        """A lot, and all lots of which pieces had gone into it by a moment, at every level."""
        found = {lot}
        for row in self.transfers:
            if row["target"] == lot and row["at"] <= at:
                found |= self._sources(row["source"], row["at"])
        return found

    def _only_from(self, source: Item, lot: Item, at: datetime) -> bool:
        """Whether all that was in a lot at a moment certainly came from one other; what was received held more."""
        if source == lot:
            return True
        if any(lot in row["items"] for row in self.receipts):
            return False
        into = [row for row in self.transfers if row["target"] == lot and row["at"] <= at]
        return (
            bool(into)
            and len({row["source"] for row in into}) == 1
            and all(self._only_from(source, row["source"], row["at"]) for row in into)
        )
