"""What was said and done about a containment case, and what was added to its list, as the journal has it, in words."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence, Set
from dataclasses import fields, replace
from itertools import groupby
from typing import Final

from sqlalchemy import Connection

from partkin.exports.papers.model import CaseEvent
from partkin.rules.facts import (
    CaseClosed,
    CaseFrozen,
    CaseOpened,
    CaseReopened,
    ChecksPlanned,
    Corrected,
    Decided,
    Fact,
    Held,
    Inspected,
    ItemKey,
    MadeStale,
    MarriageEnded,
    MarriageRestored,
    Noticed,
    SortingDrawn,
    StateChanged,
    Visited,
)
from partkin.rules.facts_json import fact_of_json
from partkin.rules.moments import datetime_of, moment_of
from partkin.rules.rows import CaseRow
from partkin.rules.sentences import item_words, moment_words, place_words, sentence
from partkin.store.containment.papers import Answered, Thing, entries_by_number, entries_of_case
from partkin.store.genealogy.content import items_by_id
from partkin.store.genealogy.exposure import marriages_by_id

_NAMED: Final = 12
"""Things that are named, of which the same was decided at once."""

_SHOWN: Final = 4
"""Sentences that say why something was added."""

_FOLLOWS: Final = (Visited, Held, MadeStale, StateChanged)
"""Facts that follow from others: they are no reason."""

_OF_CASE: Final = (
    *(CaseOpened, CaseFrozen, CaseClosed, CaseReopened, Decided),
    *(SortingDrawn, Inspected, ChecksPlanned, Noticed),
)


def case_events(connection: Connection, case_id: int) -> tuple[list[CaseEvent], CaseEvent | None]:
    """All of them in order of the journal, and the last closing; good inspections in a row are told as one."""
    entries = entries_of_case(connection, case_id)
    facts = {row.id: [fact for fact in _facts(row) if isinstance(fact, _OF_CASE)] for row in entries}
    called = _called(connection, [fact for some in facts.values() for fact in some])
    events: list[CaseEvent] = []
    closing = None
    for _, rows in groupby(entries, key=lambda row: _good_inspection(row, facts[row.id])):
        first, *more = rows
        words = _words(facts[first.id], called)
        if more:
            words += f" So were {len(more):,} more, up to entry {more[-1].id}."
        events.append(CaseEvent(datetime_of(first.at), first.operator or "", first.id, words))
        if any(isinstance(fact, CaseClosed) for fact in facts[first.id]):
            closing = events[-1]
    return events, closing


def _good_inspection(row: Answered, facts: Sequence[Fact]) -> tuple[object, ...]:
    """The same for good inspections by one person for one sorting; all else is different from everything."""
    match facts:
        case [Inspected(good=True) as fact]:
            return fact.sorting, fact.by
    return (row.id,)


def _words(facts: Sequence[Fact], called: Mapping[int, str]) -> str:
    """What an entry says; what was decided alike of many things in one sentence."""
    decided = [fact for fact in facts if isinstance(fact, Decided)]
    if len(decided) < 2:
        return " ".join(sentence(fact, called) for fact in facts)
    names = [item_words(fact.item) for fact in decided]
    more = len(names) - _NAMED
    rest = f" and {more:,} more" if more > 0 else ""
    return ", ".join(names[:_NAMED]) + rest + sentence(replace(decided[0], proof=()), called).removeprefix(names[0])


def _facts(row: Answered) -> list[Fact]:
    return [fact_of_json(fact) for fact in json.loads(row.answer)["facts"]]


# -- what was added


def added_since(connection: Connection, case: CaseRow, things: Sequence[Thing]) -> list[tuple[str, str]]:
    """What was added since the last freeze, or is affected more certainly since: item, and why."""
    added = [thing for thing in things if thing.because is not None and thing.revision == case.revision]
    entries = entries_by_number(connection, sorted({thing.because for thing in added if thing.because is not None}))
    facts = {row.id: [fact for fact in _facts(row) if not isinstance(fact, _FOLLOWS)] for row in entries}
    keys = {thing.key for thing in things}
    called = _called(connection, [fact for some in facts.values() for fact in some])
    heads = {row.id: f"Entry {row.id}, {_minute(row.at)}, by {row.operator}" for row in entries}
    return [
        (item_words(thing.key), f"{heads[number]}: {_why(thing.key, keys, facts[number], called)}")
        for thing in added
        if (number := thing.because) in heads
    ]


def _minute(moment: int) -> str:
    when = datetime_of(moment).replace(second=0, microsecond=0)
    return moment_words(moment_of(when)).replace(":00 UTC", " UTC")


def _why(key: ItemKey, listed: Set[ItemKey], facts: Sequence[Fact], called: Mapping[int, str]) -> str:
    """Of the facts of an entry those that name the item, best together with another listed thing; all, if none does."""
    named = [
        (fact, {value for field in fields(fact) if isinstance(value := getattr(fact, field.name), ItemKey)})
        for fact in facts
    ]
    naming = [fact for fact, keys in named if key in keys]
    together = [fact for fact, keys in named if key in keys and len(keys & listed) > 1]
    sentences = [sentence(fact, called) for fact in together or naming or facts]
    more = len(sentences) - _SHOWN
    return " ".join(sentences[:_SHOWN]) + (f" And {more:,} more." if more > 0 else "")


# -- marriages that facts name by their numbers


def _called(connection: Connection, facts: Sequence[Fact]) -> Mapping[int, str]:
    married = marriages_by_id(connection, sorted({number for fact in facts for number in _numbers(fact)}))
    ids = {number for row in married.values() for number in (row.child_id, row.parent_id) if number is not None}
    names = items_by_id(connection, sorted(ids))
    return {
        number: f"{item_words(names.get(row.child_id))} in {item_words(names[row.parent_id])}, "
        f"{place_words(row.position, 0)}"
        for number, row in married.items()
    }


def _numbers(fact: Fact) -> Iterator[int]:
    match fact:
        case Decided(proof=proof):
            yield from proof
        case MarriageEnded(marriage=number) | MarriageRestored(marriage=number):
            yield number
        case Corrected(wrong=wrong, instead=instead):
            yield wrong
            if instead is not None:
                yield instead
