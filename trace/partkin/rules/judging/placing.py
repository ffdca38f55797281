"""Placing: where a scanned component goes in a unit, what speaks against it, and the marriage that it makes."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace

from partkin.rules.catalogue import Bill, Position
from partkin.rules.facts import ItemKey, Married, Use
from partkin.rules.judging.case import Case
from partkin.rules.judging.completeness import held, holds_on, lacks
from partkin.rules.judging.interlocks import (
    check_expiry,
    check_lot,
    check_not_loaded,
    check_suspected,
    end_by_removals,
    positions_here,
)
from partkin.rules.judging.leaving import GONE, may_not_leave, may_not_ship
from partkin.rules.messages import Component
from partkin.rules.moments import FOREVER, Moment
from partkin.rules.reading import Item
from partkin.rules.rows import ItemRow, MarriageRow


@dataclass(slots=True)
class Receiving:
    """A unit that components go into, and what this message has put into it so far."""

    key: ItemKey
    row: ItemRow | None
    bill: Bill
    here: list[Position]
    """The positions that may be filled where this happens."""
    since: Moment
    """When they go in."""
    until: Moment = FOREVER
    """When they came out at the latest."""
    married: list[Married] = field(default_factory=list)

    @property
    def id(self) -> int | None:
        """Its number, once it is in the books."""
        return None if self.row is None else self.row.id


def receiving(case: Case, key: ItemKey) -> Receiving:
    """A unit, ready to take components where the message is from."""
    bill = _as_ordered(case, key)
    return Receiving(key, case.row(key), bill, positions_here(case, bill.positions), case.at)


def _as_ordered(case: Case, key: ItemKey) -> Bill:
    """The bill of a unit; where its order names one of several parts, only that is allowed."""
    bill, row = case.bill(key), case.row(key)
    order = None if row is None or row.order_id is None else case.known.order.get(row.order_id)
    if order is None:
        return bill
    ordered: Mapping[str, str] = json.loads(order.parts)
    return replace(bill, allowed={**bill.allowed, **{position: (part,) for position, part in ordered.items()}})


def place_component(
    case: Case, unit: Receiving, component: Component, pointer: str, item_pointer: str | None = None
) -> None:
    """Find where a scanned component goes, every reason against it, and the marriage that it makes.

    `item_pointer` is where the message names the item, where that is not the member `item` of the component.
    """
    expected = {part for position in unit.here for part in unit.bill.allowed[position.position]}
    item = case.item(item_pointer or f"{pointer}/item", frozenset(expected))
    if item is None:
        return
    if item.key == unit.key or holds(case, item.key, unit):
        case.because("inside-itself", f"{item.key} cannot go into {unit.key}, which is inside it.", pointer)
        return
    position = _position(case, unit, item.key, component, pointer)
    pieces = 1
    if item.key.kind == "lot":
        pieces = component.quantity or room(case, unit, position)
        check_lot(case, item, pieces, pointer)
    else:
        _check_serial(case, item, pointer)
        if component.quantity not in (None, 1):
            case.because("wrong-part", f"{item.key} is one piece, not {component.quantity}.", pointer)
    place(case, unit, item, position, component.slot, pieces, pointer)


def holds(case: Case, child: ItemKey, unit: Receiving) -> bool:
    """Whether a unit is, or was, in what would go into it, at any level."""
    row = case.row(child)
    if row is None or unit.row is None:
        return False
    above = case.known.holders(unit.row.id)
    return any(holder.parent_id == row.id and not holder.wrong for holder in above)


def _position(case: Case, unit: Receiving, key: ItemKey, component: Component, pointer: str) -> Position | str:
    """Where a component goes; a bare code where the bill has no such position, empty where it has none at all."""
    takes = [position for position in unit.here if key.part in unit.bill.allowed[position.position]]
    if component.position is not None:
        position = unit.bill.by_position.get(component.position)
        if position is None:
            lacks_it = f"{case.title(unit.key.part)} has no position {component.position}."
            due = due_here(case, unit.here, unit.bill)
            case.because("wrong-part", f"{lacks_it} {due}", f"{pointer}/position")
            return component.position
        if position not in unit.here or key.part not in unit.bill.allowed[position.position]:
            case.because("wrong-part", _not_there(case, unit, key, position), pointer)
        return position
    for position in takes:
        if room(case, unit, position):
            return position
    if takes:
        return takes[0]
    elsewhere = [p for p in unit.bill.positions if key.part in unit.bill.allowed[p.position]]
    case.because("wrong-part", _not_here(case, unit, key, elsewhere), pointer)
    return next((p for p in elsewhere if room(case, unit, p)), elsewhere[0]) if elsewhere else ""


def due_here(case: Case, positions: Iterable[Position], bill: Bill) -> str:
    """What positions take, for the operator."""
    due = "; ".join(
        f"{position.position} takes {' or '.join(case.title(part) for part in bill.allowed[position.position])}"
        for position in positions
    )
    return f"Here {due}." if due else "No position is filled here."


def _not_there(case: Case, unit: Receiving, key: ItemKey, position: Position) -> str:
    if key.part in unit.bill.allowed[position.position]:
        return f"{position.position} is filled at {' or '.join(position.scan_points)}, not here."
    return f"This is {case.title(key.part)}. {due_here(case, [position], unit.bill)}"


def _not_here(case: Case, unit: Receiving, key: ItemKey, elsewhere: list[Position]) -> str:
    sentence = f"This is {case.title(key.part)}. {due_here(case, unit.here, unit.bill)}"
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
    check_suspected(case, item, pointer)
    if item.of_lot is not None and (row is None or row.lot_id is None):
        lot = case.row(ItemKey(part.part, "lot", item.of_lot))
        case.because_of(holds_on(case.known, lot) if lot is not None else (), pointer)
    if row is not None:
        _check_known_serial(case, row, pointer)


def _check_known_serial(case: Case, row: ItemRow, pointer: str) -> None:
    part = case.part(row.key)
    check_not_loaded(case, row, pointer)
    if part.sold:
        case.because_of(may_not_leave(case.known, case.catalogue, row, [case.message.scan_point or ""]), pointer)
        return
    if row.state in (*GONE, "shipped"):
        case.because("not-usable", f"{row.key} was {row.state}.", pointer)
    if part.packaging:
        case.because_of(may_not_ship(case.known, case.catalogue, row), pointer)
        return
    case.because_of(held(case.known, row), pointer)
    if part.made:
        case.because_of(lacks(case.known, case.catalogue, row), pointer)


# -- slots


def _standing(case: Case, unit: Receiving, position: str, started: Moment, ended: Moment) -> list[MarriageRow]:
    """What the books have in a position at any moment of an interval."""
    rows = case.known.as_parent.get(unit.id, ()) if unit.id is not None else ()
    return [
        row
        for row in rows
        if row.position == position and not row.disputed and row.overlaps(started, ended) and row.id not in case.leaving
    ]


def free_slots(case: Case, unit: Receiving, position: Position, started: Moment, ended: Moment) -> list[int]:
    """The slots of a position that nothing takes at any moment of an interval."""
    taken: set[int] = set()
    for row in _standing(case, unit, position.position, started, ended):
        taken.update(range(row.slot, row.slot + row.quantity))
    for fact in unit.married:
        if fact.position == position.position and not fact.disputed:
            taken.update(range(fact.slot, fact.slot + fact.quantity))
    return [slot for slot in range(1, position.quantity + 1) if slot not in taken]


def room(case: Case, unit: Receiving, position: Position | str) -> int:
    """How many slots of a position are free from now on."""
    return len(free_slots(case, unit, position, unit.since, FOREVER)) if isinstance(position, Position) else 0


def runs_of(slots: list[int]) -> list[tuple[int, int]]:
    """Slots that follow each other, as first slot and number."""
    runs: list[tuple[int, int]] = []
    for slot in slots:
        if runs and runs[-1][0] + runs[-1][1] == slot:
            runs[-1] = (runs[-1][0], runs[-1][1] + 1)
        else:
            runs.append((slot, 1))
    return runs


def place(
    case: Case,
    unit: Receiving,
    item: Item,
    position: Position | str,
    slot: int | None,
    pieces: int,
    pointer: str | None,
) -> None:
    """Note the marriage: in free slots and undisputed, or disputed against what stands there."""
    code = position.position if isinstance(position, Position) else position
    row = case.row(item.key)
    child_id = None if row is None else row.id
    ended = min(unit.until, end_by_removals(case, unit.id, child_id, code, unit.since))
    disputed = item.key.kind == "serial" and _is_elsewhere(case, unit, item.key, row, ended, pointer)
    case.know(item)
    if not isinstance(position, Position):
        note_marriage(case, unit, item.key, code, 0, max(pieces, 1), ended, disputed=disputed)
        return
    free = free_slots(case, unit, position, unit.since, ended)
    wanted = free[:pieces] if slot is None else [s for s in free if slot <= s < slot + pieces]
    if pieces == 0 or len(wanted) < pieces:
        _refuse_slot(case, unit, position, slot, ended, pointer)
        note_marriage(case, unit, item.key, code, slot or 0, max(pieces, 1), ended, disputed=True)
        return
    for first, number in runs_of(wanted):
        note_marriage(case, unit, item.key, code, first, number, ended, disputed=disputed)


def _is_elsewhere(
    case: Case, unit: Receiving, key: ItemKey, row: ItemRow | None, ended: Moment, pointer: str | None
) -> bool:
    if any(fact.child == key for fact in unit.married):
        case.because("already-installed", f"{key} is scanned twice in this message.", pointer)
        return True
    if row is None:
        return False
    others = [
        m
        for m in case.known.as_child.get(row.id, ())
        if not m.disputed and m.overlaps(unit.since, ended) and m.id not in case.leaving
    ]
    for other in others:
        case.because(
            "already-installed",
            f"{key} is in {case.name_of(other.parent_id)} at {other.position or 'no position'}.",
            pointer,
        )
    return bool(others)


def _refuse_slot(
    case: Case, unit: Receiving, position: Position, slot: int | None, ended: Moment, pointer: str | None
) -> None:
    if slot is not None and slot > position.quantity:
        case.because("no-free-slot", f"{position.position} has {position.quantity} slots, not {slot}.", pointer)
        return
    inside = sorted({case.name_of(row.child_id) for row in _standing(case, unit, position.position, unit.since, ended)})
    case.because(
        "no-free-slot",
        f"{position.position} of {unit.key} has room for {position.quantity}"
        + (f" and holds {', '.join(inside)}." if inside else ", no more."),
        pointer,
    )


def note_marriage(
    case: Case,
    unit: Receiving,
    child: ItemKey | None,
    position: str,
    slot: int,
    quantity: int,
    ended: Moment,
    *,
    disputed: bool,
    drawn_at: Use | None = None,
    loading: int | None = None,
) -> Married:
    """Note a marriage among the facts."""
    fact = Married(
        case.number(),
        unit.key,
        child,
        position,
        slot,
        quantity,
        unit.since,
        ended,
        disputed,
        case.part(unit.key).sold,
        drawn_at,
        loading,
    )
    unit.married.append(fact)
    case.facts.append(fact)
    return fact
