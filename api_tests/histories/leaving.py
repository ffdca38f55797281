"""The reckoning of leaving: packing, labels, shipments, what may go, where everything is, what comes back."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime

from api_tests.histories.genealogy import Genealogy
from api_tests.histories.lists import FOREVER, Item, Message, Reasons, Row


class Leaving(Genealogy):
    """From the end of the line to the customer, and back."""

    # -- packing

    def _pack(self, message: Message, at: datetime) -> Reasons:
        reasons: Reasons = set()
        if "into" in message:
            into = self._built(message["into"], reasons)
        else:
            into = Item(message["packaging"], "serial", self._issue(message["packaging"], at))
            self._know(into)
        if self._closed(into, message["scan_point"], emptied=False):
            reasons.add("unit-closed")
        self._worked(into, message, at)
        before: list[Item] = []
        for name in message["contents"]:
            self._scanned(into, {"item": name}, message["scan_point"], at, reasons, before)
            self._worked(before[-1], message, at)
        self._refill(into)
        return reasons

    # -- labels

    def _print(self, message: Message, _at: datetime) -> Reasons:
        reasons: Reasons = set()
        for name in message["items"]:
            item = self._built(name, reasons)
            if (item, message["label"]) in self.labels and message.get("reason") is None:
                reasons.add("reprint-needs-reason")
            self.labels.append((item, message["label"]))
        return reasons

    # -- shipments

    def _ship(self, message: Message, at: datetime) -> Reasons:
        acts = {"load": self._load, "unload": self._unload, "despatch": self._despatch}
        return acts[message["action"]](message, at)

    def _loaded(self, shipment: str | None) -> list[Row]:
        return [row for row in self.lines if row["shipment"] == shipment and row["ended"] is None]

    def _load(self, message: Message, at: datetime) -> Reasons:
        reasons: Reasons = set()
        code = message["shipment"]
        shipment = self.shipments.get(code, {"consignee": message["consignee"], "despatched": None})
        if shipment["despatched"] is not None:
            reasons.add("shipment-closed")
            if message["mode"] == "ask":
                return reasons
        if message["consignee"] not in self.plant.consignees:
            return reasons | {"unknown-consignee"}
        if shipment["consignee"] != message["consignee"]:
            reasons.add("wrong-consignee")
        self.shipments[code] = shipment
        for name in message["contents"]:
            reasons |= self._load_one(name, message, at)
        return reasons

    def _load_one(self, name: Row, message: Message, at: datetime) -> Reasons:
        item = self._named(name)
        assert item is not None
        reasons = set() if item not in self.items else self._may_not_go(item)
        if item in self.items and not any(self._units(item)):
            reasons.add("nothing-to-ship")
        self._built(name, reasons)
        if self._holder(item) is not None or self._line(item) is not None:
            reasons.add("already-installed")
        if self._line(item) is None:
            row = {"shipment": message["shipment"], "item": item, "at": at, "ended": None}
            self.lines.append({"number": self._number(), **row})
        return reasons

    def _unload(self, message: Message, at: datetime) -> Reasons:
        reasons: Reasons = set()
        shipment = self.shipments.get(message["shipment"])
        if shipment is None:
            return {"unknown-shipment"}
        if shipment["despatched"] is not None:
            return {"shipment-closed"}
        for name in message["contents"]:
            item = self._named(name)
            there = None if item is None else self._line(item)
            if there is None or there["shipment"] != message["shipment"]:
                reasons.add("not-installed")
            else:
                there["ended"] = at
        return reasons

    def _despatch(self, message: Message, at: datetime) -> Reasons:
        shipment = self.shipments.get(message["shipment"])
        if shipment is None:
            return {"unknown-shipment"}
        if shipment["despatched"] is not None:
            return {"shipment-closed"}
        loaded = self._loaded(message["shipment"])
        if not loaded:
            return {"nothing-to-ship"}
        reasons: Reasons = set().union(*(self._may_not_go(row["item"]) for row in loaded))
        shipment["despatched"] = at
        for item in [inner for row in loaded for inner in self._inside(row["item"])]:
            if self._sold(item) or self._packaging(item):
                self.states[item] = "shipped"
        return reasons

    def _come_back(self, message: Message, at: datetime) -> Reasons:
        reasons: Reasons = set()
        unit = self._built(message["unit"], reasons)
        if message.get("consignee") not in (None, *self.plant.consignees):
            reasons.add("unknown-consignee")
        if "unknown-item" not in reasons and self.states[unit] != "shipped":
            reasons.add("not-shipped")
        for row in self.marriages:
            if row["child"] == unit and row["ended"] == FOREVER and not row["disputed"]:
                row["ended"] = max(at, row["started"])
        line = self._line(unit)
        if line is not None:
            line["ended"] = at
        self.states[unit] = "came back"
        for item in self._inside(unit) if "unknown-item" not in reasons else ():
            self.stale += [{"item": item, "plan": plan, "at": at} for plan in self._needed(item)]
        return reasons

    def sent(self) -> set[tuple[Item, str]]:
        """Units that ever left, and the consignees to whom they went."""
        went: set[tuple[Item, str]] = set()
        for row in self.lines:
            shipment = self.shipments[row["shipment"]]
            if shipment["despatched"] is None:
                continue
            left = max(shipment["despatched"], row["at"])
            if row["ended"] is None or row["ended"] > left:
                went |= {(unit, shipment["consignee"]) for unit in self._units_at(row["item"], left)}
        return went

    def _units_at(self, item: Item, at: datetime) -> Iterator[Item]:
        """The unit that an item is, or the units that were in packaging at a moment."""
        if self._sold(item):
            yield item
        elif self._packaging(item):
            for row in self.marriages:
                if row["parent"] == item and row["started"] <= at < row["ended"] and not row["disputed"]:
                    yield from () if row["child"] is None else self._units_at(row["child"], at)

    # -- where

    def may_not_ship(self, unit: Item) -> Reasons:
        """Why a unit may not be shipped, with what it stands in."""
        reasons, holders = self.may_not_leave(unit), self._holders(unit)
        if any(self._bare(holder) for holder in holders):
            reasons.add("gate-not-met")
        return reasons | {"on-hold"} if any(self._held(holder) for holder in holders) else reasons

    def where(self, item: Item) -> Row:
        """Where an item is: its state, what it stands in up to the top, and the shipment on which the top is."""
        inside = self._holders(item)
        line = self._line(inside[-1] if inside else item)
        return {
            "state": self.states[item],
            "inside": inside,
            "shipment": None if line is None else line["shipment"],
        }
