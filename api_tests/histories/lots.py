"""The reckoning of lots: what is up at a point of use, which lot a draw is of, and which others it may be of."""

from __future__ import annotations

from datetime import datetime
from itertools import pairwise

from api_tests.histories.lists import FOREVER, Item, Lists, Message, Reasons, Row

Use = tuple[str, str]
"""A point of use: scan point and position."""


class Lots(Lists):
    """Loadings, transfers and receipts."""

    def _receipt(self, message: Message, at: datetime) -> Reasons:
        lot = message.get("lot")
        received = [Item(message["part"], "serial", serial) for serial in message.get("serials", ())]
        for item in received:
            if item not in self.items and "produced_on" in message:
                self.dates[item] = message["produced_on"]
            self._know(item, lot)
        if lot is not None:
            received.append(Item(message["part"], "lot", lot))
            self._know(received[-1])
            if "produced_on" in message:
                self.dates[received[-1]] = message["produced_on"]
        row = {"number": self._number(), "supplier": message["supplier"], "part": message["part"], "at": at}
        quantity = message.get("quantity") or len(message.get("serials", ()))
        self.receipts.append({**row, "items": received, "quantity": quantity})
        return set()

    def _transfer(self, message: Message, at: datetime) -> Reasons:
        target = self._named(message["into"])
        sources = [self._named(portion["lot"]) for portion in message["sources"]]
        assert target is not None
        reasons = set()
        for source, portion in zip(sources, message["sources"], strict=True):
            assert source is not None
            if source.part != target.part:
                reasons.add("wrong-part")
            elif target in self._ever_in(source):
                reasons.add("inside-itself")
            else:
                row = {"source": source, "target": target, "quantity": portion["quantity"], "at": at}
                self.transfers.append({"number": self._number(), **row})
        return reasons

    # -- what is up

    def feeders(self, use: Use) -> list[str]:
        """The feeders of a point of use at which anything was ever put up."""
        return sorted({row["feeder"] for row in self.loadings if row["use"] == use})

    def timeline(self, use: Use, feeder: str = "1") -> list[tuple[datetime, datetime, Row]]:
        """What was loaded at a feeder from when until when; what lasted no time is left out."""
        there = sorted(
            (row for row in self.loadings if (row["use"], row["feeder"]) == (use, feeder)), key=lambda row: row["at"]
        )
        ends = [*(row["at"] for row in there), FOREVER][1:]
        return [(row["at"], ended, row) for row, ended in zip(there, ends, strict=True) if row["at"] < ended]

    def up(self, use: Use, at: datetime) -> list[Row]:
        """The loadings from which a unit may take at a moment: the one loaded first comes first."""
        there = [
            row
            for feeder in self.feeders(use)
            for started, ended, row in self.timeline(use, feeder)
            if started <= at < ended and row["lot"] is not None
        ]
        return sorted(there, key=lambda row: (row["at"], row["feeder"]))

    def left(self, loading: Row) -> int | None:
        """Pieces left in the container, if they are counted."""
        if loading["quantity"] is None:
            return None
        drawn: int = sum(row["quantity"] for row in self.marriages if row["loading"] == loading["number"])
        return int(loading["quantity"]) - drawn

    def _booked(self, use: Use, at: datetime) -> Row | None:
        """The loading that a draw is booked on."""
        there = self.up(use, at)
        filled = [row for row in there if (left := self.left(row)) is None or left > 0]
        return next(iter([*filled, *there]), None)

    # -- loadings

    def _fed(self, scan_point: str) -> dict[str, set[str]]:
        """The positions that are fed with lots at a scan point, and the parts that they take."""
        fed: dict[str, set[str]] = {}
        for bill in self.plant.positions.values():
            for code, position in bill.items():
                if scan_point in position["at"] and self.plant.parts[position["takes"][0]]["trace"] == "lot":
                    fed.setdefault(code, set()).update(position["takes"])
        return fed

    def _loading(self, message: Message, at: datetime) -> Reasons:
        reasons = set()
        lot = None if message.get("lot") is None else self._named(message["lot"])
        fed, position = self._fed(message["scan_point"]), message.get("position")
        if position is None:
            assert lot is not None
            taking = [code for code, takes in fed.items() if lot.part in takes]
            if len(taking) != 1:
                return {"wrong-part"}
            (position,) = taking
        elif position not in fed or (lot is not None and lot.part not in fed[position]):
            reasons.add("wrong-part")
        row = {"use": (message["scan_point"], position), "feeder": message.get("feeder", "1"), "lot": lot, "at": at}
        row |= {"number": self._number(), "quantity": message.get("quantity")}
        self.loadings.append(row)
        return reasons | ({"loaded-late"} if self._redraw(row) else set())

    def _redraw(self, loading: Row) -> bool:
        """Book anew what was drawn while a loading was the last at its feeder; whether any draw changes its lot."""
        use = loading["use"]
        until = next(
            (ended for _, ended, row in self.timeline(use, loading["feeder"]) if row is loading), loading["at"]
        )
        draws = [row for row in self.marriages if row["drawn_at"] == use and loading["at"] <= row["started"] < until]
        before = [row["child"] for row in draws]
        for row in draws:
            row["loading"] = None
        for row in sorted(draws, key=lambda row: (row["started"], row["number"])):
            booked = self._booked(use, row["started"])
            row |= {"child": None, "loading": None}
            if booked is not None:
                row |= {"child": booked["lot"], "loading": booked["number"]}
        return before != [row["child"] for row in draws]

    # -- certainty

    def near_changes(self) -> dict[int, set[Item]]:
        """Draws that may be of another lot: number of the marriage, and the other lots."""
        near: dict[int, set[Item]] = {}
        for use in {row["drawn_at"] for row in self.marriages if row["drawn_at"]}:
            draws = sorted(
                (row for row in self.marriages if row["drawn_at"] == use),
                key=lambda row: (row["started"], row["number"]),
            )
            for row in draws:
                others = {loading["lot"] for loading in self.up(use, row["started"])} - {row["child"]}
                if others:
                    near.setdefault(row["number"], set()).update(others)
            for feeder in self.feeders(use):
                self._near_changes_of(use, feeder, draws, near)
        for row in self.marriages:
            near.get(row["number"], set()).discard(row["child"])
        return near

    def _near_changes_of(self, use: Use, feeder: str, draws: list[Row], near: dict[int, set[Item]]) -> None:
        """The draws within the slack of each lot change of a feeder."""
        slack = self.plant.scan_points[use[0]]["slack"]
        for (_, change, earlier), (_, _, later) in pairwise(self.timeline(use, feeder)):
            old, new = earlier["lot"], later["lot"]
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
