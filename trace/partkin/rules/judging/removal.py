"""Removals: which marriage ends, and what becomes of the component."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

from partkin.rules.facts import ItemKey, MarriageEnded, Removed, StateChanged
from partkin.rules.judging.case import Case
from partkin.rules.judging.completeness import lacks
from partkin.rules.judging.disposition import STATES
from partkin.rules.judging.interlocks import check_clock, check_holds, check_open, check_scan_point
from partkin.rules.judging.packing import check_pack_point, pack_contents
from partkin.rules.judging.placing import place_component, receiving
from partkin.rules.messages import Component, Removal
from partkin.rules.moments import FOREVER, text_of
from partkin.rules.rows import ItemRow, MarriageRow


def judge_removal(case: Case, message: Removal) -> None:
    """Find what a removal makes true, and every reason against it."""
    check_clock(case)
    check_scan_point(case)
    unit = case.item("/unit")
    child = case.item("/component") if message.component is not None else None
    if unit is None or (child is None and message.component is not None):
        return
    case.subject = unit.key
    row = case.row(unit.key)
    if row is None:
        case.because("unknown-item", f"{unit.key} has not been started.", "/unit")
        case.know(unit)
    else:
        check_open(case, row, "/unit", taking_out=message.replacement is None)
        check_holds(case, row, "/unit")
    if row is not None and row.state == "in work" and case.part(unit.key).packaging:
        check_pack_point(case)  # what is full is closed elsewhere anyway
    if child is not None:
        case.know(child)
        found = list(_matching(case, message, row, case.row(child.key)))
        _remove(case, message, unit.key, child.key, found)
    else:
        found = _at_position(case, message, unit.key, row)
    if message.replacement is not None:
        _replace(case, message, unit.key, message.replacement, found)


def _at_position(case: Case, message: Removal, unit: ItemKey, row: ItemRow | None) -> list[MarriageRow]:
    """Take out the one component that is at a position."""
    found = list(_matching(case, message, row, None))
    children = {marriage.child_id for marriage in found}
    if len(children) != 1 or None in children:
        what = (
            "nothing known is"
            if not found
            else "more than one component is"
            if None not in children
            else "pieces of an unknown lot are"
        )
        more = "name the slot or the component" if len(children) > 1 else "check the unit and the position"
        detail = f"In {unit} {what} at {message.position} at {text_of(case.at)}: {more}."
        case.because("not-installed", detail, "/position")
        return []
    _remove(case, message, unit, case.known.item[found[0].child_id or 0].key, found)
    return found


def _replace(case: Case, message: Removal, unit: ItemKey, component: Component, emptied: Sequence[MarriageRow]) -> None:
    """What goes in instead goes where the other was, unless the message says otherwise."""
    first = min(emptied, key=lambda row: row.slot, default=None)
    position, slot = (message.position, message.slot) if first is None else (first.position, first.slot)
    if component.position in (None, position):
        component = replace(component, position=position or None, slot=component.slot or slot or None)
    receiver = receiving(case, unit)
    place_component(case, receiver, component, "/replacement")
    if case.part(unit).packaging:
        pack_contents(case, receiver)


def _matching(case: Case, message: Removal, unit: ItemRow | None, child: ItemRow | None) -> Iterator[MarriageRow]:
    """Marriages that were so at this moment and that the message may mean."""
    for row in case.known.as_parent.get(unit.id, ()) if unit is not None else ():
        if (
            row.started <= case.at < row.ended
            and message.position in (None, row.position)
            and (message.slot is None or row.slot <= message.slot < row.slot + row.quantity)
            and (message.component is None or (child is not None and row.child_id == child.id))
        ):
            yield row


def _remove(case: Case, message: Removal, unit: ItemKey, child: ItemKey, found: list[MarriageRow]) -> None:
    if not found:
        case.because(*_not_there(case, unit, child), "/component")
    elif all(row.ended != FOREVER for row in found):
        case.because("already-removed", f"{child} was removed from {unit} at {text_of(found[0].ended)}.", "/component")
    case.facts.append(
        Removed(case.number(), unit, child, message.position, case.at, message.reason, message.destination)
    )
    for row in found:
        case.facts.append(MarriageEnded(row.id, case.at, message.destination == "stock"))
        case.leaving.add(row.id)
    if child.kind == "serial":
        _change_state(case, message, child, stood=any(row.stands for row in found))


def _change_state(case: Case, message: Removal, child: ItemKey, *, stood: bool) -> None:
    """By where it goes; a unit that comes out of its carton is as it was before."""
    row = case.row(child)
    if message.destination != "stock":
        case.facts.append(StateChanged(child, STATES[message.destination]))
    elif row is not None and row.state == "packed" and stood:
        case.facts.append(unpacked(case, row))


def unpacked(case: Case, row: ItemRow) -> StateChanged:
    """What a unit is once it is no longer in its carton."""
    complete = not any(lacks(case.known, case.catalogue, row))
    return StateChanged(row.key, "finished" if complete else "in work")


def _not_there(case: Case, unit: ItemKey, child: ItemKey) -> tuple[str, str]:
    """Why nothing ends: it was removed before, or never was there."""
    parent, part = case.row(unit), case.row(child)
    if parent is not None and part is not None:
        for row in case.known.as_parent.get(parent.id, ()):
            if row.child_id == part.id and row.started <= case.at and row.ended != FOREVER and not row.wrong:
                return "already-removed", f"{child} was removed from {unit} at {text_of(row.ended)}."
    return "not-installed", f"{child} is not in {unit} at {text_of(case.at)}."
