"""The reckoning of containment: what is affected, what cases list and stop and settle, and where lots went."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Mapping
from datetime import datetime
from fractions import Fraction
from hashlib import sha256
from itertools import count
from math import ceil, comb
from typing import Any

from api_tests.histories.lists import FOREVER, GONE, STATE_AFTER, Item, Message, Reasons, Row
from api_tests.histories.questions import Questions, combined

FREES = frozenset({"use as is", "verified good", "rework", "corrected in the field", "not recovered"})
"""Decisions that release the holds of their case; with any of them a thing is settled."""

BUCKETS = {"scrapped": "scrapped", "returned": "returned", "in analysis": "in_analysis"}
"""Where a balance has the pieces that are in a state."""

STATE_DECIDED = {"scrap": "scrapped", "return to supplier": "returned"}
"""Decisions that are settled once a serial item is in this state."""


class Containment(Questions):
    """Cases, and the balance of lots."""

    # -- what is affected

    def things(self, suspects: Mapping[str, Any]) -> dict[Item, Row]:
        """All that is affected: whether certainly, whether suspected itself, whether something suspect is still in."""
        near, books = self.near_changes(), self.in_books()
        found = combined(suspects, lambda any_of: self._things_of(any_of, near))
        return {item: row for item, row in found.items() if item in books}

    def _things_of(self, any_of: Mapping[str, Any], near: Mapping[int, set[Item]]) -> dict[Item, Row]:
        found: dict[Item, Row] = {}
        for suspect, since in self._seeds(any_of, None):
            _note(found, suspect, certain=True, suspect=True, still=True)
            for item, ended, certain in (*self._poured(suspect), *self._up(suspect, since, FOREVER, near)):
                _note(found, item, certain=certain, suspect=False, still=ended == FOREVER)
        return found

    def _poured(self, suspect: Item) -> Iterator[tuple[Item, datetime, bool]]:
        """The containers that pieces went into; certain where nothing else was in one just then."""
        for row in self.transfers:
            if suspect in self._sources(row["source"], row["at"]):
                yield row["target"], FOREVER, self._only_from(suspect, row["target"], row["at"])

    def _up(
        self,
        item: Item,
        started: datetime,
        ended: datetime,
        near: Mapping[int, set[Item]],
        way: int = 0,
        *,
        of_unit: bool = False,
    ) -> Iterator[tuple[Item, datetime, bool]]:
        """What an item is or was in, at every level: until when, and whether certainly.

        A unit that something suspect is in ends the way. The packaging of units is not affected by them.
        """
        if way and self._sold(item):
            return
        of_unit |= self._sold(item)
        for row in self.marriages:
            first, last = max(started, row["started"]), min(ended, row["ended"])
            booked, others = self._is_from(item, row["child"], row), near.get(row["number"], ())
            if first >= last or not (booked or any(self._is_from(item, other, row) for other in others)):
                continue
            sure = booked and not row["disputed"] and row["number"] not in near
            sure = sure and self._only_from(item, row["child"], row["started"])
            parent = row["parent"]
            if not (of_unit and self._packaging(parent)):
                yield parent, last, sure
            for path in self._beside(row, item, first, last, None):
                yield path.unit, path.ended, sure and path.certain
            for upper, until, certain in self._up(parent, first, last, near, way + 1, of_unit=of_unit):
                yield upper, until, sure and certain

    def gone(self, item: Item) -> bool:
        """Whether an item has left: it, or what it stands in, is shipped or used no more."""
        over = GONE | {"shipped"}
        return item.kind == "serial" and any(self.states[one] in over for one in (item, *self._holders(item)))

    def state(self, item: Item) -> str:
        """The state of an item; of a lot that nobody named but its serial items too."""
        return self.states.get(item, "usable")

    # -- the life of a case

    def _contain(self, message: Message, _at: datetime) -> Reasons:
        code, action = message["case"], message["action"]
        case = self.cases.get(code)
        if action == "open":
            if case is not None:
                return {"case-known"}
            self.cases[code] = {"status": "open", "revision": 0, "suspects": message["suspects"], "listed": {}}
            return set() if self.knows(message["suspects"]) else {"unknown-suspect"}
        if case is None:
            return {"unknown-case"}
        acts = {"freeze": self._freeze, "close": self._close, "reopen": self._reopen}
        return acts[action](case, message)

    def _freeze(self, case: Row, message: Message) -> Reasons:
        if case["status"] == "closed":
            return {"case-closed"}
        if not self.knows(message.get("suspects", {})):
            return {"unknown-suspect"}
        case |= {"status": "frozen", "revision": case["revision"] + 1}
        case["suspects"] = message.get("suspects") or case["suspects"]
        return set()

    def _close(self, case: Row, message: Message) -> Reasons:
        if case["status"] != "frozen":
            return {"case-closed"}
        pieces = [self.balance(item) for item, _ in self._on_list(case) if item.kind == "lot"]
        missing = any(of_lot["received"] > 0 and of_lot["unaccounted"] for of_lot in pieces)
        against = [
            not all(self._settled(case, item) for item, _ in self._on_list(case)),
            missing and "unaccounted" not in message,
            any(not row["drawn"] <= self._seen(row).keys() for row in self.sortings.values() if row["case"] is case),
            not self._told(case),
        ]
        if any(against):
            return {"not-accounted"}
        case["status"] = "closed"
        self._release(message["case"], [row["item"] for row in self.holds])
        return set()

    def _reopen(self, case: Row, _message: Message) -> Reasons:
        if case["status"] != "closed":
            return {"case-closed"}
        case["status"] = "frozen"
        return set()

    def _on_list(self, case: Row) -> list[tuple[Item, Row]]:
        """What a case lists and has not dropped."""
        return [(item, row) for item, row in case["listed"].items() if row["dropped_in"] is None]

    # -- what a case lists

    def follow(self, message: Message) -> None:
        """What is affected once a message was accepted: every frozen case lists it, and stops what has not left."""
        frozen = message["case"] if message["kind"] == "containment" and message["action"] == "freeze" else None
        for code, case in self.cases.items():
            if case["status"] != "frozen":
                continue
            found = self.things(case["suspects"])
            freezes = code == frozen and case["revision"] != case.get("last")
            if freezes:
                case |= {"frozen": found, "sha256": self._digest(found), "last": case["revision"]}
                self._drop(code, found)
            self._list(code, found, None if freezes else self.entry)
            if not freezes:
                self._stop_unsettled(code)

    def _drop(self, code: str, found: Mapping[Item, Row]) -> None:
        case = self.cases[code]
        for item, row in self._on_list(case):
            if item not in found:
                row["dropped_in"] = case["revision"]
                self._release(code, [item])

    def _list(self, code: str, found: Mapping[Item, Row], because: int | None) -> None:
        case = self.cases[code]
        for item, how in found.items():
            row, listing = case["listed"].get(item), {"revision": case["revision"], "because": because}
            listing |= {"certain": how["certain"], "dropped_in": None, "decision": None, "number": self._number()}
            if row is None:
                row = {"suspect": how["suspect"], "state": self.state(item), "gone": self.gone(item)}
                case["listed"][item] = row
            elif not _anew(row, how):
                continue
            else:
                listing["certain"] |= row["certain"]
            row |= listing
            self._stop_listed(code, item)

    def _stop_unsettled(self, code: str) -> None:
        """What is back, and is not settled or no longer is, is stopped."""
        case = self.cases[code]
        for item, _ in self._on_list(case):
            if not self._settled(case, item):
                self._stop_listed(code, item)

    def _stop_listed(self, code: str, item: Item) -> None:
        if not self.gone(item) and not self.stopped(code, item):
            self._hold(item, discrepancy=False, case=code)

    def stopped(self, code: str, item: Item) -> bool:
        """Whether a hold of a case is on an item."""
        return any(row["open"] and (row["case"], row["item"]) == (code, item) for row in self.holds)

    def _release(self, code: str, items: list[Item]) -> None:
        for row in self.holds:
            row["open"] = row["open"] and not (row["case"] == code and row["item"] in items)

    def _digest(self, found: Mapping[Item, Row]) -> str:
        """SHA-256 of a list: a line of canonical JSON a thing, in order of part, kind and code."""
        lines = []
        for item in sorted(found):
            row = {"part": item.part, item.kind: item.code, "state": self.state(item), "left": self.gone(item)}
            row["certainty"] = "certain" if found[item]["certain"] else "possible"
            row["suspect"] = found[item]["suspect"]
            lines.append(json.dumps(row, sort_keys=True, separators=(",", ":")) + "\n")
        return sha256("".join(lines).encode()).hexdigest()

    # -- decisions

    def _decide(self, message: Message, _at: datetime) -> Reasons:
        case = self.cases.get(message["case"])
        if case is None:
            return {"unknown-case"}
        if case["status"] != "frozen":
            return {"case-closed"}
        reasons: Reasons = set()
        listed, decision = dict(self._on_list(case)), message["decision"]
        found = self.things(case["suspects"])
        sorting = self.sortings.get(message.get("sorting", ""))
        if decision == "verified good" and (sorting is None or sorting["case"] is not case):
            sorting, reasons = None, {"unknown-sorting"}
        for item in map(self._named, message["items"]):
            assert item is not None
            if item not in listed:
                reasons.add("not-listed")
                continue
            inside = [inner for inner in self._inside(item) if inner.kind == "serial"]
            covered = [one for one in dict.fromkeys([item, *inside]) if one in listed]
            reasons |= self._speaks_against(decision, item, found)
            if sorting is not None and not self._verified(sorting, item, listed[item]):
                reasons.add("not-verified")
            for inner in covered:
                listed[inner]["decision"] = decision
            if decision in FREES:
                self._release(message["case"], covered)
        return reasons

    def _speaks_against(self, decision: str, item: Item, found: Mapping[Item, Row]) -> Reasons:
        if decision == "rework":
            inside = {"suspect-inside"} if found.get(item, {}).get("still", False) else set()
            untested = {self._untested(inner, plan) for inner in self._inside(item) for plan in self._needed(inner)}
            return inside | {reason for reason in untested if reason in ("test-stale", "test-failed")}
        if decision in ("corrected in the field", "not recovered"):
            around = (item, *self._holders(item)) if item.kind == "serial" else ()
            return set() if any(self.state(one) == "shipped" for one in around) else {"not-shipped"}
        return set()

    def _settled(self, case: Row, item: Item) -> bool:
        """Whether everything is done about a thing, or about what it stands in."""
        row = case["listed"].get(item)
        if row is not None and (row["dropped_in"] is not None or self._carried_out(item, row["decision"])):
            return True
        holder = self._holder(item)
        return holder is not None and self._settled(case, holder)

    def _carried_out(self, item: Item, decision: str | None) -> bool:
        if decision in STATE_DECIDED:
            if item.kind == "lot":
                return self.balance(item)["in_stock"] == 0
            return self.state(item) == STATE_DECIDED[decision]
        return decision in FREES

    # -- sorting

    def _sort(self, message: Message, _at: datetime) -> Reasons:
        case = self.cases.get(message["case"])
        if case is None or case["status"] != "frozen":
            return {"unknown-case" if case is None else "case-closed"}
        if message["sorting"] in self.sortings:
            return {"sorting-known"}
        population = [
            item
            for item, row in self._on_list(case)
            if row["certain"] == (message["listed"] == "certain") and row["decision"] is None
            if self._sold(item) and message.get("part") in (None, item.part)
        ]
        if not population:
            return {"nothing-to-sort"}
        taken = sorted(population, key=lambda item: _hash(f"{message['seed']}\n{item.part} {item.code}"))
        drawn = taken[: how_many(message["rule"], len(population), message["confidence"], message["fraction"])]
        row = {"case": case, "number": self._number(), "population": len(population), "drawn": set(drawn)}
        row |= {name: message.get(name) for name in ("listed", "part")}
        self.sortings[message["sorting"]] = {**row, "in_order": drawn, "inspected": []}
        return set()

    def _inspect(self, message: Message, at: datetime) -> Reasons:
        case, sorting = self.cases.get(message["case"]), self.sortings.get(message["sorting"])
        if case is None or sorting is None or sorting["case"] is not case:
            return {"unknown-sorting"}
        item = Item(message["item"]["part"], "serial", message["item"]["serial"])
        if item not in sorting["drawn"]:
            return {"not-drawn"}
        sorting["inspected"].append((at, self._number(), item, message["good"]))
        return set()

    def _seen(self, sorting: Row) -> dict[Item, bool]:
        """What the last inspection of each thing found."""
        return {item: good for _, _, item, good in sorted(sorting["inspected"])}

    def _verified(self, sorting: Row, item: Item, listed: Row) -> bool:
        """Whether a thing was inspected and good, or belongs to those of which a good sample was drawn."""
        seen = self._seen(sorting)
        if item in seen:
            return seen[item] or self._by_sample(sorting, item, listed)
        return self._by_sample(sorting, item, listed)

    def _by_sample(self, sorting: Row, item: Item, listed: Row) -> bool:
        seen = self._seen(sorting)
        good = all(seen.get(one, False) for one in sorting["drawn"])
        possible = sorting["listed"] == "possible" and not listed["certain"]
        was_there = self._sold(item) and sorting["part"] in (None, item.part) and listed["number"] < sorting["number"]
        return good and possible and bool(was_there)

    # -- what is told of a case

    def said_of_all(self, code: str) -> dict[Item, Row]:
        """What is to be said of each thing that a case lists."""
        case = self.cases[code]
        found = self.things(case["suspects"])
        return {
            item: {
                **{name: row[name] for name in ("suspect", "revision", "dropped_in", "because", "gone", "decision")},
                "certainty": "certain" if row["certain"] else "possible",
                "state": self.state(item),
                "left": self.gone(item),
                "still": found.get(item, {}).get("still", False),
                "affected": item in found,
                "settled": self._settled(case, item),
                "held": self.stopped(code, item),
            }
            for item, row in case["listed"].items()
        }

    # -- consignees

    def consignees(self, case: Row) -> set[str]:
        """Who was sent what a case lists."""
        listed = dict(self._on_list(case))
        return {consignee for unit, consignee in self.sent() if unit in listed}

    def _notify(self, message: Message, _at: datetime) -> Reasons:
        case = self.cases.get(message["case"])
        if case is None:
            return {"unknown-case"}
        consignee, reached = message.get("consignee"), self.consignees(case)
        reasons = set() if case["status"] == "frozen" else {"case-closed"}
        if consignee is not None and consignee not in self.plant.consignees:
            reasons.add("unknown-consignee")
        elif consignee is not None and consignee not in reached:
            reasons.add("not-reached")
        if message["action"] != "plan" and "unknown-consignee" in reasons:
            return reasons
        chosen = reached if message.get("level") == "A" else set()
        self.notices.append({**message, "chosen": chosen})
        return reasons

    def _told(self, case: Row) -> bool:
        """Whether those who were sent what is listed, and may not use it as it is, were told, and checked."""
        listed = {item for item, row in self._on_list(case) if row["decision"] != "use as is"}
        told = [row for row in self.notices if self.cases[row["case"]] is case]
        of = {action: [row for row in told if row["action"] == action] for action in ("sent", "checked", "plan")}
        reached = {consignee for unit, consignee in self.sent() if unit in listed}
        sent, checked = ({row["consignee"] for row in of[action]} for action in ("sent", "checked"))
        chosen = of["plan"][-1]["chosen"] if of["plan"] else set()
        return not reached or (reached <= sent and bool(of["plan"]) and chosen <= checked)

    # -- the balance of a lot

    def _count(self, message: Message, at: datetime) -> Reasons:
        lot = self._named(message["lot"])
        self.counted.append({"number": self._number(), "lot": lot, "at": at, "quantity": message["quantity"]})
        return set()

    def balance(self, lot: Item) -> dict[str, int]:
        """Where the pieces of a lot are, by what is recorded now."""
        poured_in = sum(row["quantity"] for row in self.transfers if row["target"] == lot)
        received = poured_in + self._received(lot)
        sums = {**self._in_units(lot), **self._went(lot)}
        sums["in_containers"] = sum(row["quantity"] for row in self.transfers if row["source"] == lot)
        counted = [row for row in self.counted if row["lot"] == lot]
        if self.plant.parts[lot.part]["trace"] == "serial":
            in_stock = sum(1 for item in self._members(lot) if self._holder(item) is None and not self.gone(item))
        elif counted:
            last = max(counted, key=lambda row: (row["at"], row["number"]))
            in_stock = last["quantity"] + self._changed_since(lot, last)
        else:
            in_stock = received - sum(sums.values())
        rest = received - sum(sums.values()) - in_stock
        return {"received": received, **sums, "in_stock": in_stock, "unaccounted": rest}

    def _received(self, lot: Item) -> int:
        """Pieces that came in: those without numbers; and serial items that belong to the lot or came as it, once."""
        of_lot = [row for row in self.receipts if lot in row["items"]]
        serials = {item for row in self.receipts for item in row["items"]}.intersection(self._members(lot))
        serials |= {item for row in of_lot for item in row["items"] if item.kind == "serial"}
        return len(serials) + sum(int(row["quantity"]) for row in of_lot if row["items"] == [lot])

    def _members(self, lot: Item) -> list[Item]:
        return [item for item in self.items if item.kind == "serial" and lot in self._lots_of(item)]

    def _in_units(self, lot: Item) -> dict[str, int]:
        near, pieces = self.near_changes(), {"in_units_certain": 0, "in_units_possible": 0}
        for row in self.marriages:
            if row["child"] == lot and row["ended"] == FOREVER:
                doubtful = row["disputed"] or row["number"] in near
                pieces["in_units_possible" if doubtful else "in_units_certain"] += row["quantity"]
        pieces["in_units_certain"] += sum(1 for item in self._members(lot) if self._holder(item) is not None)
        return pieces

    def _went(self, lot: Item) -> dict[str, int]:
        pieces, out = dict.fromkeys(BUCKETS.values(), 0), list[str]()
        for _, _, went, quantity in sorted(self._movements(lot)):
            if went != "stock":
                out += [BUCKETS[STATE_AFTER[went]]] * quantity
                continue
            pieces["scrapped"] -= max(0, quantity - len(out))
            del out[max(0, len(out) - quantity) :]
        for bucket in out:
            pieces[bucket] += 1
        for item in self._members(lot):
            if self._holder(item) is None and self.states[item] in BUCKETS:
                pieces[BUCKETS[self.states[item]]] += 1
        return pieces

    def _movements(self, lot: Item) -> Iterator[tuple[datetime, int, str, int]]:
        """What went out of use, and what of that was taken back to stock: when, its number, where to, pieces."""
        for row in self.dispositions:
            if row["item"] == lot:
                yield row["at"], row["number"], row["destination"], row["quantity"]
        for row in self.marriages:
            removal = self._ended_by(row) if row["child"] == lot else None
            if removal is not None and removal["destination"] != "stock":
                yield row["ended"], removal["number"], removal["destination"], row["quantity"]

    def elsewhere(self, lot: Item) -> int:
        """Pieces that are booked on other lots and may be of this one."""
        near = self.near_changes()
        return sum(row["quantity"] for row in self.marriages if row["child"] and lot in near.get(row["number"], ()))

    def _ended_by(self, row: Row) -> Row | None:
        """The removal that ended a marriage, none if it stands: of another lot or unit if that was corrected since."""
        if row["ended"] == FOREVER:
            return None
        then = [
            removal
            for removal in self.removals
            if removal["at"] == row["ended"] and removal["position"] in (None, row["position"])
        ]
        child, parent = row["child"], row["parent"]
        ways: list[Callable[[Row], bool]] = [
            lambda removal: removal["parent"] == parent and removal["child"] == child,
            lambda removal: removal["parent"] == parent and removal["child"].part == child.part,
            lambda removal: removal["child"] == child,
        ]
        fitting = (min(filter(way, then), key=lambda one: int(one["number"]), default=None) for way in ways)
        return next((removal for removal in fitting if removal is not None), None)

    def _changed_since(self, lot: Item, count: Row) -> int:
        """Pieces that came to stock since a count, less those that went."""

        def since(at: datetime, number: int) -> bool:
            return (at, number) > (count["at"], count["number"])

        pieces = 0
        for row in self.transfers:
            if since(row["at"], row["number"]):
                pieces += row["quantity"] * ((row["target"] == lot) - (row["source"] == lot))
        for row in self.receipts:
            pieces += row["quantity"] if lot in row["items"] and since(row["at"], row["number"]) else 0
        for row in self.dispositions:
            if row["item"] == lot and since(row["at"], row["number"]):
                pieces += row["quantity"] if row["destination"] == "stock" else -row["quantity"]
        for row in self.marriages:
            if row["child"] == lot:
                pieces += self._drawn_since(row, since)
        return pieces

    def _drawn_since(self, row: Row, since: Callable[[datetime, int], bool]) -> int:
        """What a marriage changed in stock since a count."""
        removal, pieces = self._ended_by(row), int(row["quantity"])
        change = -pieces if since(row["started"], row["number"]) else 0
        if row["ended"] == FOREVER or (removal is not None and removal["destination"] != "stock"):
            return change
        number = row["number"] if removal is None else removal["number"]
        return change + (pieces if since(row["ended"], number) else 0)


def _note(found: dict[Item, Row], item: Item, **how: bool) -> None:
    row = found.setdefault(item, dict.fromkeys(how, False))
    for name, is_so in how.items():
        row[name] |= is_so


def _anew(row: Row, how: Row) -> bool:
    """Whether what is listed is affected anew, or more surely than it was."""
    reworked = row["decision"] == "rework" and how["still"]
    return row["dropped_in"] is not None or (how["certain"] and not row["certain"]) or bool(reworked)


def _hash(text: str) -> str:
    return sha256(text.encode()).hexdigest()


def how_many(rule: str, population: int, confidence: float, fraction: float) -> int:
    """How many to inspect: the first that are enough. Zero-failure sampling, as textbooks have it (common practice)."""
    missed, share = 1 - Fraction(str(confidence)), Fraction(str(fraction))
    bad = ceil(share * population)
    if rule == "success run":
        return next(n for n in count(1) if (1 - share) ** n <= missed or n == population)
    if rule == "hypergeometric":
        ways = (n for n in count(1) if Fraction(comb(population - bad, n), comb(population, n)) <= missed)
        return next(ways)
    return population
