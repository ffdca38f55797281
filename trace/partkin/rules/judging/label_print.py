"""Printed labels: of what, which copy, and why again."""

from __future__ import annotations

from partkin.rules.catalogue import Part
from partkin.rules.facts import LabelKind, LabelPrinted
from partkin.rules.judging.case import Case
from partkin.rules.judging.interlocks import check_clock, check_scan_point
from partkin.rules.labels import LabelError, Labelled, compose
from partkin.rules.labels.items import labelled_item
from partkin.rules.messages import LabelPrint
from partkin.rules.reading import Item


def judge_label_print(case: Case, message: LabelPrint) -> None:
    """Find what a print makes true, and every reason against it."""
    check_clock(case)
    check_scan_point(case)
    for place in range(len(message.items)):
        item = case.item(f"/items/{place}", also_whole_lots=True)
        if item is not None:
            _print(case, message, item, f"/items/{place}")


def _print(case: Case, message: LabelPrint, item: Item, pointer: str) -> None:
    part, row = case.part(item.key), case.row(item.key)
    if part.made and row is None:
        case.because("unknown-item", f"{item.key} has not been started.", pointer)
    if not _fits(part, message.label):
        case.because("cannot-print", f"{case.title(part.part)} has no {message.label} label.", pointer)
        return
    try:
        label = compose(_labelled(case, item), message.label, message.symbol)
        case.lay_out(label)
    except LabelError as error:
        case.because("cannot-print", str(error), pointer)
        return
    before = [] if row is None else case.known.prints.get((row.id, message.label), [])
    here = sum(isinstance(fact, LabelPrinted) and fact.item == item.key for fact in case.facts)
    copy = len(before) + here + 1
    if copy > 1 and message.reason is None:
        detail = f"The {message.label} label of {item.key} was printed before: say why again."
        case.because("reprint-needs-reason", detail, "/reason")
    case.know(item)
    case.facts.append(
        LabelPrinted(case.number(), item.key, message.label, label.code.symbol, copy, case.at, message.reason),
    )


def _labelled(case: Case, item: Item) -> Labelled:
    """As it will be drawn: by the books, or as it is named where they do not have it yet."""
    row = case.row(item.key)
    if row is None:
        return labelled_item(case.catalogue, item.key, item.of_lot, item.produced_on, item.expires_on, None)
    of_lot = item.of_lot if row.lot_id is None else case.known.item[row.lot_id].code
    return labelled_item(case.catalogue, item.key, of_lot, row.produced_on, row.expires_on, row.received)


def _fits(part: Part, label: LabelKind) -> bool:
    """Rating plates are of units, carton and pallet labels of packaging, component labels of all else."""
    if part.sold:
        return label == "unit"
    return (label in ("carton", "pallet")) == part.packaging and label != "unit"
