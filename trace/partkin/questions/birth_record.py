"""The birth record: what is in a unit at every level, and what is known of each component."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Generator, Iterator, Mapping, Sequence
from itertools import groupby
from operator import attrgetter
from typing import Any

from sqlalchemy import Connection

from partkin.rules.facts import ItemKey, ItemKind
from partkin.rules.facts_json import item_json
from partkin.rules.moments import FOREVER, Moment, text_of
from partkin.store.database import Readable
from partkin.store.genealogy.content import Sight, TreeRow, known_of, named_tree_rows, tree_rows, units_started
from partkin.store.genealogy.lot_changes import Draught
from partkin.store.genealogy.origins import origins_of
from partkin.store.genealogy.walks import MARK_LENGTH

CHUNK = 500
"""Units whose records are read in one trip."""


class NoSuchItem(LookupError):
    """Nothing in the books has this serial number or lot."""


class AmbiguousItem(LookupError):
    """Items of several parts have this serial number or lot."""

    def __init__(self, code: str, parts: Sequence[str]) -> None:
        super().__init__(f"{code} is an item of each of these parts: {', '.join(parts)}.")
        self.parts = parts


def birth_record(
    database: Readable,
    part: str | None,
    serial: str | None,
    *,
    lot: str | None = None,
    as_of: Moment | None = None,
    removed: bool = False,
) -> dict[str, Any]:
    """The record of one item, named by its serial number or its lot, and everything that it holds as `content`.

    Without `as_of` it is what is in now. With `removed` also what has been taken out by then.
    Raises NoSuchItem and AmbiguousItem.
    """
    code = serial if serial is not None else lot or ""
    kind: ItemKind = "lot" if serial is None else "serial"
    sight = Sight(as_of, removed)
    with database.read() as connection:
        rows = named_tree_rows(connection, kind, code, part, sight)
        parts = sorted(row.part or "" for row in rows if not row.level)
        if not parts:
            raise NoSuchItem(f"The books have no {part or 'item'} {kind} {code}.")
        if len(parts) > 1:
            raise AmbiguousItem(code, parts)
        (record,) = _records(connection, rows, sight).values()
        return record


def birth_records(
    database: Readable, part: str | None, since: Moment, until: Moment, *, as_of: Moment | None, removed: bool
) -> Generator[list[dict[str, Any]], None, None]:
    """The records of all units (or built items of one part) started in a time, in that order, some at a time."""
    sight = Sight(as_of, removed)
    with database.read() as connection:
        for units in units_started(connection, part, since, until, CHUNK):
            records = _records(connection, tree_rows(connection, units, sight), sight)
            yield [records[number] for number in units]


def flat(record: Mapping[str, Any]) -> Iterator[dict[str, Any]]:
    """A record line by line: an item, then what it holds, with the level and the positions on the way there."""
    unit = {"unit_part": record["part"], "unit_serial": record["serial"]}

    def lines(node: Mapping[str, Any], level: int, path: str) -> Iterator[dict[str, Any]]:
        yield {**unit, "level": level, "path": path, **{name: node[name] for name in node if name != "content"}}
        for child in node["content"]:
            place = f"{child['position']}.{child['slot']}"
            yield from lines(child, level + 1, f"{path}/{place}" if path else place)

    return lines(record, 0, "")


def _records(connection: Connection, rows: Sequence[TreeRow], sight: Sight) -> dict[int | None, dict[str, Any]]:
    """The records of some trees, by the numbers of their roots."""
    told = _Told(connection, rows, sight)
    content: dict[str, list[dict[str, Any]]] = defaultdict(list)
    in_order = sorted((row for row in rows if row.level), key=attrgetter("position", "slot", "started", "marriage"))
    for row in sorted(in_order, key=attrgetter("level"), reverse=True):
        content[row.way[:-MARK_LENGTH]].append(told.node(row, content.pop(row.way, _NOTHING)))
    return {row.item: told.node(row, content.pop(row.way, _NOTHING)) for row in rows if not row.level}


_NOTHING: Sequence[Any] = ()
"""Instead of an empty list for each item: most items hold nothing, and there is nothing else to say of them."""


class _Told:
    """What the books say of the items of some trees, asked once for all of them."""

    def __init__(self, connection: Connection, rows: Sequence[TreeRow], sight: Sight) -> None:
        self._as_of = sight.as_of
        items = {number for row in rows for number in (row.item, row.lot_id) if number is not None}
        known = known_of(connection, sorted(items), sight)
        self._visits, self._results, self._holds = known["visit"], known["result"], known["hold"]
        self._removals: Mapping[Any, Any] = {
            (parent_id, row.child_id, row.at): row
            for parent_id, of_parent in known["removal"].items()
            for row in reversed(of_parent)  # the first that was told counts
        }
        pieces = [
            Draught(row.marriage, row.point_of_use_id, row.item, row.started)
            for row in rows
            if row.kind == "lot" or row.point_of_use_id is not None
        ]
        origins = origins_of(connection, pieces)
        self._doubts: Mapping[Any, set[int]] = origins.doubts
        self._poured: Mapping[Any, Sequence[Any]] = origins.poured
        self._names = origins.names

    def node(self, row: TreeRow, content: Sequence[dict[str, Any]]) -> dict[str, Any]:
        """One item, as it stands in a tree, and what it holds."""
        is_serial = row.kind == "serial"
        is_doubtful = row.marriage in self._doubts
        ended = None if row.ended == FOREVER else self._end(row.ended)
        removal = None if ended is None else self._removals.get((row.parent_id, row.item, row.ended))
        return {
            "part": row.part,
            "description": row.description,
            "supplier": row.supplier,
            "serial": row.code if is_serial else None,
            "lot": row.lot if is_serial else row.code,
            "position": row.position,
            "slot": row.slot,
            "quantity": row.quantity,
            "started": _text(row.started),
            "ended": ended,
            "certain": None if row.marriage is None else not (row.disputed or is_doubtful),
            "disputed": row.disputed,
            "or_lot": self._or_lot(row) if is_doubtful and not is_serial else _NOTHING,
            "from_lots": self._from_lots(row) if row.item in self._poured and not is_serial else _NOTHING,
            "scan_point": row.scan_point,
            "operator": row.operator,
            "occurred_at": _text(row.occurred_at),
            "recorded_at": _text(row.recorded_at),
            "entry": row.entry,
            "reason": None if removal is None else removal.reason,
            "destination": None if removal is None else removal.destination,
            "state": row.state,
            "started_at": _text(row.started_at),
            "produced_on": None if row.produced_on is None else row.produced_on.isoformat(),
            "expires_on": None if row.expires_on is None else row.expires_on.isoformat(),
            "tests": self._tests(row.item) if row.item in self._results else _NOTHING,
            "holds": self._holds_on(row.item, row.lot_id) if self._holds else _NOTHING,
            "visits": self._visits_of(row.item) if row.item in self._visits else _NOTHING,
            "content": content,
        }

    def _or_lot(self, row: TreeRow) -> Sequence[dict[str, str]]:
        others = self._doubts[row.marriage]
        return [item_json(key) for key in sorted(self._names[lot] for lot in others if lot != row.item)]

    def _from_lots(self, row: TreeRow) -> Sequence[dict[str, Any]]:
        sources = self._sources(row.item, row.started, certain=True)
        return [{**item_json(self._names[lot]), "certain": certain} for lot, certain in sources.items()]

    def _sources(self, lot_id: int | None, until: Moment | None, *, certain: bool) -> dict[int, bool]:
        """The lots that went into a container by a moment, at every level; certain where nothing else did."""
        poured = [one for one in self._poured.get(lot_id, ()) if until is None or one.at <= until]
        alone = len({one.lot_id for one in poured}) == 1 and not any(one.received for one in poured)
        found: dict[int, bool] = {}
        for one in poured:
            of_it = {
                one.lot_id: certain and alone,
                **self._sources(one.lot_id, one.at, certain=certain and alone),
            }
            for source_id, sure in of_it.items():
                found[source_id] = found.get(source_id, False) or sure
        return found

    def _end(self, moment: Moment | None) -> str | None:
        """When something ended, as it was known then: what ended later had not ended."""
        if moment is None or moment == FOREVER or (self._as_of is not None and moment > self._as_of):
            return None
        return text_of(moment)

    def _tests(self, item: int | None) -> Sequence[dict[str, Any]]:
        results = self._results[item]
        last = {row.plan: row.id for row in results}
        return [self._test(list(of_run), last) for _, of_run in groupby(results, key=attrgetter("id"))]

    def _test(self, results: Sequence[Any], last: Mapping[str, int]) -> dict[str, Any]:
        run = results[0]
        return {
            "plan": run.plan,
            "instrument": run.instrument,
            "occurred_at": text_of(run.at),
            "verdict": run.verdict,
            "tester": run.tester,
            "revision": run.revision,
            "counts": last[run.plan] == run.id and self._fresh(run),
            "measurements": [_measurement(row) for row in results if row.characteristic is not None],
        }

    def _fresh(self, run: Any) -> bool | None:
        """Whether nothing that the test covers was changed after it; None where that is no longer known."""
        if run.until is None or run.until <= run.at:
            return True
        return None if self._as_of is not None and run.until > self._as_of else False

    def _holds_on(self, *items: int | None) -> Sequence[dict[str, Any]]:
        return [_hold(hold) for item in items for hold in self._holds.get(item, _NOTHING)] or _NOTHING

    def _visits_of(self, item: int | None) -> Sequence[dict[str, Any]]:
        return [
            {"scan_point": row.scan_point, "first_at": text_of(row.at), "last_at": self._end(row.until)}
            for row in self._visits[item]
        ]


def _hold(row: Any) -> dict[str, Any]:
    return {
        "hold": row.id,
        "item": item_json(ItemKey(row.part, row.kind, row.code)),
        "reason": row.reason,
        "discrepancy": row.discrepancy,
        "placed_at": text_of(row.at),
        "placed_by": row.placed_by,
    }


def _measurement(row: Any) -> dict[str, Any]:
    names = ("characteristic", "description", "value", "good", "unit", "lower", "upper", "within")
    return {name: getattr(row, name) for name in names}


def _text(moment: Moment | None) -> str | None:
    return None if moment is None else text_of(moment)
