"""The readable history of an item: every recorded entry that touched it, in sentences."""

from __future__ import annotations

import json
from collections import defaultdict
from collections.abc import Generator, Iterable, Iterator, Mapping, Sequence
from contextlib import closing
from dataclasses import dataclass, fields
from typing import Any

from sqlalchemy import Connection, Row

from partkin.questions.asked_items import Asked, find_item
from partkin.rules.facts import (
    FACTS_PER_ENTRY,
    CameBack,
    Corrected,
    Decided,
    Despatched,
    Dropped,
    Fact,
    ItemKey,
    LeftOver,
    LoadingCorrected,
    MarriageEnded,
    MarriageRestored,
    NumbersIssued,
    Received,
    Redrawn,
    Released,
    Relisted,
    ShipmentLoaded,
    ShipmentOpened,
    ShipmentUnloaded,
    SortingDrawn,
    Use,
)
from partkin.rules.facts_json import fact_of_json
from partkin.rules.moments import Moment, moment_of_text, text_of
from partkin.rules.sentences import item_words, moment_words, place_words, sentence
from partkin.store.database import Readable
from partkin.store.genealogy.content import items_by_id
from partkin.store.genealogy.item_history import (
    FIRST,
    After,
    Told,
    corrections_of,
    draws_of,
    entries_of,
    rows_by_number,
    shipments_of,
    spans_of,
)


def history(database: Readable, asked: Asked, *, inside: bool) -> Generator[list[dict[str, Any]], None, None]:
    """All of it, in order of occurred_at and entry, some entries at a time.

    With `inside` also what happened to what was in the item, while it was in there. The first chunk is empty: asking
    for it raises NoSuchItem and AmbiguousItem before an answer has begun.
    """
    with database.read() as connection:
        number = find_item(connection, asked)
        yield []
        yield from _history(connection, number, inside=inside, after=FIRST)


def history_page(
    database: Readable, asked: Asked, *, inside: bool, after: After, limit: int
) -> tuple[list[dict[str, Any]], After | None]:
    """Up to `limit` entries from the one after `after`, and the last of them where there are more.

    Raises NoSuchItem and AmbiguousItem.
    """
    found: list[dict[str, Any]] = []
    with database.read() as connection:
        number = find_item(connection, asked)
        with closing(_history(connection, number, inside=inside, after=after)) as chunks:
            for rows in chunks:
                found += rows
                if len(found) > limit:
                    break
    if len(found) <= limit:
        return found, None
    last = found[limit - 1]
    return found[:limit], After(moment_of_text(last["occurred_at"]), last["entry"])


@dataclass(frozen=True, slots=True)
class _Subject:
    """Whose history it is, and what belongs to it."""

    ids: frozenset[int]
    """The item; and where it is asked for, what was inside."""
    holders: frozenset[int]
    """What it was in: their shipments and returns are its own."""
    draws: Mapping[Use, Sequence[Moment]]
    """When it took pieces from what was loaded."""
    shipments: frozenset[str]


def _history(
    connection: Connection, number: int, *, inside: bool, after: After
) -> Generator[list[dict[str, Any]], None, None]:
    spans = spans_of(connection, number)
    ids = frozenset(span.item for span in spans if span.within) if inside else frozenset({number})
    draws = defaultdict(list)
    for row in draws_of(connection, sorted(ids)):
        draws[Use(row.scan_point, row.position)].append(row.started)
    holders = frozenset(span.item for span in spans if not span.within)
    subject = _Subject(ids, holders, draws, frozenset(shipments_of(connection, sorted(ids | holders))))
    for entries in entries_of(connection, spans, after):
        yield list(_told(connection, entries, subject))


def _told(connection: Connection, entries: Sequence[Told], subject: _Subject) -> Iterator[dict[str, Any]]:
    """Those of some entries that touched the subject, in sentences."""
    answers = {row.id: json.loads(row.answer) for row in entries}
    facts = {number: [fact_of_json(fact) for fact in answer["facts"]] for number, answer in answers.items()}
    books = _Books(connection, [fact for some in facts.values() for fact in some], subject)
    concerning = {number: [fact for fact in some if books.concerns(fact)] for number, some in facts.items()}
    wrong = _corrected(connection, [fact for some in concerning.values() for fact in some])
    for row in entries:
        if concerning[row.id] or row.item_id in subject.ids:
            said = [fact for fact in facts[row.id] if fact in concerning[row.id] or isinstance(fact, ShipmentOpened)]
            yield {
                "entry": row.id,
                "kind": row.kind,
                "mode": row.mode,
                "occurred_at": text_of(row.occurred_at),
                "recorded_at": text_of(row.recorded_at),
                "scan_point": row.scan_point,
                "operator": row.operator,
                "sentences": [sentence(fact, books.called) for fact in said],
                "discrepancies": answers[row.id].get("discrepancies", []),
                "corrected": wrong[row.id],
            }


