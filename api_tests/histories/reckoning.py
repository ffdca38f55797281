"""An independent reckoning of what messages mean: plain lists and dicts, naive loops, nothing shared with the service.

It hears every message as it was posted, in the order of the journal, and whether it was accepted. It says which of
the reasons that it knows speak against a message, and answers questions from its lists. It is slow on purpose: every
answer is found by looking at everything.

lists        what is kept, and the plainest questions about it
lots         what is up at a point of use, which lot a draw is of, which others it may be of
work         starts, numbers, orders, tests; what a unit lacks, when it is finished
genealogy    marriages, removals, dispositions
leaving      packing, labels, shipments, returns; what may go, where everything is
corrections  what never was, and what was instead
questions    trees, and the units that are affected
containment  what cases list, stop and settle; where the pieces of lots are
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from copy import deepcopy
from datetime import datetime
from typing import Any

from api_tests.histories.containment import Containment
from api_tests.histories.lists import Item, Message, Reasons, moment

KNOWN_REASONS = frozenset(
    """unknown-item already-started wrong-part no-free-slot already-installed inside-itself unknown-part
    lot-not-loaded loaded-late nothing-to-marry not-installed not-usable unknown-record not-correctable not-shipped
    shipment-closed wrong-consignee unknown-consignee unknown-shipment nothing-to-ship reprint-needs-reason
    calibration-overdue unknown-instrument wrong-revision unknown-line order-started case-known unknown-case case-closed
    not-listed suspect-inside not-accounted not-reached unknown-suspect unknown-sorting sorting-known nothing-to-sort
    not-drawn not-verified""".split()
)
"""The reasons that the reckoning foretells. For all others it believes the service. It does not tell a component that
has been removed from one that never was there: it is `not-installed`."""

KNOWN_OF = {
    "marriage": {"unit-closed"},
    "removal": {"unit-closed"},
    "shipment": {"unit-closed", "gate-not-met", "out-of-route-order", "on-hold"}
    | {"test-missing", "test-failed", "test-stale"},
    "case-decision": {"test-failed", "test-stale"},
}
"""Reasons that it foretells of these messages only."""

ROWS = {
    "married": ("marriages", ("parent", "child", "position", "slot", "quantity", "disputed")),
    "removed": ("removals", ("parent", "child")),
    "loaded": ("loadings", ("lot", "feeder", "quantity")),
    "tested": ("tests", ("item", "verdict")),
    "held": ("holds", ("item", "discrepancy")),
}
"""Facts that make a row with a number: the list in which the reckoning has it, and what both say of it."""


class Reckoning(Containment):
    """All that was heard, as lists."""

    def hear(self, message: Message, accepted: bool, answer: Mapping[str, Any] | None = None) -> Reasons:
        """Take in a message, if it was accepted; answer the known reasons against it either way.

        Of the service's answer only two things are used: the numbers by which later messages name the rows that it
        made, and reasons that the reckoning does not know.
        """
        before = None if accepted else deepcopy({name: of for name, of in self.__dict__.items() if name != "plant"})
        self.before = self.count
        reasons = self._acts()[message["kind"]](message, moment(message["occurred_at"]))
        if before is not None:
            self.__dict__.update(before)
            return reasons
        self.entry = None if answer is None else answer["entry"]
        self._settle(message, reasons, answer)
        self._name_rows(answer)
        self.follow(message)
        return reasons

    def _acts(self) -> Mapping[str, Callable[[Message, datetime], Reasons]]:
        return {
            "unit-start": self._start,
            "marriage": self._marriage,
            "removal": self._removal,
            "lot-loading": self._loading,
            "receipt": self._receipt,
            "test-run": self._test_run,
            "hold": self._stop,
            "number-block": self._block,
            "label-print": self._print,
            "disposition": self._dispose,
            "correction": self._correct,
            "lot-transfer": self._transfer,
            "calibration": self._calibrate,
            "build-order": self._build_order,
            "packing": self._pack,
            "shipment": self._ship,
            "customer-return": self._come_back,
            "containment": self._contain,
            "case-decision": self._decide,
            "notice": self._notify,
            "sorting": self._sort,
            "inspection": self._inspect,
            "stock-count": self._count,
        }

    def _stop(self, message: Message, _at: datetime) -> Reasons:
        reasons: Reasons = set()
        if message["action"] == "place":
            item = self._named(message["item"])
            if item is not None:
                self._hold(self._built(message["item"], reasons), discrepancy=False)
        else:
            number = self.named.get(message["hold"])
            for row in self.holds:
                row["open"] = row["open"] and row["number"] != number
        return reasons

    def _settle(self, message: Message, reasons: Reasons, answer: Mapping[str, Any] | None) -> None:
        """A discrepancy stops what was worked on; what is then whole and not stopped is finished."""
        disputed = [row["item"] for row in self.tests[-1:] if row["verdict"] == "disputed"]
        contradicted = bool(reasons) or (answer is not None and bool(answer["discrepancies"]))
        if message["kind"] == "test-run":
            contradicted |= bool(disputed)
        unit = self._named(message["unit"]) if answer is None and "unit" in message else None
        stopped = [unit] if contradicted and unit is not None else []
        if answer is not None:
            unit = None if answer["unit"] is None else _plain(answer["unit"])
            held = [fact for fact in answer["facts"] if fact["fact"] == "held" and fact["discrepancy"]]
            stopped = [_plain(fact["item"]) for fact in held]
            assert contradicted or not stopped, answer
            assert unit is None or (unit in stopped) == contradicted, answer
        for item in stopped:
            self._hold(item, discrepancy=True)
        if unit is not None and message["kind"] == "packing":
            self._refill(unit)
        if unit is not None and (message["kind"] in ("unit-start", "marriage", "test-run") or "replacement" in message):
            self._finish(unit, message["scan_point"])

    def _name_rows(self, answer: Mapping[str, Any] | None) -> None:
        """Learn the service's numbers of the rows that were made; all must look as they do here."""
        for name, (kind, told) in ROWS.items():
            rows = sorted(
                (row for row in getattr(self, kind) if row["number"] > self.before), key=lambda row: _looks(row, told)
            )
            facts = rows  # where nobody answered, the rows go by our own numbers
            if answer is not None:
                facts = [fact for fact in answer["facts"] if fact["fact"] == name]
                facts.sort(key=lambda fact: _looks(fact, told))
                assert [_looks(fact, told) for fact in facts] == [_looks(row, told) for row in rows], answer
            self.named |= {fact["number"]: row["number"] for fact, row in zip(facts, rows, strict=True)}


def _looks(row: Mapping[str, Any], told: tuple[str, ...]) -> list[str]:
    """What tells a row from others of its message, be it a fact or our own."""
    return [str(_plain(row[name])) for name in told]


def _plain(value: Any) -> Any:
    if not isinstance(value, dict):
        return value
    kind = "serial" if "serial" in value else "lot"
    return Item(value["part"], kind, value[kind])
