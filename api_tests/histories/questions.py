"""The reckoning's answers to the genealogy questions: trees, and the units that are affected."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from datetime import datetime
from itertools import chain
from typing import Any, NamedTuple

from api_tests.histories.corrections import Corrections
from api_tests.histories.lists import ALWAYS, FOREVER, Item, Row, moment


class Path(NamedTuple):
    """One way from a suspect up to a unit: the marriages on it, and when all of them held at once."""

    unit: Item
    marriages: tuple[Row, ...]
    started: datetime
    ended: datetime
    certain: bool


class Questions(Corrections):
    """What was asked about all that was heard."""

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

        return content(item, ALWAYS, FOREVER)

    def _shown(self, row: Row, as_of: datetime | None, *, removed: bool) -> bool:
        if removed:
            return as_of is None or bool(row["started"] <= as_of)
        if as_of is None:
            return bool(row["ended"] == FOREVER)
        return bool(row["started"] <= as_of < row["ended"])

    def paths(self, suspects: Mapping[str, Any], as_of: datetime | None = None) -> list[Path]:
        """Every way from the suspects to a unit; from the first condition, where there are several."""
        near = self.near_changes()

        def above(item: Item, started: datetime, ended: datetime, way: int = 0) -> Iterator[Path]:
            if self._sold(item):
                yield Path(item, (), started, ended, certain=True)
                if way:
                    return
            for row in self.marriages:
                booked, others = self._is_from(item, row["child"], row), near.get(row["number"], ())
                first, last = max(started, row["started"]), min(ended, row["ended"])
                if not (booked or any(self._is_from(item, other, row) for other in others)) or first >= last:
                    continue
                if as_of is not None and row["started"] > as_of:
                    continue
                sure = booked and not row["disputed"] and row["number"] not in near
                sure = sure and self._only_from(item, row["child"], row["started"])
                for path in chain(
                    self._beside(row, item, first, last, as_of), above(row["parent"], first, last, way + 1)
                ):
                    yield path._replace(marriages=(row, *path.marriages), certain=sure and path.certain)

        seeds = list(self._seeds(conditions(suspects)[0], as_of))
        return [
            path for item, since in seeds if as_of is None or since <= as_of for path in above(item, since, FOREVER)
        ]

    def _beside(
        self, row: Row, item: Item, started: datetime, ended: datetime, as_of: datetime | None
    ) -> Iterator[Path]:
        """The ways from an accessory to the units that were in the same packaging while it was there."""
        if not self._packaging(row["parent"]) or self._packaging(item) or self._sold(item):
            return
        for other in self.marriages:
            unit, lasts = other["child"], (max(started, other["started"]), min(ended, other["ended"]))
            if other["parent"] != row["parent"] or unit is None or not self._sold(unit) or lasts[0] >= lasts[1]:
                continue
            if as_of is None or other["started"] <= as_of:
                yield Path(unit, (other,), *lasts, certain=not other["disputed"])

    def _is_from(self, suspect: Item, child: Item | None, row: Row) -> bool:
        """Whether what went in is a suspect, or is of a container into which pieces of it had gone by then."""
        return child is not None and suspect in self._sources(child, row["started"])

    def affected(self, suspects: Mapping[str, Any], as_of: datetime | None = None) -> dict[Item, Row]:
        """The units affected by suspects: whether certainly, and whether what is suspected still is inside."""
        return combined(suspects, lambda any_of: self._affected_by(any_of, as_of))

    def _affected_by(self, any_of: Mapping[str, Any], as_of: datetime | None) -> dict[Item, Row]:
        units: dict[Item, Row] = {}
        for path in self.paths(any_of, as_of):
            inside = path.ended == FOREVER if as_of is None else path.started <= as_of < path.ended
            unit = units.setdefault(path.unit, {"certain": False, "inside": False})
            unit["certain"] |= path.certain
            unit["inside"] |= inside
        return units

    def _seeds(self, suspects: Mapping[str, Any], as_of: datetime | None) -> Iterator[tuple[Item, datetime]]:
        """Suspect items, each with the moment from which on it is suspect."""
        for item in chain(self._suspect_items(suspects), self._other_suspects(suspects, as_of)):
            yield item, ALWAYS
            if item.kind == "lot":
                yield from (
                    (member, ALWAYS)
                    for member, lot in self.items.items()
                    if (member.part, member.kind, lot) == (item.part, "serial", item.code)
                )
        for worked in suspects.get("worked", ()):
            at_work = (row for row in self.work if row["kind"] != "packing")
            for row in self.tests if "instrument" in worked else at_work:
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

    def _other_suspects(self, suspects: Mapping[str, Any], as_of: datetime | None) -> Iterable[Item]:
        """Items that were produced on some days, or by then had been measured between two values."""
        for produced in suspects.get("produced", ()):
            yield from (item for item in self.in_books() if self._produced(item, produced))
        for measured in suspects.get("measured", ()):
            lowest, highest = measured.get("at_least", float("-inf")), measured.get("at_most", float("inf"))
            for row in (row for row in self.tests if as_of is None or row["at"] <= as_of):
                value = row["values"].get(measured["characteristic"]) if row["plan"] == measured["plan"] else None
                if value is not None and lowest <= value <= highest and _within(row["at"], measured):
                    yield row["item"]

    def in_books(self) -> set[Item]:
        """All known items, with the lots that serial items belong to."""
        return {*self.items, *(lot for item in self.items for lot in self._lots_of(item))}

    def knows(self, suspects: Mapping[str, Any]) -> bool:
        """Whether all items that are named are known: the service answers nothing about others."""
        every = [*conditions(suspects), suspects.get("except", {})]
        named = {item for any_of in every for item in self._suspect_items({"items": any_of.get("items", ())})}
        return named <= self.in_books()

    def _produced(self, item: Item, asked: Mapping[str, str]) -> bool:
        """Whether an item, else its lot, was produced on some days, and came from the supplier that is asked for."""
        items = [item, *self._lots_of(item)]
        day = next((self.dates[one] for one in items if one in self.dates), None)
        if item.part != asked["part"] or day is None or not asked["from"] <= day <= asked["to"]:
            return False
        suppliers = {row["supplier"] for row in self.receipts if not {*items}.isdisjoint(row["items"])}
        return asked.get("supplier") in (None, *(suppliers or {self.plant.parts[item.part].get("supplier")}))


def conditions(suspects: Mapping[str, Any]) -> list[Mapping[str, Any]]:
    """What a thing must be affected by: any of the own lists, if there are any, and each of `all_of`."""
    own = {name: value for name, value in suspects.items() if name not in ("all_of", "except") and value}
    return [*([own] if own else []), *suspects.get("all_of", ())]


def combined(suspects: Mapping[str, Any], affected: Callable[[Mapping[str, Any]], dict[Item, Row]]) -> dict[Item, Row]:
    """What is affected by all conditions and not certainly by the exception; certainly, where nothing is in doubt."""
    first, *others = map(affected, conditions(suspects))
    spared = affected(suspects["except"]) if suspects.get("except") else {}
    return {
        item: {
            **row,
            "certain": row["certain"] and all(other[item]["certain"] for other in others) and item not in spared,
        }
        for item, row in first.items()
        if all(item in other for other in others) and not spared.get(item, {}).get("certain", False)
    }


def _within(at: datetime, window: Mapping[str, str]) -> bool:
    return moment(window["from"]) <= at < (moment(window["to"]) if "to" in window else FOREVER)
