"""Shipments: what is loaded for a consignee, taken off again, and despatched."""

from __future__ import annotations

from partkin.rules.facts import Despatched, ItemKey, ShipmentLoaded, ShipmentOpened, ShipmentUnloaded, StateChanged
from partkin.rules.judging.case import Case
from partkin.rules.judging.interlocks import check_clock, check_not_loaded, check_scan_point
from partkin.rules.judging.leaving import may_not_ship, packaging_in, units_in
from partkin.rules.messages import Shipment
from partkin.rules.moments import FOREVER
from partkin.rules.reading import Item
from partkin.rules.rows import ItemRow, ShipmentLineRow, ShipmentRow


def judge_shipment(case: Case, message: Shipment) -> None:
    """Find what a shipment message makes true, and every reason against it."""
    check_clock(case)
    check_scan_point(case)
    if case.scan_point is not None and case.scan_point.kind != "ship":
        case.because("out-of-route-order", f"{message.scan_point} is no ship point.", "/scan_point")
    shipment = case.known.shipments.get(message.shipment)
    if shipment is not None and shipment.despatched_at != FOREVER:
        case.because("shipment-closed", f"Shipment {shipment.code} was despatched.", "/shipment")
        if message.action != "load" or message.mode == "ask":
            return
    match message.action:
        case "load":
            _load(case, message, shipment)
        case "unload":
            _unload(case, message, shipment)
        case "despatch":
            _despatch(case, message, shipment)


def _lines(case: Case, shipment: ShipmentRow) -> list[ShipmentLineRow]:
    return [line for line in case.known.lines_of.get(shipment.id, ()) if line.unloaded_at == FOREVER]


# -- loading


def _load(case: Case, message: Shipment, shipment: ShipmentRow | None) -> None:
    consignee = message.consignee or ""
    if consignee not in case.catalogue.consignee:
        case.because("unknown-consignee", f"The catalogue has no consignee {consignee}.", "/consignee")
        return
    if shipment is None:
        case.facts.append(ShipmentOpened(case.number(), message.shipment, consignee, case.at))
    elif shipment.consignee != consignee:
        detail = f"Shipment {shipment.code} is for {shipment.consignee}, not for {consignee}."
        case.because("wrong-consignee", detail, "/consignee")
    seen: set[ItemKey] = set()
    for place in range(len(message.contents)):
        pointer = f"/contents/{place}"
        item = case.item(pointer)
        if item is not None and item.key not in seen:
            seen.add(item.key)
            _load_item(case, message, item, pointer)


def _load_item(case: Case, message: Shipment, item: Item, pointer: str) -> None:
    part, row, before = case.part(item.key), case.row(item.key), len(case.reasons)
    if not (part.sold or part.packaging):
        case.because("wrong-part", f"{case.title(part.part)} is neither a unit nor packaging.", pointer)
        return
    if row is None:
        case.because("unknown-item", f"{item.key} has not been started.", pointer)
        case.know(item)
        free = True
    else:
        free = _is_free(case, row, pointer)
        case.because_of(may_not_ship(case.known, case.catalogue, row), pointer)
        if not any(units_in(case.known, case.catalogue, row)):
            case.because("nothing-to-ship", f"No unit is in {item.key}.", pointer)
    if free:
        case.facts.append(ShipmentLoaded(case.number(), message.shipment, item.key, case.at))
    if len(case.reasons) > before:
        case.doubtful.append(item.key)


def _is_free(case: Case, row: ItemRow, pointer: str) -> bool:
    """Whether it is in nothing and on no shipment."""
    holder = case.known.holder(row.id)
    if holder is not None:
        case.because("already-installed", f"{row.key} is in {case.name_of(holder.parent_id)}: load that.", pointer)
    return check_not_loaded(case, row, pointer)


# -- unloading


def _unload(case: Case, message: Shipment, shipment: ShipmentRow | None) -> None:
    if shipment is None:
        case.because("unknown-shipment", f"There is no shipment {message.shipment}.", "/shipment")
        return
    lines = {line.item_id: line for line in _lines(case, shipment)}
    for place in range(len(message.contents)):
        pointer = f"/contents/{place}"
        item = case.item(pointer)
        row = None if item is None else case.row(item.key)
        line = None if row is None else lines.pop(row.id, None)
        if line is not None:
            case.facts.append(ShipmentUnloaded(line.id, case.at, message.reason or ""))
        elif item is not None:
            case.because("not-installed", f"{item.key} is not on shipment {shipment.code}.", pointer)


# -- despatch


def _despatch(case: Case, message: Shipment, shipment: ShipmentRow | None) -> None:
    if shipment is None:
        case.because("unknown-shipment", f"There is no shipment {message.shipment}.", "/shipment")
        return
    lines = _lines(case, shipment)
    if not lines:
        case.because("nothing-to-ship", f"Nothing is loaded on shipment {shipment.code}.", "/shipment")
        return
    case.facts.append(Despatched(shipment.code, case.at, message.delivery_note))
    for line in lines:
        row, before = case.known.item[line.item_id], len(case.reasons)
        case.because_of(may_not_ship(case.known, case.catalogue, row), "/shipment")
        if len(case.reasons) > before:
            case.doubtful.append(row.key)
        for gone in (*packaging_in(case.known, case.catalogue, row), *units_in(case.known, case.catalogue, row)):
            case.facts.append(StateChanged(gone.key, "shipped"))
