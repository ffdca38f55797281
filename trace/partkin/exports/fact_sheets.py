"""Facts and changes of the catalogue as rows of CSV files: one file a kind, the same files for every export.

Each row says its entry, and its place among the facts of that entry: all rows of all files, sorted by these
two, are what became true, in order. `number` is what other rows call a row by: a marriage, a test run …
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from partkin.rules.canonical_json import canonical
from partkin.rules.catalogue.changes import changes_of_json
from partkin.rules.catalogue.tables import KINDS, kind_of, row_cells

Row = tuple[str, list[str]]
"""The name of a file, and the cells of one row of it."""

Columns = Mapping[str, tuple[str, ...]]
"""Column to where it stands in the fact's JSON."""


@dataclass(frozen=True, slots=True)
class Sheet:
    """A file of one kind of fact."""

    file: str
    columns: Columns


def _as_is(*names: str) -> dict[str, tuple[str, ...]]:
    return {name: (name,) for name in names}


def _inside(name: str, *parts: str, prefix: str = "") -> dict[str, tuple[str, ...]]:
    return {prefix + part: (name, part) for part in parts}


_ITEM = _inside("item", "part", "serial", "lot")
_LOT = _inside("lot", "part", "lot")
_PARENT = _inside("parent", "part", "serial", "lot", prefix="parent_")
_CHILD = _inside("child", "part", "serial", "lot", prefix="child_")
_USE = _inside("use", "scan_point", "position")
_SOURCE = _inside("source", "part", "lot", prefix="source_")
_TARGET = _inside("target", "part", "lot", prefix="target_")
_DRAWN_AT = _inside("drawn_at", "scan_point", "position", prefix="drawn_at_")

SHEETS: Mapping[str, Sheet] = {
    "item known": Sheet(
        "items.csv",
        {**_as_is("number"), **_ITEM, **_as_is("state", "of_lot", "produced_on", "expires_on", "started")},
    ),
    "lot dated": Sheet("lot_dates.csv", {**_ITEM, **_as_is("produced_on", "expires_on")}),
    "lot named": Sheet("lots_of_items.csv", {**_ITEM, **_as_is("of_lot")}),
    "state changed": Sheet("item_states.csv", {**_ITEM, **_as_is("state")}),
    "number issued": Sheet("numbers_issued.csv", _as_is("part", "running")),
    "numbers issued": Sheet("number_blocks.csv", _as_is("scheme", "period", "last")),
    "married": Sheet(
        "marriages.csv",
        {
            **_as_is("number"),
            **_PARENT,
            **_CHILD,
            **_as_is("position", "slot", "quantity", "started", "ended", "disputed", "parent_is_unit"),
            **_DRAWN_AT,
            **_as_is("loading"),
        },
    ),
    "marriage ended": Sheet("marriage_ends.csv", _as_is("marriage", "ended", "to_stock")),
    "marriage restored": Sheet("marriages_restored.csv", _as_is("marriage", "ended", "from_stock")),
    "removed": Sheet(
        "removals.csv",
        {**_as_is("number"), **_PARENT, **_CHILD, **_as_is("position", "at", "reason", "destination")},
    ),
    "point of use known": Sheet("points_of_use.csv", {**_as_is("number"), **_USE}),
    "loaded": Sheet("lot_loadings.csv", {**_as_is("number"), **_USE, **_LOT, **_as_is("at", "feeder", "quantity")}),
    "left over": Sheet("left_over.csv", _as_is("loading", "quantity")),
    "loading corrected": Sheet("loadings_corrected.csv", {**_as_is("loading"), **_LOT}),
    "redrawn": Sheet("redrawn.csv", {**_USE, **_LOT, **_as_is("started", "ended", "was", "now")}),
    "opened": Sheet("lots_opened.csv", {**_ITEM, **_as_is("at")}),
    "transferred": Sheet("lot_transfers.csv", {**_as_is("number"), **_SOURCE, **_TARGET, **_as_is("quantity", "at")}),
    "received": Sheet(
        "receipts.csv",
        {
            **_as_is("number", "part", "supplier"),
            **_inside("lot", "lot"),
            **_as_is("quantity", "counted", "used", "at", "delivery_note"),
        },
    ),
    "visited": Sheet("visits.csv", {**_ITEM, **_as_is("scan_point", "at")}),
    "tested": Sheet(
        "test_runs.csv",
        {**_as_is("number"), **_ITEM, **_as_is("plan", "instrument", "at", "verdict", "tester", "revision")},
    ),
    "made stale": Sheet("stale_tests.csv", {**_ITEM, **_as_is("plan", "at")}),
    "calibrated": Sheet("calibrations.csv", _as_is("number", "instrument", "good", "due_on", "certificate", "at")),
    "disposed": Sheet(
        "dispositions.csv", {**_as_is("number"), **_ITEM, **_as_is("quantity", "destination", "at", "reason")}
    ),
    "corrected": Sheet("corrections.csv", _as_is("number", "wrong", "instead", "at", "reason", "by", "loading")),
    "label printed": Sheet(
        "labels_printed.csv", {**_as_is("number"), **_ITEM, **_as_is("label", "symbol", "copy", "at", "reason")}
    ),
    "ordered": Sheet(
        "build_orders.csv", _as_is("number", "order", "line", "sequence", "part", "serial", "quantity", "due")
    ),
    "order taken": Sheet("orders_taken.csv", {**_as_is("order"), **_ITEM}),
    "shipment opened": Sheet("shipments.csv", _as_is("number", "shipment", "consignee", "at")),
    "shipment loaded": Sheet("shipment_lines.csv", {**_as_is("number", "shipment"), **_ITEM, **_as_is("at")}),
    "shipment unloaded": Sheet("shipments_unloaded.csv", _as_is("line", "at", "reason")),
    "despatched": Sheet("despatches.csv", _as_is("shipment", "at", "delivery_note")),
    "came back": Sheet("customer_returns.csv", {**_as_is("number"), **_ITEM, **_as_is("consignee", "at", "reason")}),
    "held": Sheet("holds.csv", {**_as_is("number"), **_ITEM, **_as_is("reason", "discrepancy", "at", "by")}),
    "released": Sheet("releases.csv", _as_is("hold", "reason", "at", "by")),
}
"""By the name of the fact. An item is named by its part and its serial number or lot; the other is empty."""

