"""The reckoning's answers to the genealogy questions: trees, and the units that are affected."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
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
        """Every way from the suspects to a unit."""
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

        seeds = list(self._seeds(suspects))
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
        units: dict[Item, Row] = {}
        for path in self.paths(suspects, as_of):
            inside = path.ended == FOREVER if as_of is None else path.started <= as_of < path.ended
            unit = units.setdefault(path.unit, {"certain": False, "inside": False})
            unit["certain"] |= path.certain
            unit["inside"] |= inside
        return units

    def _seeds(self, suspects: Mapping[str, Any]) -> Iterator[tuple[Item, datetime]]:
        """Suspect items, each with the moment from which on it is suspect."""
        for item in self._suspect_items(suspects):
            yield item, ALWAYS
            if item.kind == "lot":
                yield from (
                    (member, ALWAYS)
                    for member, lot in self.items.items()
                    if (member.part, member.kind, lot) == (item.part, "serial", item.code)
                )
        for worked in suspects.get("worked", ()):
            for row in (row for row in self.work if row["kind"] != "packing"):
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
