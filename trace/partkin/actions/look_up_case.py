"""What a message about a containment case needs beyond the rows that it names: looked up before it is judged."""

from __future__ import annotations

import secrets
from collections.abc import Sequence

from sqlalchemy import Connection

from partkin.rules.containment.naming import suspects_of
from partkin.rules.known import Found, FoundThing, Known, SuspectMistake
from partkin.rules.messages import CaseDecision, Containment, Message, Notice, Sorting
from partkin.rules.messages.criteria import Suspects
from partkin.rules.moments import Moment
from partkin.rules.reading import ReadMessage
from partkin.rules.reasons import Reason
from partkin.rules.rows import CaseItemRow, CaseRow
from partkin.store.containment import cases
from partkin.store.containment.records import revisions_of
from partkin.store.genealogy.suspects import unknown_names
from partkin.store.journal.entries import last_entry
from partkin.store.journal.seals import add_seal, last_seal, next_seal

CaseMessage = Containment | CaseDecision | Sorting | Notice


def is_freeze(message: Message) -> bool:
    """Whether everything else must stand still for it."""
    return isinstance(message, Containment) and message.action in ("freeze", "reopen")


def look_up(connection: Connection, read: ReadMessage, known: Known, now: Moment) -> Found:
    """Everything written before must be in the store."""
    match read.message:
        case Containment() as message:
            return _for_containment(connection, message, known, now)
        case CaseDecision() as message:
            return _for_decision(connection, read, message, known)
        case Sorting() as message:
            return _for_sorting(connection, message, known)
        case Notice() as message:
            case = known.cases.get(message.case)
            reached = () if case is None else cases.consignees_of(connection, case.id)
            return Found(consignees=reached, seed=_seed())
        case _:
            return Found()


def _seed() -> str:
    return secrets.token_hex(16)


def _for_containment(connection: Connection, message: Containment, known: Known, now: Moment) -> Found:
    case = known.cases.get(message.case)
    mistakes = () if message.suspects is None else _mistakes(connection, message.suspects)
    if mistakes or case is None:
        return Found(mistakes=mistakes)
    if message.action == "freeze" and case.status != "closed":
        suspects = suspects_of(case.suspects) if message.suspects is None else message.suspects
        return _frozen(connection, case, suspects, known, now)
    if message.action == "close":
        return Found(
            listed=take_listed(connection, case, known),
            unsettled=cases.unsettled(connection, case.id),
            unaccounted=cases.unaccounted(connection, case.id),
            uninspected=cases.uninspected(connection, case.id),
            to_tell=cases.consignees_of(connection, case.id, except_as_is=True),
        )
    return Found()


def _mistakes(connection: Connection, suspects: Suspects) -> list[SuspectMistake]:
    return [SuspectMistake(mistake.pointer, mistake.detail) for mistake in unknown_names(connection, suspects)]


def _frozen(connection: Connection, case: CaseRow, suspects: Suspects, known: Known, now: Moment) -> Found:
    """What the list of a freeze is made from: the books as they are known at a seal that is made for it."""
    last = last_entry(connection)
    before = last_seal(connection)
    seal = next_seal(connection, before, last, now)
    if seal is not None:
        add_seal(connection, seal)
    newest = seal or before
    exposed = cases.exposed_things(connection, suspects)
    return Found(
        things=take_watched(connection, known, cases.found_things(connection, exposed)),
        points=cases.points_up(connection, exposed),
        seal=None if newest is None else newest.seal,
        last_entry=last,
        listed=take_listed(connection, case, known),
    )


def take_things(known: Known, things: Sequence[FoundThing]) -> list[FoundThing]:
    """The things, with their items as they are known to the batch."""
    known.take_all(thing.item for thing in things)
    return [thing._replace(item=known.item[thing.item.id]) for thing in things]


def take_watched(connection: Connection, known: Known, found: Sequence[FoundThing]) -> list[FoundThing]:
    """As `take_things`, and the points of use where lots among them are or were up: what is drawn there is watched."""
    lots = [thing.item.id for thing in found if thing.item.kind == "lot"]
    known.watched_points |= cases.points_loaded(connection, lots)
    return take_things(known, found)


def take_listed(connection: Connection, case: CaseRow, known: Known) -> list[CaseItemRow]:
    """All that a case lists, with its holds and the decisions that count, as they are known to the batch."""
    rows = cases.listed_by(connection, case.id)
    known.take_all(rows)
    known.take_all(cases.holds_of_case(connection, case.id))
    known.take_all(cases.decisions_of(connection, case.id))
    return [known.case_item[row.id] for row in rows]


def take_listed_among(
    connection: Connection, case: CaseRow, known: Known, items: Sequence[int]
) -> dict[int, CaseItemRow]:
    """As `take_listed`, only some items: where the case lists each."""
    rows = cases.listed_among(connection, items) if items else []
    known.take_all(rows)
    if rows:
        known.take_all(cases.holds_among(connection, items))
        decided = [row.decision_id for row in rows if row.decision_id is not None]
        known.take_all(cases.decisions_among(connection, decided))
    return {row.item_id: known.case_item[row.id] for row in rows if row.case_id == case.id}


def _for_decision(connection: Connection, read: ReadMessage, message: CaseDecision, known: Known) -> Found:
    case = known.cases.get(message.case)
    if case is None:
        return Found()
    keys = [item.key for items in read.items.values() if not isinstance(items, Reason) for item in items]
    named = [known.items[key].id for key in keys if key in known.items]
    within = {one: _within(known, one) for thing in named for one in _within(known, thing)}
    things: Sequence[FoundThing] = ()
    if message.decision == "rework":
        exposed = cases.exposed_things(connection, suspects_of(case.suspects))
        things = take_things(known, cases.found_things(connection, exposed, among_items=list(within)))
    proof = cases.proofs(connection, case.id, within) if within else {}
    frozen = {row.revision: row.id for row in revisions_of(connection, case.id)}
    return Found(things=things, proof=proof, revisions=frozen)


def _within(known: Known, item_id: int) -> list[int]:
    """An item, and all that stands in it."""
    inside = (row.child_id for row in known.inside(item_id) if row.child_id is not None)
    return [item_id, *inside]


def _for_sorting(connection: Connection, message: Sorting, known: Known) -> Found:
    case = known.cases.get(message.case)
    if case is None:
        return Found()
    if message.clean is not None:
        clean = message.clean
        population = cases.population_built(connection, case.id, clean.part, clean.since, clean.until)
    else:
        assert message.listed is not None  # noqa: S101 - its form says so
        population = cases.population_listed(connection, case.id, message.listed, message.part)
    known.take_all(population)
    return Found(population=[row.key for row in population], seed=_seed())
