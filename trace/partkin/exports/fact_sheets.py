"""Facts and changes of the catalogue as rows of CSV files: one file a kind, the same files for every export.

Each row says its entry, and its place among the facts of that entry: all rows of all files, sorted by these
two, are what became true, in order. `number` is what other rows call a row by: a marriage, a test run …
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
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
    "held": Sheet("holds.csv", {**_as_is("number"), **_ITEM, **_as_is("reason", "discrepancy", "at", "by", "case")}),
    "released": Sheet("releases.csv", _as_is("hold", "reason", "at", "by")),
    "counted": Sheet("stock_counts.csv", {**_as_is("number"), **_ITEM, **_as_is("quantity", "at", "by")}),
    "case opened": Sheet(
        "cases.csv", _as_is("number", "case", "title", "suspects", "hazard", "asked", "at", "by", "reason")
    ),
    "case frozen": Sheet(
        "case_revisions.csv",
        _as_is(
            *("number", "case", "revision", "suspects", "hazard", "asked", "seal", "last_entry", "things", "sha256"),
            *("at", "by", "reason"),
        ),
    ),
    "listed": Sheet(
        "case_items.csv",
        {
            **_as_is("number", "case"),
            **_ITEM,
            **_as_is("revision", "certainty", "suspect", "state", "left", "because"),
        },
    ),
    "relisted": Sheet("case_items_anew.csv", _as_is("listed", "certainty", "revision", "because")),
    "dropped": Sheet("case_items_dropped.csv", _as_is("listed", "revision")),
    "decided": Sheet(
        "case_decisions.csv",
        {
            **_as_is("number", "case", "listed"),
            **_ITEM,
            **_as_is("decision", "authority", "concession", "signed_by", "sorting", "at", "by", "reason"),
        },
    ),
    "case closed": Sheet("cases_closed.csv", _as_is("number", "case", "at", "by", "reason", "unaccounted")),
    "case reopened": Sheet("cases_reopened.csv", _as_is("number", "case", "at", "by", "reason")),
    "sorting drawn": Sheet(
        "sortings.csv",
        _as_is(
            *("number", "case", "sorting", "rule", "confidence", "fraction", "listed", "clean", "part"),
            *("population", "seed", "at", "by"),
        ),
    ),
    "inspected": Sheet(
        "inspections.csv", {**_as_is("number", "sorting"), **_ITEM, **_as_is("good", "found", "at", "by")}
    ),
    "checks planned": Sheet("check_plans.csv", _as_is("number", "case", "level", "share", "seed", "at", "by")),
    "noticed": Sheet(
        "notices.csv",
        _as_is(
            *("number", "case", "consignee", "step", "how", "copy", "on_hand", "corrected", "effective", "found"),
            *("at", "by"),
        ),
    ),
    "drilled": Sheet(
        "drills.csv",
        _as_is(
            *("number", "seed", "suspects", "certain", "possible", "consignees", "received", "accounted"),
            *("at", "by"),
        ),
    ),
}
"""By the name of the fact. An item is named by its part and its serial number or lot; the other is empty. What is
suspected, and a clean point, stand in one cell as canonical JSON."""


@dataclass(frozen=True, slots=True)
class Lines:
    """A file of what facts of one kind list, a row each."""

    file: str
    field: str
    """What the fact lists: values, members by their names, or objects."""
    owner: Mapping[str, str]
    """Columns that say of what, and where they stand in the fact."""
    columns: tuple[str, ...]
    """Those of what is listed."""


LINES: Mapping[str, tuple[Lines, ...]] = {
    "tested": (
        Lines(
            "measurements.csv",
            "measured",
            {"test_run": "number"},
            ("characteristic", "value", "good", "within", "lower", "upper"),
        ),
        Lines("test_attachments.csv", "attachments", {"test_run": "number"}, ("sha256",)),
    ),
    "received": (Lines("received_serials.csv", "serials", {"receipt": "number", "part": "part"}, ("serial",)),),
    "numbers issued": (Lines("numbers.csv", "numbers", {"scheme": "scheme", "period": "period"}, ("number",)),),
    "redrawn": (Lines("redrawn_marriages.csv", "marriages", {}, ("marriage",)),),
    "ordered": (Lines("ordered_parts.csv", "parts", {"order": "order"}, ("position", "part")),),
    "case frozen": (
        Lines(
            "case_points.csv",
            "points",
            {"case": "case", "revision": "revision"},
            ("scan_point", "position", "feeder", "part", "lot"),
        ),
    ),
    "decided": (Lines("case_proofs.csv", "proof", {"decision": "number"}, ("marriage",)),),
    "sorting drawn": (Lines("sorting_items.csv", "drawn", {"sorting": "sorting"}, ("part", "serial", "lot")),),
    "inspected": (Lines("inspection_attachments.csv", "attachments", {"inspection": "number"}, ("sha256",)),),
    "checks planned": (Lines("checked_consignees.csv", "consignees", {"check_plan": "number"}, ("consignee",)),),
    "drilled": (Lines("drill_steps.csv", "steps", {"drill": "number"}, ("step", "milliseconds")),),
}
"""By the name of the fact."""


def headers() -> dict[str, list[str]]:
    """The columns of every file, by its name."""
    of_facts = {sheet.file: ["entry", "fact", *sheet.columns] for sheet in SHEETS.values()}
    of_lists = {
        lines.file: ["entry", "fact", *lines.owner, *lines.columns] for some in LINES.values() for lines in some
    }
    of_catalogue = {f"catalogue_{kind.file}": ["entry", "change", *kind.columns] for kind in KINDS.values()}
    return of_facts | of_lists | of_catalogue


def rows_of_answer(entry: int, answer: Mapping[str, Any]) -> Iterator[Row]:
    """The rows of an entry that was recorded, from the answer that the journal keeps."""
    if "changes" in answer:
        yield from _rows_of_changes(entry, answer["changes"])
        return
    for place, fact in enumerate(answer["facts"], start=1):
        key = [str(entry), str(place)]
        sheet = SHEETS[fact["fact"]]
        yield sheet.file, key + _cells(sheet, fact)
        for lines in LINES.get(fact["fact"], ()):
            owner = [_cell(fact[name]) for name in lines.owner.values()]
            for values in _listed(lines, fact):
                yield lines.file, key + owner + [_cell(value) for value in values]


def _listed(lines: Lines, fact: Mapping[str, Any]) -> Iterator[Sequence[Any]]:
    """What a fact lists, the cells of a row each."""
    listed = fact.get(lines.field, ())
    for one in listed.items() if isinstance(listed, Mapping) else listed:
        if isinstance(one, Mapping):
            yield [one.get(name) for name in lines.columns]
        else:
            yield one if isinstance(one, tuple) else (one,)


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
