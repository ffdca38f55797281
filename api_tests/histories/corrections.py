"""The reckoning of corrections: a row was wrong, and all is from now on as if the truth had been recorded."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from api_tests.histories.leaving import Leaving
from api_tests.histories.lists import STATE_AFTER, Item, Message, Reasons, Row

MAY_SAY = {"marriages": {"component", "unit"}, "removals": set(), "loadings": {"lot"}, "tests": {"unit"}}
"""What a correction of each kind of row may say of the truth."""


class Corrections(Leaving):
    """What never was, and what was instead."""

    def __init__(self, *plant: Any) -> None:
        super().__init__(*plant)
        self.named: dict[int, int] = {}
        """The service's number of a row to our own."""

    def _correct(self, message: Message, _at: datetime) -> Reasons:
        number = self.named.get(message["wrong"])
        found = [(kind, row) for kind in MAY_SAY for row in getattr(self, kind) if row["number"] == number]
        if not found or number in self.wrong:
            return {"unknown-record"}
        ((kind, row),) = found
        if not {"component", "unit", "lot"} & message.keys() <= MAY_SAY[kind]:
            return {"not-correctable"}
        if kind == "marriages" and "unit" in message and row["child"] is None and "component" not in message:
            return {"not-correctable"}
        assert number is not None
        if kind != "loadings":  # what truly was up is written over it, and may be corrected again
            self.wrong.append(number)
        acts = {
            "marriages": self._correct_marriage,
            "removals": self._correct_removal,
            "loadings": self._correct_loading,
            "tests": self._correct_test,
        }
        return acts[kind](row, message)

    # -- marriages

    def _correct_marriage(self, wrong: Row, message: Message) -> Reasons:
        reasons: Reasons = set()
        self.marriages.remove(wrong)
        if self._packaging(wrong["parent"]) and wrong["child"] is not None:
            self._unpacked(wrong["child"])
        if "component" in message or "unit" in message:
            parent = self._built(message["unit"], reasons) if "unit" in message else wrong["parent"]
            child = self._built(message["component"], reasons) if "component" in message else wrong["child"]
            self._marry_truly(wrong, parent, child, reasons)
            self._lacking(parent)
        self._lacking(wrong["parent"])
        return reasons

    def _marry_truly(self, wrong: Row, parent: Item, child: Item, reasons: Reasons) -> None:
        started = wrong["started"]
        if self._holds(child, parent, started, wrong["ended"]):
            reasons.add("inside-itself")
            return
        bill, position = self._bill(parent), wrong["position"]
        if position not in bill or child.part not in self._takes(parent, position):
            reasons.add("wrong-part")
        ended = min(wrong["ended"], self._end(parent, child, position, started))
        installed = child.kind == "serial" and self._elsewhere(child, started, ended)
        if installed:
            reasons.add("already-installed")
        slot, quantity, free = 0, wrong["quantity"], list[int]()
        if position in bill:
            slot = wrong["slot"]
            free = self._slots(parent, position, slot or None, quantity, started, ended)
            slot = free[0] if free else slot
        taken = position in bill and not free
        if taken:
            reasons.add("no-free-slot")
        stale = list(self.stale)
        self._marry(parent, child, position, slot, quantity, started, ended, disputed=installed or taken)
        self.stale = stale

    def _lacking(self, unit: Item) -> None:
        """A unit, and what holds it, that is finished and now lacks something opens."""
        for item in (unit, *self._holders(unit)):
            if self._packaging(item):
                self._refill(item)
            elif self.states[item] == "finished" and self.lacks(item):
                self.states[item] = "in work"

    # -- removals

    def _correct_removal(self, wrong: Row, _message: Message) -> Reasons:
        self.removals.remove(wrong)
        parent, child = wrong["parent"], wrong["child"]
        shortened = [
            row
            for row in self.marriages
            if (row["parent"], row["child"], row["ended"]) == (parent, child, wrong["at"])
            if wrong["position"] in (None, row["position"])
        ]
        reasons: Reasons = set()
        before = [row["ended"] for row in shortened]
        for row in shortened:
            reasons |= self._contradicted(row)
            row["ended"] = self._end(parent, child, row["position"], row["started"])
        if reasons:  # what lasts longer may be in the way of what also would
            for row, ended in zip(shortened, before, strict=True):
                row["ended"] = ended
            return reasons
        if self.states[child] == STATE_AFTER.get(wrong["destination"]):
            self.states[child] = "in work" if self._made(child) else "usable"
        return reasons

    def _contradicted(self, row: Row) -> Reasons:
        """What else is undisputedly known for the longer time that a marriage would last."""
        if row["disputed"]:
            return set()
        parent, child, position = row["parent"], row["child"], row["position"]
        longer = row["ended"], self._end(parent, child, position, row["started"])
        reasons = set()
        if child.kind == "serial" and self._elsewhere(child, *longer):
            reasons.add("already-installed")
        wanted = range(row["slot"], row["slot"] + row["quantity"])
        if position in self._bill(parent) and not {*wanted} <= {*self._free(parent, position, *longer)}:
            reasons.add("no-free-slot")
        return reasons

    # -- loadings and test runs

    def _correct_loading(self, wrong: Row, message: Message) -> Reasons:
        lot = None if "lot" not in message else self._named(message["lot"])
        point, position = wrong["use"]
        reasons = {"wrong-part"} if lot is not None and lot.part not in self._fed(point).get(position, ()) else set()
        wrong["lot"] = lot
        self._redraw(wrong)
        return reasons

    def _correct_test(self, wrong: Row, message: Message) -> Reasons:
        reasons: Reasons = set()
        self.tests.remove(wrong)
        if "unit" in message:
            item = self._built(message["unit"], reasons)
            self.tests.append({**wrong, "number": self._number(), "item": item})
        return reasons
