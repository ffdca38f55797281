"""Marriages: scanned components go in, and what is drawn from loaded lots."""

from __future__ import annotations

from partkin.rules.catalogue import Position
from partkin.rules.facts import ItemKey, Use, UseKnown
from partkin.rules.judging.case import Case
from partkin.rules.judging.interlocks import (
    check_clock,
    check_holds,
    check_lot,
    check_open,
    check_route,
    check_scan_point,
    end_by_removals,
)
from partkin.rules.judging.packing import check_pack_point, pack_contents
from partkin.rules.judging.placing import (
    Receiving,
    due_here,
    free_slots,
    note_marriage,
    place_component,
    receiving,
    runs_of,
)
from partkin.rules.messages import Marriage
from partkin.rules.moments import FOREVER
from partkin.rules.reading import Item
from partkin.rules.rows import ItemRow, LoadingRow


def judge_marriage(case: Case, message: Marriage) -> None:
    """Find what a marriage makes true, and every reason against it."""
    check_clock(case)
    check_scan_point(case)
    built_here = case.catalogue.built_at.get(message.scan_point, frozenset())
    item = case.item("/unit", built_here)  # they decide where labels look alike
    if item is None:
        for place in range(len(message.components)):
            case.item(f"/components/{place}/item")
        return
    part = case.part(item.key)
    if not part.made or item.key.kind != "serial":
        case.because("wrong-part", f"{case.title(part.part)} is not built here; nothing goes into it.", "/unit")
        return
    _check_unit(case, item)
    unit = receiving(case, item.key)
    for place, component in enumerate(message.components):
        place_component(case, unit, component, f"/components/{place}")
    _draw(case, unit)
    if part.packaging:
        check_pack_point(case)
        pack_contents(case, unit)
    if not message.components and not unit.married:
        case.because("nothing-to-marry", f"No component was scanned for {unit.key}, and nothing is drawn here.")


def _check_unit(case: Case, item: Item) -> None:
    case.subject = item.key
    row = case.row(item.key)
    if row is None:
        case.because("unknown-item", f"{item.key} has not been started.", "/unit")
        case.know(item)
    else:
        check_open(case, row, "/unit", putting_in=True)
        check_holds(case, row, "/unit")
    check_route(case, item.key, row)


# -- points of use


def _draw(case: Case, unit: Receiving) -> None:
    """Fill the lot-traced positions of this scan point from what is loaded there."""
    if case.at_rework:
        return
    named = {fact.position for fact in unit.married}
    for position in unit.here:
        allowed = unit.bill.allowed[position.position]
        if position.position in named or not any(case.catalogue.part[part].trace == "lot" for part in allowed):
            continue
        free = free_slots(case, unit, position, unit.since, FOREVER)
        if free:
            _draw_position(case, unit, position, free)


def _draw_position(case: Case, unit: Receiving, position: Position, free: list[int]) -> None:
    use = Use(case.message.scan_point or "", position.position)
    loadings = case.known.loaded(use, unit.since)
    if use not in case.known.points_of_use:
        case.facts.append(UseKnown(case.number(), use))
    if not loadings:
        case.because(
            "lot-not-loaded",
            f"No lot is loaded at {use.scan_point} for {position.position} ({position.description}). "
            f"{due_here(case, [position], unit.bill)}",
        )
        _book(case, unit, use, free, None, None)
        return
    booked = loadings[0]
    lot = case.known.item[booked.lot_id or 0]
    for loading in loadings:
        pieces = len(free) if loading is booked else 0
        _check_loaded(case, unit, position, case.known.item[loading.lot_id or 0], pieces)
    _check_left(case, use, loadings, len(free))
    _book(case, unit, use, free, lot, booked)


def _check_loaded(case: Case, unit: Receiving, position: Position, lot: ItemRow, pieces: int) -> None:
    """Pieces may come from any lot that is up, so each of them must do."""
    if lot.part not in unit.bill.allowed[position.position]:
        case.because("wrong-part", f"{lot.key} is loaded. {due_here(case, [position], unit.bill)}")
    check_lot(case, Item(lot.key, None, None, None, None), pieces, None)


def _check_left(case: Case, use: Use, loadings: list[LoadingRow], pieces: int) -> None:
    """Where all that is up is counted, no more can be drawn than is left; the operator is told before it runs out."""
    counted = [loading.left for loading in loadings if loading.left is not None]
    if len(counted) < len(loadings):
        return
    left, what = sum(counted), ", ".join(case.name_of(loading.lot_id) for loading in loadings)
    if left < pieces:
        detail = f"{left} pieces are left of {what} at {use.scan_point}, and {pieces} are needed: put up the next lot."
        case.because("lot-exhausted", detail)
    elif case.scan_point is not None and left - pieces < case.scan_point.warn_below:
        case.warn("running-out", f"{left - pieces} pieces are left of {what} at {use.scan_point} for {use.position}.")


def _book(
    case: Case, unit: Receiving, use: Use, free: list[int], lot: ItemRow | None, loading: LoadingRow | None
) -> None:
    lot_id = None if lot is None else lot.id
    key: ItemKey | None = None if lot is None else lot.key
    number = None if loading is None else loading.id
    ended = end_by_removals(case, unit.id, lot_id, use.position, unit.since)
    for first, pieces in runs_of(free):
        note_marriage(case, unit, key, use.position, first, pieces, ended, disputed=False, drawn_at=use, loading=number)
