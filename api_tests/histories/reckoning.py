"""An independent reckoning of what messages mean: plain lists and dicts, naive loops, nothing shared with the service.

It hears every message as it was posted, in the order of the journal, and whether it was accepted. It says which of
the reasons that it knows speak against a message, and answers the genealogy questions from its lists. It is slow on
purpose: every answer is found by looking at everything.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator, Mapping
from copy import deepcopy
from datetime import datetime
from itertools import pairwise
from typing import Any, NamedTuple

FOREVER = datetime.fromisoformat("9999-01-01T00:00:00Z")

KNOWN_REASONS = frozenset(
    """unknown-item already-started wrong-part no-free-slot already-installed inside-itself unknown-part
    lot-not-loaded loaded-late nothing-to-marry not-installed""".split()
)
"""The reasons that the reckoning foretells. For all others it believes the service. It does not tell a component that
has been removed from one that never was there: it is `not-installed`."""

Row = dict[str, Any]


class Item(NamedTuple):
    """An item: part number, "serial" or "lot", and its code."""

    part: str
    kind: str
    code: str


class Path(NamedTuple):
    """One way from a suspect up to a unit: the marriages on it, and when all of them held at once."""

    unit: Item
    marriages: tuple[Row, ...]
    started: datetime
    ended: datetime
    certain: bool


def moment(text: str) -> datetime:
    """The moment that RFC 3339 text names."""
    return datetime.fromisoformat(text)


class Reckoning:
    """All that was heard, as lists."""

    def __init__(
        self, parts: Mapping[str, Row], scan_points: Mapping[str, Row], positions: Mapping[str, Mapping[str, Row]]
    ) -> None:
        self.parts, self.scan_points, self.positions = parts, scan_points, positions
        self.items: dict[Item, str | None] = {}
        """Known items, each with the lot that it belongs to."""
        self.marriages: list[Row] = []
        self.removals: list[Row] = []
        self.loadings: list[Row] = []
        self.receipts: list[Row] = []
        self.work: list[Row] = []

    # -- hearing

    def hear(self, message: Mapping[str, Any], accepted: bool) -> set[str]:
        """Take in a message, if it was accepted; answer the known reasons against it either way."""
        before = deepcopy(self.__dict__)
        hear: dict[str, Callable[[Mapping[str, Any], datetime], set[str]]] = {
            "unit-start": self._start,
            "marriage": self._marriage,
            "removal": self._removal,
            "lot-loading": self._loading,
            "receipt": self._receipt,
            "test-run": self._test_run,
            "hold": self._hold,
        }
        reasons = hear[message["kind"]](message, moment(message["occurred_at"]))
        if not accepted:
            self.__dict__.update(before)
        return reasons

    def _named(self, name: Any) -> Item | None:
        """The item that a message names, known from now on if it is not built here; None for an unknown label."""
        if isinstance(name, dict):
            kind = "serial" if "serial" in name else "lot"
            item, lot = Item(name["part"], kind, name[kind]), None
        else:
            for part, row in self.parts.items():
                if "label" in row and (read := re.fullmatch(row["label"], name)):
                    item, lot = Item(part, "serial", read["serial"]), read["lot"]
                    break
            else:
                return None
        if not self.parts[item.part].get("made"):
            self._know(item, lot)
        return item

    def _know(self, item: Item, lot: str | None = None) -> None:
        self.items[item] = self.items.get(item) or lot

    def _built(self, name: Any, reasons: set[str]) -> Item:
        """The item built here that a message names, known from now on, as if it had been started."""
        item = self._named(name)
        assert item is not None
        if item not in self.items:
            reasons.add("unknown-item")
            self._know(item)
        return item

    def _worked(self, item: Item, message: Mapping[str, Any], at: datetime) -> None:
        where = {name: message.get(name) for name in ("scan_point", "operator", "instrument")}
        self.work.append({"item": item, "at": at, **where})

    def _start(self, message: Mapping[str, Any], at: datetime) -> set[str]:
        item = Item(message["part"], "serial", message["serial"])
        reasons = {"already-started"} if item in self.items else set()
        self._know(item)
        self._worked(item, message, at)
        return reasons

    def _test_run(self, message: Mapping[str, Any], at: datetime) -> set[str]:
        reasons: set[str] = set()
        self._worked(self._built(message["unit"], reasons), message, at)
        return reasons

    def _hold(self, message: Mapping[str, Any], _at: datetime) -> set[str]:
        reasons: set[str] = set()
        if message["action"] == "place":
            item = self._named(message["item"])
            if item is not None and item not in self.items:
                self._built(message["item"], reasons)
        return reasons

    def _receipt(self, message: Mapping[str, Any], at: datetime) -> set[str]:
        lot = message.get("lot")
        received = [Item(message["part"], "serial", serial) for serial in message.get("serials", ())]
        for item in received:
            self._know(item, lot)
        if lot is not None:
            received.append(Item(message["part"], "lot", lot))
            self._know(received[-1])
        self.receipts.append({"supplier": message["supplier"], "part": message["part"], "at": at, "items": received})
        return set()

    # -- marriages

    def _marriage(self, message: Mapping[str, Any], at: datetime) -> set[str]:
        reasons: set[str] = set()
        unit = self._built(message["unit"], reasons)
        self._worked(unit, message, at)
        filled, before = set[str | None](), list[Item]()
        for component in message.get("components", ()):
            child = self._named(component["item"])
            if child is None:
                reasons.add("unknown-part")
                continue
            if self.parts[child.part].get("made"):
                self._built(component["item"], reasons)
            filled.add(self._put(unit, child, component, message["scan_point"], at, reasons, before))
            before.append(child)
        drawn = self._draw(unit, message["scan_point"], filled, at, reasons)
        if not message.get("components") and not drawn:
            reasons.add("nothing-to-marry")
        return reasons

    def _put(
        self,
        unit: Item,
        child: Item,
        component: Mapping[str, Any],
        scan_point: str,
        at: datetime,
        reasons: set[str],
        before: list[Item],
    ) -> str | None:
        """A scanned component goes in; the position that it went to."""
        if self._holds(child, unit, at, FOREVER):
            reasons.add("inside-itself")
            return None
        position = self._place(unit, child, component.get("position"), scan_point, at, reasons)
        ended = self._end(unit, child, position, at)
        installed = child.kind == "serial" and (
            child in before
            or any(row["child"] == child and not row["disputed"] and _overlap(row, at, ended) for row in self.marriages)
        )
        if installed:
            reasons.add("already-installed")
        asked = 1 if child.kind == "serial" else component.get("quantity")
        stated = component.get("slot")
        there = [(0, asked or 1)]
        if position in self._bill(unit):
            quantity = asked or len(self._free(unit, position, at, FOREVER))
            there = _runs(self._slots(unit, position, stated, quantity, at, ended))
        if not there:
            reasons.add("no-free-slot")
        for first, pieces in there or [(stated or 0, asked or 1)]:
            self._marry(unit, child, position, first, pieces, at, ended, disputed=installed or not there)
        return position

    def _bill(self, unit: Item) -> Mapping[str, Row]:
        return self.positions.get(unit.part, {})

    def _place(
        self, unit: Item, child: Item, stated: str | None, scan_point: str, at: datetime, reasons: set[str]
    ) -> str:
        """Where a component goes: as stated, else to the first position that takes it and has room."""
        taking = [code for code in sorted(self._bill(unit)) if child.part in self._bill(unit)[code]["takes"]]
        rework = self.scan_points[scan_point].get("kind") == "rework"
        here = [code for code in taking if rework or scan_point in self._bill(unit)[code]["at"]]
        if stated is not None:
            if stated not in here:
                reasons.add("wrong-part")
            return stated
        if not here:
            reasons.add("wrong-part")
        for candidates in (here, taking):
            with_room = [code for code in candidates if self._free(unit, code, at, FOREVER)]
            if candidates:
                return (with_room or candidates)[0]
        return ""

    def _end(self, unit: Item, child: Item | None, position: str, at: datetime) -> datetime:
        """When a claim ends: at the first removal known for it."""
        return min(
            (
                row["at"]
                for row in self.removals
                if (row["parent"], row["child"]) == (unit, child)
                and row["position"] in (None, position)
                and row["at"] >= at
            ),
            default=FOREVER,
        )

    def _free(self, unit: Item, position: str, started: datetime, ended: datetime) -> list[int]:
        """The slots of a position that nothing undisputed covers between two moments."""
        taken = {
            slot
            for row in self.marriages
            if (row["parent"], row["position"]) == (unit, position) and not row["disputed"]
            if _overlap(row, started, ended)
            for slot in range(row["slot"], row["slot"] + row["quantity"])
        }
        return [slot for slot in range(1, self._bill(unit)[position]["slots"] + 1) if slot not in taken]

    def _slots(
        self, unit: Item, position: str, stated: int | None, quantity: int, started: datetime, ended: datetime
    ) -> list[int]:
        """The slots that a component gets; none if there are not enough."""
        free = self._free(unit, position, started, ended)
        wanted = free[:quantity] if stated is None else [*range(stated, stated + quantity)]
        return wanted if len(wanted) == quantity and set(wanted) <= set(free) else []

    def _holds(self, outer: Item, inner: Item, started: datetime, ended: datetime) -> bool:
        """Whether one item is, or is somewhere inside, another at some time between two moments."""
        if outer == inner:
            return True
        return any(
            row["child"] == inner
            and _overlap(row, started, ended)
            and self._holds(outer, row["parent"], max(started, row["started"]), min(ended, row["ended"]))
            for row in self.marriages
        )

    def _marry(
        self,
        unit: Item,
        child: Item | None,
        position: str,
        slot: int,
        quantity: int,
        started: datetime,
        ended: datetime,
        *,
        disputed: bool = False,
        drawn_at: tuple[str, str] | None = None,
    ) -> None:
        self.marriages.append(
            {
                "number": len(self.marriages),
                "parent": unit,
                "child": child,
                "position": position,
                "slot": slot,
                "quantity": quantity,
                "started": started,
                "ended": ended,
                "disputed": disputed,
                "drawn_at": drawn_at,
            }
        )

    # -- lots

    def _draw(self, unit: Item, scan_point: str, filled: set[str | None], at: datetime, reasons: set[str]) -> bool:
        """What a unit takes from loaded lots; whether it takes anything."""
        drawn = False
        if self.scan_points[scan_point].get("kind") == "rework":
            return False
        for code, position in sorted(self._bill(unit).items()):
            if scan_point not in position["at"] or self.parts[position["takes"][0]]["trace"] != "lot":
                continue
            free = self._free(unit, code, at, FOREVER)
            if code in filled or not free:
                continue
            drawn = True
            lot = self._loaded((scan_point, code), at)
            if lot is None:
                reasons.add("lot-not-loaded")
            elif lot.part not in position["takes"]:
                reasons.add("wrong-part")
            ended = self._end(unit, lot, code, at)
            for first, pieces in _runs(free):
                self._marry(unit, lot, code, first, pieces, at, ended, drawn_at=(scan_point, code))
        return drawn

    def _loaded(self, use: tuple[str, str], at: datetime) -> Item | None:
        lot = None
        for started, ended, loaded in self.timeline(use):
            if started <= at < ended:
                lot = loaded
        return lot

    def timeline(self, use: tuple[str, str]) -> list[tuple[datetime, datetime, Item | None]]:
        """What was loaded at a point of use from when until when; what lasted no time is left out."""
        there = sorted((row for row in self.loadings if row["use"] == use), key=lambda row: row["at"])
        ends = [*(row["at"] for row in there), FOREVER][1:]
        return [(row["at"], ended, row["lot"]) for row, ended in zip(there, ends, strict=True) if row["at"] < ended]

    def _loading(self, message: Mapping[str, Any], at: datetime) -> set[str]:
        reasons = set()
        lot = None if message.get("lot") is None else self._named(message["lot"])
        fed = {
            code: position["takes"]
            for bill in self.positions.values()
            for code, position in bill.items()
            if message["scan_point"] in position["at"] and self.parts[position["takes"][0]]["trace"] == "lot"
        }
        position = message.get("position")
        if position is None:
            assert lot is not None
            taking = [code for code, takes in fed.items() if lot.part in takes]
            if len(taking) != 1:
                return {"wrong-part"}
            (position,) = taking
        elif position not in fed or (lot is not None and lot.part not in fed[position]):
            reasons.add("wrong-part")
        use = (message["scan_point"], position)
        self.loadings.append({"use": use, "lot": lot, "at": at})
        (until,) = [ended for started, ended, _ in self.timeline(use) if started == at]
        for row in self.marriages:
            if row["drawn_at"] == use and at <= row["started"] < until and row["child"] != lot:
                reasons.add("loaded-late")
                row["child"] = lot
        return reasons

    # -- removals

    def _removal(self, message: Mapping[str, Any], at: datetime) -> set[str]:
        reasons: set[str] = set()
        if message.get("component") is not None and self._named(message["component"]) is None:
            return {"unknown-part"}
        unit = self._built(message["unit"], reasons)
        self._worked(unit, message, at)
        position, slot = message.get("position"), message.get("slot")
        there = [
            row
            for row in self.marriages
            if row["parent"] == unit
            and position in (None, row["position"])
            and (slot is None or row["slot"] <= slot < row["slot"] + row["quantity"] or row["slot"] == slot)
            and row["started"] <= at < row["ended"]
        ]
        if message.get("component") is None:
            children = {row["child"] for row in there} - {None}
            if len(children) != 1:
                return reasons | {"not-installed"}
            (child,) = children
        else:
            child = self._named(message["component"])
            assert child is not None
            self._know(child)
        self.removals.append({"parent": unit, "child": child, "position": position, "at": at})
        ends = [row for row in there if row["child"] == child]
        if not ends or any(row["ended"] != FOREVER for row in ends):
            reasons.add("not-installed")
        for row in ends:
            row["ended"] = at
        return reasons

    # -- certainty

    def near_changes(self) -> dict[int, set[Item]]:
        """Draws within the slack of a lot change: number of the marriage, and the other lots that it may be of."""
        near: dict[int, set[Item]] = {}
        for use in {row["drawn_at"] for row in self.marriages if row["drawn_at"]}:
            slack = self.scan_points[use[0]]["slack"]
            draws = sorted(
                (row for row in self.marriages if row["drawn_at"] == use),
                key=lambda row: (row["started"], row["number"]),
            )
            timeline = self.timeline(use)
            for (_, change, old), (_, _, new) in pairwise(timeline):
                if old is None or new is None or old == new:
                    continue
                after = [row for row in draws if row["started"] >= change]
                before = [row for row in reversed(draws) if row["started"] < change]
                for side, other in ((after, old), (before, new)):
                    pieces = 0
                    for row in side:
                        if pieces < slack:
                            near.setdefault(row["number"], set()).add(other)
                        pieces += row["quantity"]
        for row in self.marriages:
            near.get(row["number"], set()).discard(row["child"])
        return near

    # -- questions

    def tree(self, item: Item, as_of: datetime | None = None, *, removed: bool = False) -> list[Row]:
        """What is in an item, with what is in that, and so on; with all that ever was, if `removed`.

        What was in it for no time at all is told of the item itself, but not of what holds that.
        """
        near = self.near_changes()

        def content(parent: Item, started: datetime, ended: datetime) -> list[Row]:
            rows = []
            for row in self.marriages:
                first, last = max(started, row["started"]), min(ended, row["ended"])
                if row["parent"] != parent or not self._shown(row, as_of, removed=removed):
                    continue
                if first >= last and parent != item:
                    continue
                inside = [] if row["child"] is None else content(row["child"], first, last)
                certain = not row["disputed"] and row["number"] not in near
                or_lot = sorted(near.get(row["number"], ()))
                rows.append({**row, "certain": certain, "or_lot": or_lot, "content": inside})
            return rows

        return content(item, datetime.fromisoformat("0001-01-01T00:00:00Z"), FOREVER)

    def _shown(self, row: Row, as_of: datetime | None, *, removed: bool) -> bool:
        if removed:
            return as_of is None or bool(row["started"] <= as_of)
        if as_of is None:
            return bool(row["ended"] == FOREVER)
        return bool(row["started"] <= as_of < row["ended"])

    def paths(self, suspects: Mapping[str, Any], as_of: datetime | None = None) -> list[Path]:
        """Every way from the suspects to a unit."""
        near = self.near_changes()

        def above(item: Item, started: datetime, ended: datetime, way: int = 0) -> Iterator[Path]:
            if self.parts[item.part].get("sold"):
                yield Path(item, (), started, ended, certain=True)
                if way:
                    return
            for row in self.marriages:
                booked = row["child"] == item
                first, last = max(started, row["started"]), min(ended, row["ended"])
                if not (booked or item in near.get(row["number"], ())) or first >= last:
                    continue
                if as_of is not None and row["started"] > as_of:
                    continue
                sure = booked and not row["disputed"] and row["number"] not in near
                for path in above(row["parent"], first, last, way + 1):
                    yield path._replace(marriages=(row, *path.marriages), certain=sure and path.certain)

        seeds = list(self._seeds(suspects))
        return [
            path for item, since in seeds if as_of is None or since <= as_of for path in above(item, since, FOREVER)
        ]

    def affected(self, suspects: Mapping[str, Any], as_of: datetime | None = None) -> dict[Item, Row]:
        """The units affected by suspects: whether certainly, and whether what is suspected still is inside."""
        units: dict[Item, Row] = {}
        for path in self.paths(suspects, as_of):
            inside = path.ended == FOREVER if as_of is None else path.started <= as_of < path.ended
            unit = units.setdefault(path.unit, {"certain": False, "inside": False})
            unit["certain"] |= path.certain
            unit["inside"] |= inside
        return units

    def _seeds(self, suspects: Mapping[str, Any]) -> Iterator[tuple[Item, datetime]]:
        """Suspect items, each with the moment from which on it is suspect."""
        always = datetime.fromisoformat("0001-01-01T00:00:00Z")
        for item in self._suspect_items(suspects):
            yield item, always
            if item.kind == "lot":
                yield from (
                    (member, always)
                    for member, lot in self.items.items()
                    if (member.part, member.kind, lot) == (item.part, "serial", item.code)
                )
        for worked in suspects.get("worked", ()):
            for row in self.work:
                asked = {name: worked[name] for name in ("scan_point", "operator", "instrument") if name in worked}
                if all(row[name] == code for name, code in asked.items()) and _within(row["at"], worked):
                    yield row["item"], row["at"]

    def _suspect_items(self, suspects: Mapping[str, Any]) -> Iterable[Item]:
        for name in suspects.get("items", ()):
            kind = "serial" if "serial" in name else "lot"
            yield Item(name["part"], kind, name[kind])
        for serials in suspects.get("serial_ranges", ()):
            first, last = serials["from"], serials["to"]
            for item in self.items:
                alike = (item.part, item.kind) == (serials["part"], "serial") and len(item.code) == len(first)
                if alike and first <= item.code <= last:
                    yield item
        for received in suspects.get("received", ()):
            for row in self.receipts:
                meant = row["supplier"] == received["supplier"] and received.get("part") in (None, row["part"])
                if meant and _within(row["at"], received):
                    yield from row["items"]


def _within(at: datetime, window: Mapping[str, str]) -> bool:
    return moment(window["from"]) <= at < moment(window["to"])


def _overlap(row: Mapping[str, Any], started: datetime, ended: datetime) -> bool:
    """Whether a marriage holds at some moment of [started, ended)."""
    return bool(max(row["started"], started) < min(row["ended"], ended))


def _runs(slots: list[int]) -> list[tuple[int, int]]:
    """Consecutive slots together: the first, and how many."""
    runs: list[tuple[int, int]] = []
    for slot in slots:
        if runs and slot == sum(runs[-1]):
            runs[-1] = (runs[-1][0], runs[-1][1] + 1)
        else:
            runs.append((slot, 1))
    return runs
