"""What a message may have to do with a case: whether it must be looked for what has become affected by it."""

from __future__ import annotations

from collections.abc import Iterable

from partkin.rules.catalogue import Catalogue
from partkin.rules.containment.naming import names_item, suspects_of
from partkin.rules.facts import (
    Corrected,
    Fact,
    ItemKey,
    ItemKnown,
    Loaded,
    LoadingCorrected,
    LotDated,
    LotNamed,
    MarriageEnded,
    MarriageRestored,
    Married,
    Received,
    Redrawn,
    Tested,
    Transferred,
    Use,
)
from partkin.rules.known import Known
from partkin.rules.messages import Marriage, Message, Removal, TestRun, UnitStart
from partkin.rules.messages.criteria import AnyOf, Worked
from partkin.rules.rows import CaseRow

_CHANGES = (
    *(Married, MarriageEnded, MarriageRestored, Redrawn, Loaded, LoadingCorrected, Corrected),
    *(Transferred, Received, ItemKnown, LotNamed, LotDated, Tested),
)
"""Facts that can make something affected."""


def concerns(case: CaseRow, message: Message, facts: Iterable[Fact], known: Known, catalogue: Catalogue) -> bool:
    """Whether something may have become affected by what a case suspects. No is sure, yes is not.

    Pieces drawn near a lot change are not looked at here.
    """
    suspects = suspects_of(case.suspects)
    if _is_work(message) and any(_worked(any_of, message, catalogue) for any_of in (suspects, *suspects.all_of)):
        return True
    if suspects.all_of or suspects.except_ is not None:
        return any(isinstance(fact, _CHANGES) for fact in facts)
    return any(_concerns(case, suspects, fact, known, catalogue) for fact in facts)


def _is_work(message: Message) -> bool:
    return isinstance(message, UnitStart | Marriage | Removal | TestRun)


def _worked(any_of: AnyOf, message: Message, catalogue: Catalogue) -> bool:
    under = any(
        built.from_ <= catalogue.revision and (built.to is None or catalogue.revision <= built.to)
        for built in any_of.built_under
    )
    return under or any(_did(worked, message) for worked in any_of.worked)


def _did(worked: Worked, message: Message) -> bool:
    instrument = message.instrument if isinstance(message, TestRun) else None
    return (
        worked.since <= message.moment < worked.until
        and worked.scan_point in (None, message.scan_point)
        and worked.operator in (None, message.operator)
        and worked.instrument in (None, instrument)
    )


def _concerns(case: CaseRow, suspects: AnyOf, fact: Fact, known: Known, catalogue: Catalogue) -> bool:  # noqa: C901
    match fact:
        case Corrected():
            return True
        case Married(child=child, parent=parent):
            in_packaging = catalogue.part[parent.part].packaging
            return _listed(case, child, known) or (in_packaging and _listed(case, parent, known))
        case MarriageRestored(marriage=number):
            child_id = known.marriages[number].child_id
            return child_id is not None and _listed(case, known.item[child_id].key, known)
        case Redrawn(use=use, lot=lot) | Loaded(use=use, lot=lot):
            return _listed(case, lot, known) or _watched(use, known)
        case LoadingCorrected(loading=number, lot=lot):
            return _listed(case, lot, known) or known.loading[number].point_of_use_id in known.watched_points
        case Transferred(source=source):
            return _listed(case, source, known)
        case Tested(plan=plan):
            return any(measured.plan == plan for measured in suspects.measured)
        case Received(part=part, supplier=supplier, lot=lot, at=at):
            came = any(
                one.supplier == supplier and one.part in (None, part) and one.since <= at < one.until
                for one in suspects.received
            )
            return came or _listed(case, lot, known) or any(one.part == part for one in suspects.produced)
        case LotNamed(item=item, of_lot=of_lot):
            return _listed(case, ItemKey(item.part, "lot", of_lot), known) or _made(suspects, item)
        case LotDated(item=item):
            return _made(suspects, item)
        case ItemKnown(item=item, of_lot=of_lot, produced_on=produced_on):
            lot = None if of_lot is None else ItemKey(item.part, "lot", of_lot)
            named = names_item(suspects, item, of_lot, produced_on, catalogue)
            return named or _listed(case, lot, known) or _made(suspects, item)
        case _:
            return False


def _made(suspects: AnyOf, item: ItemKey) -> bool:
    return any(one.part == item.part for one in suspects.produced)


def _watched(use: Use, known: Known) -> bool:
    return known.points_of_use[use].id in known.watched_points


def _listed(case: CaseRow, key: ItemKey | None, known: Known) -> bool:
    """Whether a case lists an item, the lot that it belongs to, or what was poured into it."""
    row = None if key is None else known.items.get(key)
    if row is None:
        return False
    to_look_at, seen = [row.id], {row.id}
    if row.lot_id is not None:
        to_look_at.append(row.lot_id)
    while to_look_at:
        item_id = to_look_at.pop()
        if known.lists(case, item_id):
            return True
        for transfer in known.sources.get(item_id, ()):
            if transfer.source_id not in seen:
                seen.add(transfer.source_id)
                to_look_at.append(transfer.source_id)
    return False
