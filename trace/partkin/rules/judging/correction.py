"""Corrections: a record is wrong, and answers are from now on as if the truth had been recorded."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace
from operator import attrgetter

from partkin.rules.facts import (
    Corrected,
    ItemKey,
    LoadingCorrected,
    MarriageRestored,
    Married,
    Measured,
    StateChanged,
    Tested,
)
from partkin.rules.judging.case import Case
from partkin.rules.judging.disposition import STATES
from partkin.rules.judging.drawing import booked_on, redraw
from partkin.rules.judging.interlocks import check_clock, check_scan_point
from partkin.rules.judging.lot_loading import open_lot
from partkin.rules.judging.packing import mark_packed
from partkin.rules.judging.placing import holds, place, receiving
from partkin.rules.judging.removal import unpacked
from partkin.rules.messages import Correction
from partkin.rules.moments import FOREVER, Moment
from partkin.rules.reading import Item
from partkin.rules.rows import ItemRow, LoadingRow, MarriageRow, RemovalRow, TestRunRow

_NEW_LOT = -1
"""Stands for the number of a lot that is new."""


def judge_correction(case: Case, message: Correction) -> None:
    """Find what a correction makes true, and every reason against it."""
    check_clock(case)
    check_scan_point(case)
    wrong = _wrong_row(case, message.wrong)
    if wrong is None:
        detail = f"{message.wrong} is the number of no marriage, removal, lot loading or test run that stands."
        case.because("unknown-record", detail, "/wrong")
        return
    case.subject = _worked_on(case, wrong)
    if not _fits(case, message, wrong):
        return
    match wrong:
        case MarriageRow():
            _correct_marriage(case, message, wrong)
        case RemovalRow():
            _correct_removal(case, message, wrong)
        case LoadingRow():
            _correct_loading(case, message, wrong)
        case TestRunRow():
            _correct_run(case, message, wrong)


_Wrong = MarriageRow | RemovalRow | LoadingRow | TestRunRow

_SAYS: dict[type[_Wrong], tuple[str, ...]] = {
    MarriageRow: ("unit", "component"),
    RemovalRow: (),
    LoadingRow: ("lot",),
    TestRunRow: ("unit",),
}
"""What a correction of each kind of row may say."""


def _wrong_row(case: Case, number: int) -> _Wrong | None:
    known = case.known
    row = known.marriages.get(number) or known.removal.get(number) or known.run.get(number)
    if row is None:
        return known.loading.get(number)
    return None if row.wrong else row


def _worked_on(case: Case, wrong: _Wrong) -> ItemKey | None:
    """The unit or subassembly that a record is about."""
    match wrong:
        case MarriageRow() | RemovalRow():
            return case.known.item[wrong.parent_id].key
        case TestRunRow():
            return case.known.item[wrong.item_id].key
        case LoadingRow():
            return None


def _fits(case: Case, message: Correction, wrong: _Wrong) -> bool:
    given = [name for name in ("unit", "component", "lot") if getattr(message, name) is not None]
    for name in given:
        if name not in _SAYS[type(wrong)]:
            detail = f"{message.wrong} has no {name} to be corrected."
            case.because("not-correctable", detail, f"/{name}")
            return False
    return True


def _note(case: Case, message: Correction, instead: int | None, loading: int | None = None) -> None:
    case.facts.append(
        Corrected(case.number(), message.wrong, instead, case.at, message.reason, message.operator, loading),
    )


# -- marriages


def _correct_marriage(case: Case, message: Correction, wrong: MarriageRow) -> None:
    """It never was; what is said instead was there in that time, as far as nothing else was."""
    parent = case.known.item[wrong.parent_id].key
    case.leaving.add(wrong.id)
    loading = booked_on(case.known.loadings[wrong.point_of_use_id], wrong) if wrong.point_of_use_id else None
    recorded = None if wrong.child_id is None else case.known.item[wrong.child_id]
    if recorded is not None and recorded.state == "packed" and wrong.stands:
        case.facts.append(unpacked(case, recorded))
    if message.unit is None and message.component is None:
        _note(case, message, None, loading)
        return
    unit = case.item("/unit") if message.unit is not None else _bare(parent)
    child = case.item("/component") if message.component is not None else _child(case, wrong)
    if unit is None or child is None:
        return
    if not case.part(unit.key).made:
        case.because("wrong-part", f"{case.title(unit.key.part)} is not built here.", "/unit")
        return
    _check_started(case, unit, "/unit")
    _check_started(case, child, "/component")
    case.know(unit)
    case.subject = unit.key
    place_of_note = len(case.facts)
    first = _marry_instead(case, unit.key, child, wrong)
    _note(case, message, None if first is None else first.number, loading)
    # The wrong one goes before the true one comes.
    case.facts.insert(place_of_note, case.facts.pop())
    if first is not None and not first.disputed and first.ended == FOREVER and case.part(unit.key).packaging:
        mark_packed(case, first)


def _check_started(case: Case, item: Item, pointer: str) -> None:
    if case.part(item.key).made and case.row(item.key) is None:
        case.because("unknown-item", f"{item.key} has not been started.", pointer)


def _bare(key: ItemKey) -> Item:
    return Item(key, None, None, None, None)


def _child(case: Case, wrong: MarriageRow) -> Item | None:
    row = None if wrong.child_id is None else case.known.item[wrong.child_id]
    if row is None:
        case.because("not-correctable", "Say which component it was: none was known.", "/component")
        return None
    return _bare(row.key)


def _marry_instead(case: Case, unit: ItemKey, child: Item, wrong: MarriageRow) -> Married | None:
    """Note the true marriage. None where the unit is itself in the component."""
    receiver = receiving(case, unit)
    receiver.since, receiver.until = wrong.started, wrong.ended
    if child.key == unit or holds(case, child.key, receiver):
        case.because("inside-itself", f"{child.key} cannot go into {unit}, which is inside it.", "/component")
        return None
    bill = case.bill(unit)
    position = bill.by_position.get(wrong.position)
    if position is None or child.key.part not in bill.allowed[wrong.position]:
        what = f"{wrong.position} of {unit}" if wrong.position else f"{unit}"
        case.because("wrong-part", f"{what} does not take {case.title(child.key.part)}.", "/component")
    pieces = 1 if child.key.kind == "serial" else wrong.quantity
    place(case, receiver, child, position or wrong.position, wrong.slot or None, pieces, "/component")
    return receiver.married[0]


# -- removals


def _correct_removal(case: Case, message: Correction, wrong: RemovalRow) -> None:
    """It never was: what it ended lasts until the next removal that was told, or still lasts."""
    parent, child = case.known.item[wrong.parent_id], case.known.item[wrong.child_id]
    _note(case, message, None)
    ended = [
        (row, _next_removal(case, wrong, row))
        for row in case.known.as_child.get(child.id, ())
        if row.parent_id == parent.id and row.ended == wrong.occurred_at and not row.wrong
    ]
    longer = [(row, until) for row, until in ended if until > row.ended]
    lasting = {row.id: replace(row, ended=until) for row, until in longer}
    in_the_way = [_find_in_its_way(case, row, until, lasting) for row, until in longer if not row.disputed]
    if any(in_the_way):
        return
    to_stock = wrong.destination == "stock"
    case.facts.extend(MarriageRestored(row.id, until, to_stock) for row, until in longer)
    if child.state == STATES.get(wrong.destination):
        made = case.part(child.key).made
        case.facts.append(StateChanged(child.key, "in work" if made else "usable"))


def _next_removal(case: Case, wrong: RemovalRow, row: MarriageRow) -> Moment:
    removals = case.known.removals.get((wrong.parent_id, wrong.child_id), ())
    others = (
        removal.occurred_at
        for removal in removals
        if removal.id != wrong.id
        and not removal.wrong
        and removal.occurred_at >= row.started
        and removal.position in (None, row.position)
    )
    return min(others, default=FOREVER)


def _find_in_its_way(case: Case, row: MarriageRow, until: Moment, lasting: Mapping[int, MarriageRow]) -> bool:
    """Whether anything was recorded of its component, or in its slots, for the time that it lasts longer.

    `lasting` has those that would last longer with it.
    """
    before = len(case.reasons)
    for other in sorted(_of_its_component(case, row), key=attrgetter("id")):
        if lasting.get(other.id, other).overlaps(row.ended, until):
            _note_in_its_way(case, other, "already-installed")
    for other in sorted(_in_its_slots(case, row), key=attrgetter("id")):
        if lasting.get(other.id, other).overlaps(row.ended, until):
            _note_in_its_way(case, other, "no-free-slot")
    return len(case.reasons) > before


def _note_in_its_way(case: Case, other: MarriageRow, kind: str) -> None:
    what, where = case.name_of(other.child_id), case.name_of(other.parent_id)
    case.because(kind, f"{what} is in {where} at {other.position}, recorded since then.", "/wrong")


def _of_its_component(case: Case, row: MarriageRow) -> Iterator[MarriageRow]:
    for other in case.known.as_child.get(row.child_id or 0, ()) if row.child_is_serial else ():
        if other.id != row.id and not other.disputed:
            yield other


def _in_its_slots(case: Case, row: MarriageRow) -> Iterator[MarriageRow]:
    slots = set(range(row.slot, row.slot + row.quantity)) if row.slot else set()
    for other in case.known.as_parent.get(row.parent_id, ()):
        same = other.position == row.position and slots.intersection(range(other.slot, other.slot + other.quantity))
        if same and other.id != row.id and not other.disputed:
            yield other


# -- lot loadings


def _correct_loading(case: Case, message: Correction, wrong: LoadingRow) -> None:
    """Another lot was up: what was drawn meanwhile came from that."""
    item = case.item("/lot") if message.lot is not None else None
    if message.lot is not None and item is None:
        return
    use = next(use for use, point in case.known.points_of_use.items() if point.id == wrong.point_of_use_id)
    if item is not None:
        takes = case.catalogue.points_of_use.get(use.scan_point, {}).get(use.position, frozenset())
        if item.key.kind != "lot" or item.key.part not in takes:
            detail = f"{use.position} at {use.scan_point} takes {' or '.join(sorted(takes))}, not {item.key.part}."
            case.because("wrong-part", detail, "/lot")
        case.know(item)
        open_lot(case, item.key, wrong.loaded_at)
    _note(case, message, None)
    key = None if item is None else item.key
    case.facts.append(LoadingCorrected(wrong.id, key))
    row = None if key is None else case.row(key)
    lot_id = None if key is None else _NEW_LOT if row is None else row.id
    loadings = case.known.loadings[wrong.point_of_use_id]
    timeline = [replace(one, lot_id=lot_id) if one.id == wrong.id else one for one in loadings]
    redraw(case, use, wrong.loaded_at, wrong.unloaded_at, timeline, {} if key is None else {_NEW_LOT: key})


# -- test runs


def _correct_run(case: Case, message: Correction, wrong: TestRunRow) -> None:
    """It was not of this item; where it is said of which, it is a run of that."""
    if message.unit is None:
        _note(case, message, None)
        return
    item = case.item("/unit")
    if item is None:
        return
    if item.key.kind != "serial":
        case.because("wrong-part", f"{case.title(item.key.part)} has no serial number to test.", "/unit")
        return
    _check_started(case, item, "/unit")
    case.know(item)
    case.subject = item.key
    run = _as_recorded(case, wrong)
    number = case.number()
    _note(case, message, number)
    case.facts.append(replace(run, number=number, item=item.key))


def _as_recorded(case: Case, wrong: TestRunRow) -> Tested:
    measured = tuple(
        Measured(row.characteristic, row.value, row.good, row.within, row.lower, row.upper)
        for row in case.known.measurements.get(wrong.id, ())
    )
    item: ItemRow = case.known.item[wrong.item_id]
    return Tested(
        wrong.id,
        item.key,
        wrong.plan,
        wrong.instrument,
        wrong.occurred_at,
        wrong.verdict,
        measured,
        wrong.tester,
        wrong.revision,
        tuple(case.known.attachments_of.get(wrong.id, ())),
    )
