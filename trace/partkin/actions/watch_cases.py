"""The watch over frozen containment cases: what a message makes affected is listed and stopped at once."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence

from sqlalchemy import Connection

from partkin.actions.look_up_case import take_listed, take_listed_among, take_watched
from partkin.rules.catalogue import Catalogue
from partkin.rules.containment.concerning import concerns
from partkin.rules.containment.listing import LEFT, Listing
from partkin.rules.containment.naming import suspects_of
from partkin.rules.containment.settling import LETS_GO
from partkin.rules.facts import CaseFrozen, CaseReopened, Decided, Fact, Loaded, LoadingCorrected, Married
from partkin.rules.judging import Judgement
from partkin.rules.known import Known
from partkin.rules.messages import Message
from partkin.rules.rows import CaseRow
from partkin.store.containment import cases
from partkin.store.genealogy.lot_changes import Draught, draws_in_doubt


def watched(
    connection: Connection,
    known: Known,
    catalogue: Catalogue,
    message: Message,
    judgement: Judgement,
    entry: int,
    write: Callable[[], None],
) -> list[Fact]:
    """What the frozen cases list and stop because of an accepted message; `write` puts what was recorded in the store.

    The facts are neither numbered nor made true yet.
    """
    if not judgement.facts:
        return []
    known.watched_points |= set(_points_put_up(known, judgement.facts))
    facts: list[Fact] = []
    for case in known.frozen():
        if any(isinstance(fact, CaseFrozen) and fact.case == case.code for fact in judgement.facts):
            continue  # its list was just made of all that there is
        listing = Listing(known, case, case.revision, message.moment, message.operator, entry)
        if any(isinstance(fact, CaseReopened) and fact.case == case.code for fact in judgement.facts):
            write()
            listed_before = take_listed(connection, case, known)
            known.take_all(cases.items_of(connection, [row.item_id for row in listed_before]))
        if _concerns(connection, case, known, catalogue, message, judgement, write):
            write()
            exposed = cases.exposed_things(connection, suspects_of(case.suspects))
            found = cases.found_things(connection, exposed, new_to=case.id)
            listed = take_listed_among(connection, case, known, [thing.item.id for thing in found])
            listing.add(take_watched(connection, known, found), listed)
        back = list(_back(known, case, listing))
        if back:
            write()
            left, settled = cases.left_around(connection, back), cases.settled_states(connection, case.id, back)
            for item_id in back:
                if item_id not in left and not settled[item_id]:
                    listing.stop(item_id, known.item[item_id].key)
        facts += listing.facts
    return facts


def _concerns(
    connection: Connection,
    case: CaseRow,
    known: Known,
    catalogue: Catalogue,
    message: Message,
    judgement: Judgement,
    write: Callable[[], None],
) -> bool:
    reopened = any(isinstance(fact, CaseReopened) and fact.case == case.code for fact in judgement.facts)
    if reopened or _still_inside(case, judgement) or concerns(case, message, judgement.facts, known, catalogue):
        return True
    draws = list(_draws_at_watched_points(known, judgement.facts))
    if not draws:
        return False
    write()
    doubts = draws_in_doubt(connection, draws)
    lots = {lot for others in doubts.values() for lot in others}
    known.take_all(cases.listed_among(connection, sorted(lots)))
    return any(known.lists(case, lot) for lot in lots)


def _still_inside(case: CaseRow, judgement: Judgement) -> bool:
    """Whether it was told that something was reworked, though it was not: that must not let it go."""
    reworked = (
        isinstance(fact, Decided) and fact.case == case.code and fact.decision == "rework" for fact in judgement.facts
    )
    return any(reason.type == "suspect-inside" for reason in judgement.reasons) and any(reworked)


def _points_put_up(known: Known, facts: Sequence[Fact]) -> Iterator[int]:
    """Points of use at which a lot was put up: those known at the start of a batch lack them."""
    for fact in facts:
        if isinstance(fact, Loaded):
            yield known.points_of_use[fact.use].id
        elif isinstance(fact, LoadingCorrected):
            yield known.loading[fact.loading].point_of_use_id


def _draws_at_watched_points(known: Known, facts: Sequence[Fact]) -> Iterator[Draught]:
    """Draws where a lot was up that a frozen case lists: they may be of it."""
    for fact in facts:
        if isinstance(fact, Married) and fact.drawn_at is not None:
            row = known.marriages[fact.number]
            if row.point_of_use_id in known.watched_points:
                yield Draught(row.id, row.point_of_use_id, row.child_id, row.started)


def _back(known: Known, case: CaseRow, listing: Listing) -> Iterator[int]:
    """Things that a case lists and does not stop: to be stopped again, unless they are settled or in what left."""
    for item_id, rows in known.listed.items():
        for row in rows:
            if row.case_id != case.id or row.dropped_in is not None or item_id not in known.item:
                continue
            decision = None if row.decision_id is None else known.decisions.get(row.decision_id)
            if decision not in LETS_GO and known.item[item_id].state not in LEFT and not listing.stops(item_id):
                yield item_id