def _corrected(connection: Connection, facts: Iterable[Fact]) -> Mapping[int, list[dict[str, Any]]]:
    """By entry, which of the rows that these facts made were later found to be wrong."""
    corrected: dict[int, list[dict[str, Any]]] = defaultdict(list)
    numbers = [fact.number for fact in facts if hasattr(fact, "number")]
    for row in corrections_of(connection, numbers):
        one = {"wrong": row.wrong_id, "entry": row.id // FACTS_PER_ENTRY, "reason": row.reason}
        corrected[row.wrong_id // FACTS_PER_ENTRY].append(one)
    return corrected


# -- what a fact is about

_NUMBERS: Mapping[type[Any], tuple[str, ...]] = {
    MarriageEnded: ("marriage",),
    MarriageRestored: ("marriage",),
    Corrected: ("wrong", "instead"),
    LeftOver: ("loading",),
    LoadingCorrected: ("loading",),
    Redrawn: ("was", "now"),
    ShipmentUnloaded: ("line",),
    Released: ("hold",),
    Relisted: ("listed",),
    Dropped: ("listed",),
}
"""The fields by which facts name rows of the books."""


def _numbers_in(fact: Fact) -> list[int]:
    named = (getattr(fact, name) for name in _NUMBERS.get(type(fact), ()))
    return [number for number in named if number is not None]


class _Books:
    """What the books say of the rows that some facts name by number."""

    def __init__(self, connection: Connection, facts: Sequence[Fact], subject: _Subject) -> None:
        self._subject = subject
        proofs = {number for fact in facts if isinstance(fact, Decided) for number in fact.proof}
        numbers = proofs | {number for fact in facts for number in _numbers_in(fact)}
        self._rows = rows_by_number(connection, sorted(numbers))
        mentioned = {number for row in self._rows.values() for number in (row.item_id, row.other_id)} - {None}
        self._names = items_by_id(connection, sorted(mentioned | subject.ids | subject.holders))
        self._keys = {self._names[number] for number in subject.ids}
        self._holders = {self._names[number] for number in subject.holders}
        self.called = {number: self._words(row) for number, row in self._rows.items()}

    def concerns(self, fact: Fact) -> bool:
        """Whether a fact is about the subject: names it, or a row of the books that does."""
        keys, ids = self._keys, self._subject.ids
        if isinstance(fact, ShipmentLoaded | ShipmentUnloaded | CameBack):
            keys, ids = keys | self._holders, ids | self._subject.holders
        rows = (self._rows[number] for number in _numbers_in(fact) if number in self._rows)
        return (
            any(isinstance(value, ItemKey) and value in keys for value in _values(fact))
            or any(row.item_id in ids or row.other_id in ids for row in rows)
            or (isinstance(fact, Received) and any(ItemKey(fact.part, "serial", one) in keys for one in fact.serials))
            or (isinstance(fact, NumbersIssued) and any(key.code in fact.numbers for key in keys))
            or (isinstance(fact, Redrawn) and self._drew(fact))
            or (isinstance(fact, SortingDrawn) and any(key in keys for key in fact.drawn))
            or (isinstance(fact, Despatched) and fact.shipment in self._subject.shipments)
        )

    def _drew(self, fact: Redrawn) -> bool:
        return any(fact.started <= at < fact.ended for at in self._subject.draws.get(fact.use, ()))

    def _words(self, row: Row[Any]) -> str:
        item = item_words(self._names.get(row.item_id))
        at = "" if row.at is None else f" at {moment_words(row.at)}"
        match row.what:
            case "marriage":
                return f"{item} in {item_words(self._names[row.other_id])}, {place_words(row.position, row.slot)}"
            case "removal":
                return f"Removal of {item} from {item_words(self._names[row.other_id])}{at}"
            case "loading":
                return f"What was put up for position {row.position} at {row.code}{at}"
            case "test run":
                return f"Run of {row.code} on {item}{at}"
            case "hold":
                return f"Hold {row.id} on {item}"
            case "listed":
                return f"{item} in containment case {row.code}"
        return f"{item} on shipment {row.code}"


def _values(fact: Fact) -> Iterator[Any]:
    return (getattr(fact, field.name) for field in fields(fact))
