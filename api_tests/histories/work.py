"""The reckoning of work: starts, numbers and orders, tests and what makes them stale, when a unit is finished."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, datetime
from itertools import count

from api_tests.histories.lists import GONE, Item, Message, Reasons, Row
from api_tests.histories.lots import Lots


class Work(Lots):
    """What happens to a unit besides what goes in and out."""

    def _worked(self, item: Item, message: Message, at: datetime) -> None:
        where = {name: message.get(name) for name in ("kind", "scan_point", "operator", "instrument")}
        self.work.append({"item": item, "at": at, **where})

    # -- starts and numbers

    def _start(self, message: Message, at: datetime) -> Reasons:
        order, serial = self._order_for(message)
        item = Item(message["part"], "serial", serial or self._issue(message["part"], at))
        reasons = {"already-started"} if item in self.items else set()
        if order is not None and order["part"] != item.part:
            reasons.add("wrong-part")
        elif order is not None and item not in self.items:
            self.ordered[item] = order["order"]
        self._know(item)
        self._worked(item, message, at)
        return reasons

    def _issue(self, part: str, at: datetime) -> str:
        """The next number of a part's scheme that no item has, that no order names, and that never was given out."""
        scheme = self.plant.parts[part]["numbering"]
        row = self.plant.numberings[scheme]
        before = f"{row['prefix']}{at:%y%m}" if row.get("date") == "year-month" else row["prefix"]
        sharing = {code for code, of in self.plant.parts.items() if of.get("numbering") == scheme}
        taken = {item.code for item in self.items if item.part in sharing} | set(self.numbers.get(scheme, []))
        taken |= {order["serial"] for order in self.orders.values() if order["part"] in sharing and "serial" in order}
        number = next(number for body in count(1) if (number := f"{before}{body:0{row['digits']}}") not in taken)
        self.numbers.setdefault(scheme, []).append(number)
        return number

    def _block(self, message: Message, at: datetime) -> Reasons:
        for _ in range(message["count"]):
            self._issue(message["part"], at)
        return set()

    # -- orders

    def _build_order(self, message: Message, _at: datetime) -> Reasons:
        if message["line"] not in {point["line"] for point in self.plant.scan_points.values()}:
            return {"unknown-line"}
        reasons = set()
        for order in message["orders"]:
            before = self.orders.get(order["order"])
            started = before is not None and order["order"] in self.ordered.values()
            parts = {one["position"]: one["part"] for one in order.get("parts", ())}
            bill = self.plant.positions[order["part"]]
            if any(code not in bill or part not in bill[code]["takes"] for code, part in parts.items()):
                reasons.add("wrong-part")
            elif started and any(order.get(name) != before.get(name) for name in ("part", "serial")):  # type: ignore[union-attr]
                reasons.add("order-started")
            else:
                self.orders[order["order"]] = {"quantity": 1, **order, "line": message["line"], "parts": parts}
        return reasons

    def _order_for(self, message: Message) -> tuple[Row | None, str | None]:
        """The order that a start is for, and the serial number that it has or is given."""
        part, serial = message["part"], message.get("serial")
        line = self.plant.scan_points[message["scan_point"]]["line"]
        started = list(self.ordered.values())
        still = [row for row in self.orders.values() if started.count(row["order"]) < row["quantity"]]
        on_line = sorted((row for row in still if row["line"] == line), key=lambda row: (row["sequence"], row["order"]))
        if serial is None and on_line and on_line[0]["part"] == part:
            serial = on_line[0].get("serial")
        named = [row for row in still if serial is not None and row.get("serial") == serial]
        alike = [row for row in on_line if row["part"] == part and row.get("serial") is None]
        return next(iter([*named, *alike]), None), serial

    # -- tests

    def _test_run(self, message: Message, at: datetime) -> Reasons:
        reasons: Reasons = set()
        item = self._built(message["unit"], reasons)
        plan, needs = self.plant.plans[message["plan"]], self.plant.instruments.get(message["instrument"])
        if needs is None:
            reasons.add("unknown-instrument")
        elif needs and not self._calibrated(message["instrument"], at):
            reasons.add("calibration-overdue")
        if message.get("revision") not in (None, plan["revision"]):
            reasons.add("wrong-revision")
        verdict = self._verdict(plan, message)
        self._worked(item, message, at)
        row = {"number": self._number(), "item": item, "plan": message["plan"], "at": at, "verdict": verdict}
        values = {one["characteristic"]: one["value"] for one in message["measurements"] if "value" in one}
        row |= {name: message.get(name) for name in ("scan_point", "operator", "instrument")}
        row["values"] = values
        self.tests.append(row)
        if self._too_often(row, plan["retests"]):
            self._hold(item, discrepancy=False)
        return reasons

    def _verdict(self, plan: Row, message: Message) -> str:
        limits, theirs = plan["limits"], message.get("verdict")
        results = {one["characteristic"]: one.get("value", one.get("good")) for one in message["measurements"]}
        if not all(code in limits and limits[code](value) for code, value in results.items()):
            ours = "fail"
        else:
            ours = "pass" if results.keys() == limits.keys() else "incomplete"
        return ours if theirs is None or (ours == "pass") == (theirs == "pass") else "disputed"

    def _calibrate(self, message: Message, at: datetime) -> Reasons:
        if message["instrument"] not in self.plant.instruments:
            return {"unknown-instrument"}
        row = {name: message.get(name) for name in ("instrument", "good", "due_on")}
        self.calibrations.append({"number": self._number(), "at": at, **row})
        return set()

    def _calibrated(self, instrument: str, at: datetime) -> bool:
        there = [row for row in self.calibrations if row["instrument"] == instrument and row["at"] <= at]
        last = max(there, key=lambda row: (row["at"], row["number"]), default=None)
        return last is not None and last["good"] and date.fromisoformat(last["due_on"]) >= at.date()

    def _too_often(self, run: Row, retests: int | None) -> bool:
        """Whether a run is one more in a row that was not passed than may be repeated."""
        if retests is None or run["verdict"] == "pass":
            return False
        runs = self._runs(run["item"], run["plan"])
        passed = [place for place, row in enumerate(runs) if row["verdict"] == "pass"]
        since = runs[max(passed, default=-1) + 1 :]
        failed = [row for row in since if row["at"] >= self._stale_since(run["item"], run["plan"])]
        return run in failed and len(failed) == retests + 1

    def _runs(self, item: Item, plan: str) -> list[Row]:
        """The runs of a plan on an item, the last one last."""
        there = [row for row in self.tests if (row["item"], row["plan"]) == (item, plan)]
        return sorted(there, key=lambda row: (row["at"], row["number"]))

    def _stale_since(self, item: Item, plan: str) -> datetime:
        """The last moment at which a change made all earlier runs of a plan on an item stale."""
        moments = [row["at"] for row in self.stale if (row["item"], row["plan"]) == (item, plan)]
        return max(moments, default=datetime.fromisoformat("0001-01-01T00:00:00Z"))

    def counts(self, item: Item) -> dict[str, str]:
        """The runs that count on an item: the verdict by plan."""
        plans = {row["plan"] for row in self.tests if row["item"] == item}
        last = {plan: self._runs(item, plan)[-1] for plan in plans}
        return {plan: row["verdict"] for plan, row in last.items() if row["at"] >= self._stale_since(item, plan)}

    def _changed(self, unit: Item, position: str, at: datetime) -> None:
        """Something at a position changed: tests of the unit, and of all that held it then, no longer count."""
        for plan in self._bill(unit).get(position, {}).get("stale", ()):
            for item in self._with_holders(unit, at):
                self.stale.append({"item": item, "plan": plan, "at": at})

    def _with_holders(self, item: Item, at: datetime) -> Iterator[Item]:
        yield item
        for row in self.marriages:
            if row["child"] == item and row["started"] <= at < row["ended"] and not row["disputed"]:
                yield from self._with_holders(row["parent"], at)

    # -- finished

    def lacks(self, item: Item, *, packing: bool = False) -> Reasons:
        """Why an item is not whole: empty positions and tests, at every level."""
        reasons = set()
        for code, position in self._bill(item).items():
            if (packing or not position.get("packing")) and self._empty(item, code):
                reasons.add("gate-not-met")
        reasons |= {reason for plan in self._needed(item) if (reason := self._untested(item, plan))}
        for row in self._standing(item):
            reasons |= self.lacks(row["child"])
        return reasons

    def _needed(self, item: Item) -> set[str]:
        """The plans that an item must have passed: those of its route, and those that were ever run on it."""
        needed = {plan for step in self.plant.routes.get(item.part, ()) for plan in step["tests"]}
        return needed | {row["plan"] for row in self.tests if row["item"] == item}

    def _untested(self, item: Item, plan: str) -> str | None:
        runs = self._runs(item, plan)
        if not runs:
            return "test-missing"
        if runs[-1]["verdict"] != "pass":
            return "test-failed"
        return "test-stale" if runs[-1]["at"] < self._stale_since(item, plan) else None

    def _finish(self, unit: Item, scan_point: str) -> None:
        """The post at the last step of a route, or at a rework point after it, that leaves nothing lacking or held."""
        if not self._made(unit) or self._packaging(unit) or self.states.get(unit) not in ("in work", "came back"):
            return
        rework, ends = self._kind(scan_point) == "rework", self.plant.routes[unit.part][-1]["at"]
        at_the_end = not self._visited(unit).isdisjoint(ends) if rework else scan_point in ends
        if at_the_end and not self.lacks(unit) and not self._held_inside(unit):
            self.states[unit] = "finished"

    def _visited(self, unit: Item) -> set[str]:
        """The scan points at which a unit was; what only came out of it there does not count."""
        return {row["scan_point"] for row in self.work if row["item"] == unit and row["kind"] != "removal"}

    def _open(self, unit: Item) -> None:
        """Something came out of a unit: it and whatever holds it are no longer finished."""
        for item in (unit, *self._holders(unit)):
            if self.states[item] == "finished" and not self._packaging(item):
                self.states[item] = "in work"

    def _unpacked(self, item: Item) -> None:
        """A unit is in its carton no longer."""
        if self.states[item] == "packed":
            self.states[item] = "in work" if self.lacks(item) else "finished"

    def _refill(self, packaging: Item) -> None:
        """Packaging is finished while it is full."""
        if self.states[packaging] in ("in work", "finished"):
            full = not any(self._empty(packaging, code) for code in self._bill(packaging))
            self.states[packaging] = "finished" if full else "in work"

    def _closed(self, unit: Item, scan_point: str, *, emptied: bool) -> bool:
        """Whether nothing may be put into a unit, or taken out of it, at a scan point."""
        state, rework = self.states[unit], self._kind(scan_point) == "rework"
        if not {state, *(self.states[holder] for holder in self._holders(unit))}.isdisjoint({"packed", "shipped"}):
            return True
        if state in GONE:
            return not (emptied and rework)
        packed = self._kind(scan_point) == "pack" and state == "finished" and (self._packaging(unit) or not emptied)
        return state in ("finished", "came back") and not (rework or packed)
