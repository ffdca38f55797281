"""What follows from an accepted message: visits, tests made stale, units finished or opened again, holds."""

from __future__ import annotations

from collections.abc import Iterator

from partkin.rules.facts import Fact, Held, ItemKey, MadeStale, MarriageEnded, Married, StateChanged, Visited
from partkin.rules.judging.case import Case
from partkin.rules.judging.completeness import held, lacks
from partkin.rules.messages import Marriage, Removal, TestRun, UnitStart
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
    if case.reasons and subject is not None:
        types = ", ".join(sorted({reason.type for reason in case.reasons}))
        _add(
            case,
            Held(case.number(), subject.key, f"discrepancy: {types}", True, case.at, case.message.operator),
        )


def _add(case: Case, fact: Fact) -> None:
    case.known.apply(fact)
    case.facts.append(fact)


def _stale(case: Case) -> Iterator[MadeStale]:
    """A change at a position makes tests stale on the item, and on whatever held it at that moment."""
    changed: dict[tuple[ItemKey, str], Moment] = {}
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
        case UnitStart() | Marriage() | TestRun():
            if case.scan_point is not None:
                _add(case, Visited(row.key, case.scan_point.scan_point, case.at))
            _finish(case, row)
        case Removal():
            for holder in list(_holding(case, row, case.at)):
                if holder.state == "finished":
                    _add(case, StateChanged(holder.key, "in work"))


def _finish(case: Case, row: ItemRow) -> None:
    """Finished is what stands at the end of its route (or came there before) with nothing lacking and nothing held."""
    if row.state != "in work" or not may_finish_at(case.catalogue, row.part, case.message.scan_point):
        return
    route = case.catalogue.route.get(row.part, ())
    ends = {step.scan_point for step in route if step.step == route[-1].step}
    if not ends.intersection(case.known.visits.get(row.id, ())):
        return
    if case.reasons or any(lacks(case.known, case.catalogue, row)) or any(held(case.known, row)):
        return
    _add(case, StateChanged(row.key, "finished"))
