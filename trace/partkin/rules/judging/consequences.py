"""What follows from an accepted message: visits, tests made stale, units finished or opened again, holds."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from partkin.rules.applying import apply
from partkin.rules.facts import (
    Corrected,
    Fact,
    Held,
    ItemKey,
    ItemState,
    MadeStale,
    MarriageEnded,
    Married,
    StateChanged,
    Visited,
)
from partkin.rules.judging.case import Case
from partkin.rules.judging.completeness import held, lacks, missing_positions
from partkin.rules.messages import Correction, Marriage, Packing, Removal, TestRun, UnitStart
from partkin.rules.moments import Moment
from partkin.rules.reading import may_finish_at
from partkin.rules.rows import ItemRow


def add_consequences(case: Case) -> None:
    """Add, and make true, what follows from the facts of a case. Those must be in `known` already."""
    for fact in list(_stale(case)):
        _add(case, fact)
    subject = None if case.subject is None else case.row(case.subject)
    if subject is not None:
        _subject(case, subject)
    if case.reasons:
        _hold(case, case.doubtful or [row.key for row in (subject,) if row is not None])


def _hold(case: Case, keys: Iterable[ItemKey]) -> None:
    """What contradicts the books goes on hold until somebody resolves it."""
    types = ", ".join(sorted({reason.type for reason in case.reasons}))
    for key in keys:
        reason = f"discrepancy: {types}"
        _add(case, Held(case.number(), key, reason, True, case.at, case.message.operator))


def _add(case: Case, fact: Fact) -> None:
    apply(fact, case.known)
    case.facts.append(fact)


def _stale(case: Case) -> Iterator[MadeStale]:
    """A change at a position makes tests stale on the item, and on whatever held it at that moment."""
    changed: dict[tuple[ItemKey, str], Moment] = {}
    if isinstance(case.message, Correction):
        return  # the unit is as it was when it was tested
    for fact in case.facts:
        match fact:
            case Married(started=at):
                row = case.known.marriages[fact.number]
            case MarriageEnded(ended=at):
                row = case.known.marriages[fact.marriage]
            case _:
                continue
        parent = case.known.item[row.parent_id]
        position = case.bill(parent.key).by_position.get(row.position)
        for plan in position.makes_stale if position is not None else ():
            for item in _holding(case, parent, at):
                changed[item.key, plan] = at
    for (key, plan), at in changed.items():
        stale = case.known.stale.get((case.known.items[key].id, plan))
        if stale is None or stale.at < at:
            yield MadeStale(key, plan, at)


def _holding(case: Case, row: ItemRow, at: Moment) -> Iterator[ItemRow]:
    yield row
    for marriage in case.known.as_child.get(row.id, ()):
        if marriage.started <= at < marriage.ended and marriage.parent_id in case.known.item:
            yield from _holding(case, case.known.item[marriage.parent_id], at)


def _subject(case: Case, row: ItemRow) -> None:
    match case.message:
        case UnitStart() | Marriage() | TestRun() | Packing():
            if case.scan_point is not None:
                _add(case, Visited(row.key, case.scan_point.scan_point, case.at))
            _finish(case, row)
        case Removal():
            _open_again(case, row)
            if case.message.replacement is not None or case.part(row.key).packaging:
                _finish(case, row)
        case Correction():
            _open_incomplete(case)


def _open_again(case: Case, row: ItemRow) -> None:
    """What something was taken out of is no longer finished, nor is what holds it now."""
    if row.state == "finished" and not case.part(row.key).packaging:
        _add(case, StateChanged(row.key, "in work"))
    around = case.known.holder(row.id)
    if around is not None:
        _open_again(case, case.known.item[around.parent_id])


def _open_incomplete(case: Case) -> None:
    """What lacks something, now that a record was corrected, is no longer finished, nor is what holds it."""
    corrected = [fact for fact in case.facts if isinstance(fact, Corrected)]
    numbers = {number for fact in corrected for number in (fact.wrong, fact.instead)}
    marriages = (case.known.marriages.get(number or 0) for number in numbers)
    touched = {married.parent_id for married in marriages if married is not None}
    for item_id in sorted(touched):
        row = case.known.item[item_id]
        if case.part(row.key).packaging:
            _refill(case, row)
        elif any(lacks(case.known, case.catalogue, row)):
            _open_again(case, row)


def _finish(case: Case, row: ItemRow) -> None:
    """Finished is what stands at the end of its route (or came there before) with nothing lacking and nothing held."""
    if case.part(row.key).packaging:
        _refill(case, row)
        return
    if row.state not in ("in work", "came back") or not _may_finish(case, row):
        return
    if case.reasons or any(lacks(case.known, case.catalogue, row)) or any(held(case.known, row)):
        return
    _add(case, StateChanged(row.key, "finished"))


def _refill(case: Case, row: ItemRow) -> None:
    """Packaging has no route: it is finished while it is full."""
    full = not any(missing_positions(case.known, case.catalogue, row))
    state: ItemState = "finished" if full else "in work"
    if row.state in ("in work", "finished") and row.state != state:
        _add(case, StateChanged(row.key, state))


def _may_finish(case: Case, row: ItemRow) -> bool:
    """Whether it is at the end of its route, or at a rework point and was at the end before."""
    if not may_finish_at(case.catalogue, row.part, case.message.scan_point):
        return False
    route = case.catalogue.route.get(row.part, ())
    ends = {step.scan_point for step in route if step.step == route[-1].step}
    return bool(ends.intersection(case.known.visits.get(row.id, ())))