MEASUREMENTS = Sheet(
    "measurements.csv", _as_is("test_run", "characteristic", "value", "good", "within", "lower", "upper")
)
ATTACHMENTS = Sheet("test_attachments.csv", _as_is("test_run", "sha256"))
RECEIVED_SERIALS = Sheet("received_serials.csv", _as_is("receipt", "part", "serial"))
ISSUED_NUMBERS = Sheet("numbers.csv", _as_is("scheme", "period", "number"))
REDRAWN_MARRIAGES = Sheet("redrawn_marriages.csv", _as_is("marriage"))
ORDERED_PARTS = Sheet("ordered_parts.csv", _as_is("order", "position", "part"))

_LISTS = (MEASUREMENTS, ATTACHMENTS, RECEIVED_SERIALS, ISSUED_NUMBERS, REDRAWN_MARRIAGES, ORDERED_PARTS)
"""What facts list, a row each."""


def headers() -> dict[str, list[str]]:
    """The columns of every file, by its name."""
    of_facts = {sheet.file: ["entry", "fact", *sheet.columns] for sheet in (*SHEETS.values(), *_LISTS)}
    of_catalogue = {f"catalogue_{kind.file}": ["entry", "change", *kind.columns] for kind in KINDS.values()}
    return of_facts | of_catalogue


def rows_of_answer(entry: int, answer: Mapping[str, Any]) -> Iterator[Row]:
    """The rows of an entry that was recorded, from the answer that the journal keeps."""
    if "changes" in answer:
        yield from _rows_of_changes(entry, answer["changes"])
        return
    for place, fact in enumerate(answer["facts"], start=1):
        key = [str(entry), str(place)]
        sheet = SHEETS[fact["fact"]]
        yield sheet.file, key + _cells(sheet, fact)
        for listed, values in _listed(fact):
            yield listed.file, key + _cells(listed, values)


def _listed(fact: Mapping[str, Any]) -> Iterator[tuple[Sheet, Mapping[str, Any]]]:
    """What a fact lists, a row each, with the sheet that it belongs to."""
    for result in fact.get("measured", ()):
        yield MEASUREMENTS, {"test_run": fact["number"], **result}
    for digest in fact.get("attachments", ()):
        yield ATTACHMENTS, {"test_run": fact["number"], "sha256": digest}
    for serial in fact.get("serials", ()):
        yield RECEIVED_SERIALS, {"receipt": fact["number"], "part": fact["part"], "serial": serial}
    for number in fact.get("numbers", ()):
        yield ISSUED_NUMBERS, {"scheme": fact["scheme"], "period": fact["period"], "number": number}
    for number in fact.get("marriages", ()):
        yield REDRAWN_MARRIAGES, {"marriage": number}
    if fact["fact"] == "ordered":
        for position, part in fact["parts"].items():
            yield ORDERED_PARTS, {"order": fact["order"], "position": position, "part": part}


def _rows_of_changes(entry: int, value: Mapping[str, Any]) -> Iterator[Row]:
    """A row that changed is given as it is from then on."""
    changes = changes_of_json(value)
    changed = [change.new for change in changes.changed]
    for change, rows in (("added", changes.added), ("changed", changed), ("removed", changes.removed)):
        for row in rows:
            yield f"catalogue_{kind_of(row).file}", [str(entry), change, *row_cells(row).values()]


def _cells(sheet: Sheet, fact: Mapping[str, Any]) -> list[str]:
    return [_cell(_at(fact, path)) for path in sheet.columns.values()]


def _at(fact: Mapping[str, Any], path: tuple[str, ...]) -> Any:
    value: Any = fact
    for name in path:
        value = None if value is None else value.get(name)
    return value


def _cell(value: Any) -> str:
    """Numbers and truth as in JSON, so that the same value has the same text here and in the journal."""
    if value is None:
        return ""
    return value if isinstance(value, str) else canonical(value)
