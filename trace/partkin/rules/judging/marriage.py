"""Marriages: which component goes where, what speaks against it, and what is drawn from loaded lots."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

from partkin.rules.catalogue import Bill, Position
from partkin.rules.facts import ItemKey, Married, Use, UseKnown
from partkin.rules.judging.case import Case
from partkin.rules.judging.completeness import held, holds_on, lacks
from partkin.rules.judging.interlocks import (
    check_clock,
    check_expiry,
    check_holds,
    check_lot,
    check_open,
    check_route,
    check_scan_point,
    end_by_removals,
    positions_here,
)
from partkin.rules.messages import Component, Marriage
from partkin.rules.moments import FOREVER, Moment
from partkin.rules.reading import Item
from partkin.rules.rows import ItemRow, MarriageRow


@dataclass(slots=True)
class _Unit:
    """The unit, and what this message has put into it so far."""

    key: ItemKey
    row: ItemRow | None
    bill: Bill
    here: list[Position]
    married: list[Married] = field(default_factory=list)

    @property
    def id(self) -> int | None:
        return None if self.row is None else self.row.id


def judge_marriage(case: Case, message: Marriage) -> None:
    """Find what a marriage makes true, and every reason against it."""
    check_clock(case)
    check_scan_point(case)
    item = case.item("/unit", _made_here(case))
    if item is None:
        for place in range(len(message.components)):
            case.item(f"/components/{place}/item")
        return
    part = case.part(item.key)
    if not part.made or item.key.kind != "serial":
        case.because("wrong-part", f"{case.title(part.part)} is not built here; nothing goes into it.", "/unit")
        return
    case.subject = item.key
    row = case.row(item.key)
    if row is None:
        case.because("unknown-item", f"{item.key} has not been started.", "/unit")
        case.know(item)
    else:
        check_open(case, row, "/unit")
        check_holds(case, row, "/unit")
    check_route(case, item.key, row)
    bill = case.bill(item.key)
    unit = _Unit(item.key, row, bill, positions_here(case, bill.positions))
    for place, component in enumerate(message.components):
        _marry(case, unit, component, f"/components/{place}")
    _draw(case, unit)
    if not message.components and not unit.married:
        case.because("nothing-to-marry", f"No component was scanned for {unit.key}, and nothing is drawn here.")


def _made_here(case: Case) -> frozenset[str]:
    """Parts whose route leads over this scan point: they decide where labels look alike."""
    point = case.message.scan_point
    return frozenset(part for part, route in case.catalogue.route.items() if any(s.scan_point == point for s in route))


# -- a scanned component


def _marry(case: Case, unit: _Unit, component: Component, pointer: str) -> None:
    expected = {part for position in unit.here for part in unit.bill.allowed[position.position]}
    item = case.item(f"{pointer}/item", frozenset(expected))
    if item is None:
        return
    if item.key == unit.key or _holds(case, item.key, unit):
        case.because("inside-itself", f"{item.key} cannot go into {unit.key}, which is inside it.", pointer)
        return
    position = _position(case, unit, item.key, component, pointer)
    pieces = 1
    if item.key.kind == "lot":
        pieces = component.quantity or _room(case, unit, position)
        check_lot(case, item, pieces, pointer)
    else:
        _check_serial(case, item, pointer)
        if component.quantity not in (None, 1):
            case.because("wrong-part", f"{item.key} is one piece, not {component.quantity}.", pointer)
    _place(case, unit, item, position, component.slot, pieces, pointer)


def _holds(case: Case, child: ItemKey, unit: _Unit) -> bool:
    row = case.row(child)
    if row is None or unit.row is None:
        return False
    return any(holder.parent_id == row.id for holder in case.known.holders(unit.row.id))


def _position(case: Case, unit: _Unit, key: ItemKey, component: Component, pointer: str) -> Position | str:
    """Where a component goes; a bare code where the bill has no such position, empty where it has none at all."""
    takes = [position for position in unit.here if key.part in unit.bill.allowed[position.position]]
    if component.position is not None:
        position = unit.bill.by_position.get(component.position)
        if position is None:
            case.because(
                "wrong-part",
                f"{case.title(unit.key.part)} has no position {component.position}. {_due(case, unit.here, unit.bill)}",
                f"{pointer}/position",
            )
            return component.position
        if position not in unit.here or key.part not in unit.bill.allowed[position.position]:
            case.because("wrong-part", _not_there(case, unit, key, position), pointer)
        return position
    for position in takes:
        if _room(case, unit, position):
            return position
    if takes:
        return takes[0]
    elsewhere = [p for p in unit.bill.positions if key.part in unit.bill.allowed[p.position]]
    case.because("wrong-part", _not_here(case, unit, key, elsewhere), pointer)
    return next((p for p in elsewhere if _room(case, unit, p)), elsewhere[0]) if elsewhere else ""


def _due(case: Case, positions: Iterable[Position], bill: Bill) -> str:
    due = "; ".join(
        f"{position.position} takes {' or '.join(case.title(part) for part in bill.allowed[position.position])}"
        for position in positions
    )
    return f"Here {due}." if due else "No position is filled here."


def _not_there(case: Case, unit: _Unit, key: ItemKey, position: Position) -> str:
    if key.part in unit.bill.allowed[position.position]:
        return f"{position.position} is filled at {' or '.join(position.scan_points)}, not here."
    return f"This is {case.title(key.part)}. {_due(case, [position], unit.bill)}"


def _not_here(case: Case, unit: _Unit, key: ItemKey, elsewhere: list[Position]) -> str:
    sentence = f"This is {case.title(key.part)}. {_due(case, unit.here, unit.bill)}"
    for position in elsewhere[:1]:
        sentence += f" It goes to {position.position} at {' or '.join(position.scan_points)}."
    return sentence


def _check_serial(case: Case, item: Item, pointer: str) -> None:
    """A serial-numbered component may go in: known where it must be, usable, not held, itself lacking nothing."""
    part = case.part(item.key)
    row = case.row(item.key)
    if part.made and row is None:
        case.because("unknown-item", f"{item.key} has not been started.", pointer)
    if part.receipts and (row is None or row.receipt_id is None):
        case.because("lot-not-received", f"{item.key} has not been booked in.", pointer)
    check_expiry(case, item.key, item.expires_on if row is None else row.expires_on, pointer)
    if item.of_lot is not None and (row is None or row.lot_id is None):
        lot = case.row(ItemKey(part.part, "lot", item.of_lot))
        case.because_of(holds_on(case.known, lot) if lot is not None else (), pointer)
    if row is None:
        return
    if row.state in ("scrapped", "returned"):
        case.because("not-usable", f"{item.key} was {row.state}.", pointer)
    case.because_of(held(case.known, row), pointer)
    if part.made:
        case.because_of(lacks(case.known, case.catalogue, row), pointer)


# -- slots


def _standing(case: Case, unit: _Unit, position: str, started: Moment, ended: Moment) -> list[MarriageRow]:
    """What the books have in a position at any moment of an interval."""
    rows = case.known.as_parent.get(unit.id, ()) if unit.id is not None else ()
    return [row for row in rows if row.position == position and not row.disputed and row.overlaps(started, ended)]


def _free_slots(case: Case, unit: _Unit, position: Position, started: Moment, ended: Moment) -> list[int]:
    taken: set[int] = set()
    for row in _standing(case, unit, position.position, started, ended):
        taken.update(range(row.slot, row.slot + row.quantity))
    for fact in unit.married:
        if fact.position == position.position and not fact.disputed:
            taken.update(range(fact.slot, fact.slot + fact.quantity))
    return [slot for slot in range(1, position.quantity + 1) if slot not in taken]


def _room(case: Case, unit: _Unit, position: Position | str) -> int:
    return len(_free_slots(case, unit, position, case.at, FOREVER)) if isinstance(position, Position) else 0


def _runs(slots: list[int]) -> list[tuple[int, int]]:
    """Slots that follow each other, as first slot and number."""
    runs: list[tuple[int, int]] = []
    for slot in slots:
        if runs and runs[-1][0] + runs[-1][1] == slot:
            runs[-1] = (runs[-1][0], runs[-1][1] + 1)
        else:
            runs.append((slot, 1))
    return runs


def _place(
    case: Case, unit: _Unit, item: Item, position: Position | str, slot: int | None, pieces: int, pointer: str
) -> None:
    """Note the marriage: in free slots and undisputed, or disputed against what stands there."""
    code = position.position if isinstance(position, Position) else position
    row = case.row(item.key)
    ended = end_by_removals(case, unit.id, None if row is None else row.id, code, case.at)
    disputed = item.key.kind == "serial" and _is_elsewhere(case, unit, item.key, row, ended, pointer)
    case.know(item)
    if not isinstance(position, Position):
        _note(case, unit, item.key, code, 0, max(pieces, 1), ended, disputed=disputed)
        return
    free = _free_slots(case, unit, position, case.at, ended)
    wanted = free[:pieces] if slot is None else [s for s in free if slot <= s < slot + pieces]
    if pieces == 0 or len(wanted) < pieces:
        _refuse_slot(case, unit, position, slot, ended, pointer)
        _note(case, unit, item.key, code, slot or 0, max(pieces, 1), ended, disputed=True)
        return
    for first, number in _runs(wanted):
        _note(case, unit, item.key, code, first, number, ended, disputed=disputed)


def _is_elsewhere(case: Case, unit: _Unit, key: ItemKey, row: ItemRow | None, ended: Moment, pointer: str) -> bool:
    if any(fact.child == key for fact in unit.married):
        case.because("already-installed", f"{key} is scanned twice in this message.", pointer)
        return True
    if row is None:
        return False
    others = [m for m in case.known.as_child.get(row.id, ()) if not m.disputed and m.overlaps(case.at, ended)]
    for other in others:
        case.because(
            "already-installed",
            f"{key} is in {case.name_of(other.parent_id)} at {other.position or 'no position'}.",
            pointer,
        )
    return bool(others)


def _refuse_slot(case: Case, unit: _Unit, position: Position, slot: int | None, ended: Moment, pointer: str) -> None:
    if slot is not None and slot > position.quantity:
        case.because("no-free-slot", f"{position.position} has {position.quantity} slots, not {slot}.", pointer)
        return
    inside = sorted({case.name_of(row.child_id) for row in _standing(case, unit, position.position, case.at, ended)})
    case.because(
        "no-free-slot",
        f"{position.position} of {unit.key} has room for {position.quantity}"
        + (f" and holds {', '.join(inside)}." if inside else ", no more."),
        pointer,
    )


def _note(
    case: Case,
    unit: _Unit,
    child: ItemKey | None,
    position: str,
    slot: int,
    quantity: int,
    ended: Moment,
    *,
    disputed: bool,
    drawn_at: Use | None = None,
) -> None:
    fact = Married(
        case.number(),
        unit.key,
        child,
        position,
        slot,
        quantity,
        case.at,
        ended,
        disputed,
        case.part(unit.key).sold,
        drawn_at,
    )
    unit.married.append(fact)
    case.facts.append(fact)


# -- points of use


def _draw(case: Case, unit: _Unit) -> None:
    """Fill the lot-traced positions of this scan point from what is loaded there."""
    if case.at_rework:
        return
    named = {fact.position for fact in unit.married}
    for position in unit.here:
        allowed = unit.bill.allowed[position.position]
        if position.position in named or not any(case.catalogue.part[part].trace == "lot" for part in allowed):
            continue
        free = _free_slots(case, unit, position, case.at, FOREVER)
        if free:
            _draw_position(case, unit, position, free)


def _draw_position(case: Case, unit: _Unit, position: Position, free: list[int]) -> None:
    use = Use(case.message.scan_point or "", position.position)
    loading = case.known.loaded(use, case.at)
    lot = case.known.item.get(loading.lot_id) if loading is not None and loading.lot_id is not None else None
    if lot is None:
        case.because(
            "lot-not-loaded",
            f"No lot is loaded at {use.scan_point} for {position.position} ({position.description}). "
            f"{_due(case, [position], unit.bill)}",
        )
    else:
        if lot.part not in unit.bill.allowed[position.position]:
            case.because("wrong-part", f"{lot.key} is loaded. {_due(case, [position], unit.bill)}")
        check_lot(case, Item(lot.key, None, None, None, None), len(free), None)
    if use not in case.known.points_of_use:
        case.facts.append(UseKnown(case.number(), use))
    key = None if lot is None else lot.key
    ended = end_by_removals(case, unit.id, None if lot is None else lot.id, position.position, case.at)
    for first, number in _runs(free):
        _note(case, unit, key, position.position, first, number, ended, disputed=False, drawn_at=use)
