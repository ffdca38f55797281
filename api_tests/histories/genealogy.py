"""The reckoning of genealogy: what went into what, when it came out, and what speaks against it."""

from __future__ import annotations

from datetime import datetime

from api_tests.histories.lists import FOREVER, GONE, STATE_AFTER, Item, Message, Reasons, Row, overlap
from api_tests.histories.work import Work


class Genealogy(Work):
    """Marriages, removals, dispositions."""

    # -- marriages

    def _marriage(self, message: Message, at: datetime) -> Reasons:
        reasons: Reasons = set()
        unit = self._built(message["unit"], reasons)
        if self._closed(unit, message["scan_point"], emptied=False):
            reasons.add("unit-closed")
        self._worked(unit, message, at)
        filled, before = set[str | None](), list[Item]()
        for component in message.get("components", ()):
            filled.add(self._scanned(unit, component, message["scan_point"], at, reasons, before))
        drawn = self._draw(unit, message["scan_point"], filled, at, reasons)
        if not message.get("components") and not drawn:
            reasons.add("nothing-to-marry")
        if self._packaging(unit):
            self._refill(unit)
        return reasons

    def _scanned(
        self, unit: Item, component: Message, scan_point: str, at: datetime, reasons: Reasons, before: list[Item]
    ) -> str | None:
        """A scanned component goes in; the position that it went to."""
        child = self._named(component["item"])
        if child is None:
            reasons.add("unknown-part")
            return None
        if self._made(child) and child in self.items:
            reasons |= self._may_not_go(child)
        self._built(component["item"], reasons)
        position = self._put(unit, child, component, scan_point, at, reasons, before)
        before.append(child)
        return position

    def _put(
        self,
        unit: Item,
        child: Item,
        component: Message,
        scan_point: str,
        at: datetime,
        reasons: Reasons,
        before: list[Item],
    ) -> str | None:
        if self._holds(child, unit, at, FOREVER):
            reasons.add("inside-itself")
            return None
        if self.states[child] in GONE | {"shipped"} and not self._sold(child):
            reasons.add("not-usable")
        position = self._place(unit, child, component.get("position"), scan_point, at, reasons)
        ended = self._end(unit, child, position, at)
        installed = child in before or self._elsewhere(child, at, ended)
        installed = installed and child.kind == "serial"
        if installed or self._line(child) is not None:
            reasons.add("already-installed")
        asked = 1 if child.kind == "serial" else component.get("quantity")
        stated = component.get("slot")
        quantity, there = asked or 1, [(0, asked or 1)]
        if position in self._bill(unit):
            room = len(self._free(unit, position, at, FOREVER))
            there = _runs(self._slots(unit, position, stated, asked or room, at, ended))
            quantity = asked or room or 1
        if not there:
            reasons.add("no-free-slot")
        for first, pieces in there or [(stated or 0, quantity)]:
            self._marry(unit, child, position, first, pieces, at, ended, disputed=installed or not there)
        return position

    def _elsewhere(self, child: Item, started: datetime, ended: datetime) -> bool:
        """Whether an item undisputedly is in something at some time between two moments."""
        return any(
            row["child"] == child and not row["disputed"] and overlap(row, started, ended) for row in self.marriages
        )

    def _place(
        self, unit: Item, child: Item, stated: str | None, scan_point: str, at: datetime, reasons: Reasons
    ) -> str:
        """Where a component goes: as stated, else to the first position that takes it and has room."""
        bill = self._bill(unit)
        taking = [code for code in sorted(bill) if child.part in self._takes(unit, code)]
        rework = self._kind(scan_point) == "rework"
        here = [code for code in taking if rework or scan_point in bill[code]["at"]]
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

    def _takes(self, unit: Item, position: str) -> list[str]:
        """The parts that a position of a unit takes: one only, where it was ordered so."""
        order = self.orders.get(self.ordered.get(unit, ""))
        takes: list[str] = self._bill(unit)[position]["takes"]
        return takes if order is None or position not in order["parts"] else [order["parts"][position]]

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
            and overlap(row, started, ended)
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
        loading: int | None = None,
    ) -> None:
        row = {
            "number": self._number(),
            "parent": unit,
            "child": child,
            "position": position,
            "slot": slot,
            "quantity": quantity,
            "started": started,
            "ended": ended,
            "disputed": disputed,
            "drawn_at": drawn_at,
            "loading": loading,
        }
        self._changed(unit, position, started)
        self.marriages.append(row)
        if child is None or not self._sold(child) or not self._packaging(unit) or disputed or ended != FOREVER:
            return
        if self.states[child] not in GONE | {"shipped"}:
            self.states[child] = "packed"

    def _draw(self, unit: Item, scan_point: str, filled: set[str | None], at: datetime, reasons: Reasons) -> bool:
        """What a unit takes from loaded lots; whether it takes anything."""
        drawn = False
        if self._kind(scan_point) == "rework":
            return False
        for code, position in sorted(self._bill(unit).items()):
            if scan_point not in position["at"] or self.plant.parts[position["takes"][0]]["trace"] != "lot":
                continue
            free = self._free(unit, code, at, FOREVER)
            if code in filled or not free:
                continue
            drawn = True
            use = (scan_point, code)
            booked = self._booked(use, at)
            lot = None if booked is None else booked["lot"]
            if lot is None:
                reasons.add("lot-not-loaded")
            if any(row["lot"].part not in self._takes(unit, code) for row in self.up(use, at)):
                reasons.add("wrong-part")
            ended = self._end(unit, lot, code, at)
            loading = None if booked is None else booked["number"]
            for first, pieces in _runs(free):
                self._marry(unit, lot, code, first, pieces, at, ended, drawn_at=use, loading=loading)
        return drawn

    def _may_not_go(self, item: Item) -> Reasons:
        """Why a unit, or packaging with all that is in it, may not go on its way to the customer."""
        reasons = {"on-hold"} if self._held_inside(item) else set()
        if any(self._bare(inner) for inner in self._inside(item)):
            reasons.add("gate-not-met")
        return reasons.union(*(self.may_not_leave(unit) for unit in self._units(item)))

    def _bare(self, packaging: Item) -> bool:
        """Whether packaging lacks accessories; units and other packaging need not fill it."""
        packed = {part for part, row in self.plant.parts.items() if row.get("sold") or row.get("packaging")}
        return self._packaging(packaging) and any(
            self._empty(packaging, code)
            for code, position in self._bill(packaging).items()
            if packed.isdisjoint(position["takes"])
        )

    def may_not_leave(self, unit: Item) -> Reasons:
        """Why a unit may not leave the plant."""
        reasons = self.lacks(unit, packing=True)
        if self.states[unit] in GONE | {"shipped"}:
            reasons.add("unit-closed")
        visited = self._visited(unit)
        if any(visited.isdisjoint(step["at"]) for step in self.plant.routes[unit.part]):
            reasons.add("out-of-route-order")
        if self._held_inside(unit):
            reasons.add("on-hold")
        return reasons

    # -- removals

    def _removal(self, message: Message, at: datetime) -> Reasons:
        reasons: Reasons = set()
        if message.get("component") is not None and self._named(message["component"]) is None:
            return {"unknown-part"}
        unit = self._built(message["unit"], reasons)
        if self._closed(unit, message["scan_point"], emptied=True):
            reasons.add("unit-closed")
        self._worked(unit, message, at)
        self._open(unit)
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
                reasons.add("not-installed")
                self._replace(unit, [], message, at, reasons)
                if self._packaging(unit):
                    self._refill(unit)
                return reasons
            (child,) = children
        else:
            child = self._named(message["component"])
            assert child is not None
            self._know(child)
        ends = [row for row in there if row["child"] == child]
        if all(row["ended"] != FOREVER for row in ends):
            reasons.add("not-installed")
        stood = any(row["ended"] == FOREVER and not row["disputed"] for row in ends)
        for row in ends:
            self._changed(unit, row["position"], at)
            row["ended"] = at
        if self._packaging(unit) and stood:
            self._unpacked(child)
        self._replace(unit, ends, message, at, reasons)
        self._taken_out(unit, child, message, at)
        return reasons

    def _taken_out(self, unit: Item, child: Item, message: Message, at: datetime) -> None:
        went = message.get("destination", "stock")
        row = {"parent": unit, "child": child, "position": message.get("position"), "at": at, "destination": went}
        self.removals.append({"number": self._number(), **row})
        if went != "stock" and child.kind == "serial":
            self.states[child] = STATE_AFTER[went]
        if self._packaging(unit):
            self._refill(unit)

    def _replace(self, unit: Item, ends: list[Row], message: Message, at: datetime, reasons: Reasons) -> None:
        """Something goes in where something came out."""
        if message.get("replacement") is None:
            return
        if self._closed(unit, message["scan_point"], emptied=False):
            reasons.add("unit-closed")
        there = {"position": message.get("position"), "slot": message.get("slot")}
        if ends:
            first = min(ends, key=lambda row: row["slot"])
            there = {"position": first["position"] or None, "slot": first["slot"] or None}
        if message["replacement"].get("position") not in (None, there["position"]):
            there["slot"] = None
        self._scanned(unit, {**there, **message["replacement"]}, message["scan_point"], at, reasons, [])

    def _dispose(self, message: Message, at: datetime) -> Reasons:
        reasons: Reasons = set()
        item, went = self._built(message["item"], reasons), message["destination"]
        if (item.kind == "lot") != ("quantity" in message):
            return reasons | {"wrong-part"}
        on_line = any(row["item"] == item and row["ended"] is None for row in self.lines)
        if self._holder(item) is not None or on_line:
            reasons.add("already-installed")
        row = {"number": self._number(), "item": item, "at": at, "destination": went}
        self.dispositions.append({**row, "quantity": message.get("quantity", 1)})
        if item.kind == "serial":
            self.states[item] = STATE_AFTER.get(went) or ("in work" if self._made(item) else "usable")
        return reasons


def _runs(slots: list[int]) -> list[tuple[int, int]]:
    """Consecutive slots together: the first, and how many."""
    runs: list[tuple[int, int]] = []
    for slot in slots:
        if runs and slot == sum(runs[-1]):
            runs[-1] = (runs[-1][0], runs[-1][1] + 1)
        else:
            runs.append((slot, 1))
    return runs
