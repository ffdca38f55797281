"""The list of a case: what is put on it, dropped from it, and stopped, by what was found."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import fields
from hashlib import sha256
from operator import attrgetter

from partkin.rules.canonical_json import canonical
from partkin.rules.facts import Dropped, Fact, Held, ItemKey, Listed, Released, Relisted
from partkin.rules.facts_json import item_json
from partkin.rules.known import FoundThing, Known
from partkin.rules.moments import FOREVER, Moment
from partkin.rules.rows import CaseItemRow, CaseRow

LEFT = ("shipped", "scrapped", "returned", "in analysis")
"""States of what is no longer in the plant's hands."""


def list_sha256(things: Iterable[FoundThing]) -> str:
    """The hash of a list: of its lines, each ended by a line feed, in UTF-8."""
    hashed = sha256()
    for line in list_lines(things):
        hashed.update(f"{line}\n".encode())
    return hashed.hexdigest()


def list_lines(things: Iterable[FoundThing]) -> Iterator[str]:
    """Of each thing a line of canonical JSON (RFC 8785), in order of part, kind and code."""
    for thing in sorted(things, key=lambda thing: thing.item.key):
        yield canonical(
            {
                **item_json(thing.item.key),
                "certainty": thing.certainty,
                "suspect": thing.suspect,
                "state": thing.item.state,
                "left": thing.left,
            }
        )


class Listing:
    """Facts that make a case's list what was found. Their numbers are made when it is known which entries hold them.

    Not in `known` yet, and not made true: whoever keeps the entries does that.
    """

    def __init__(
        self, known: Known, case: CaseRow, revision: int, at: Moment, by: str, because: int | None = None
    ) -> None:
        self.facts: list[Fact] = []
        self._known, self._case, self._revision, self._because = known, case, revision, because
        self._at, self._by = at, by
        self._stopped: set[int] = set()

    def add(self, things: Iterable[FoundThing], listed: Mapping[int, CaseItemRow]) -> None:
        """List what is new, and what is affected anew, or more certainly."""
        for thing in things:
            row = listed.get(thing.item.id)
            if row is None:
                self.facts.append(
                    Listed(
                        0,
                        self._case.code,
                        thing.item.key,
                        self._revision,
                        thing.certainty,
                        thing.suspect,
                        thing.item.state,
                        thing.left,
                        self._because,
                    )
                )
            elif self._is_anew(row, thing):
                certainty = "certain" if row.certainty == "certain" else thing.certainty
                self.facts.append(Relisted(row.id, certainty, self._revision, self._because))
            else:
                continue
            if not thing.left:
                self.stop(thing.item.id, thing.item.key)

    def drop(self, listed: Iterable[CaseItemRow], found: Sequence[FoundThing]) -> None:
        """Drop what is no longer found, and let it go."""
        still = {thing.item.id for thing in found}
        for row in listed:
            if row.dropped_in is None and row.item_id not in still:
                self.facts.append(Dropped(row.id, self._revision))
                reason = f"no longer suspected in case {self._case.code} since its revision {self._revision}"
                self.release(row.item_id, reason)

    def stop(self, item_id: int, key: ItemKey) -> None:
        """Place the case's hold on a thing that has none."""
        if not self.stops(item_id):
            self._stopped.add(item_id)
            reason = f"case {self._case.code}: {self._case.title}"
            self.facts.append(Held(0, key, reason, False, self._at, self._by, self._case.code))

    def stops(self, item_id: int) -> bool:
        """Whether the case stops a thing already, or will."""
        return item_id in self._stopped or any(self._holds(item_id))

    def release(self, item_id: int, reason: str) -> None:
        """Release the case's holds on a thing."""
        self.facts += [Released(hold, reason, self._at, self._by) for hold in self._holds(item_id)]

    def _holds(self, item_id: int) -> Iterator[int]:
        for hold in self._known.holds_on.get(item_id, ()):
            if hold.case_id == self._case.id and hold.released_at == FOREVER:
                yield hold.id

    def _is_anew(self, row: CaseItemRow, thing: FoundThing) -> bool:
        """Dropped before, now certain, or reworked and affected again."""
        reworked = row.decision_id is not None and self._known.decisions.get(row.decision_id) == "rework"
        return (
            row.dropped_in is not None
            or (row.certainty == "possible" and thing.certainty == "certain")
            or (reworked and thing.still)
        )


def numbered(facts: Iterable[Fact], number: Iterator[int]) -> list[Fact]:
    """The facts with their numbers, for those that make rows."""
    return [
        type(fact)(next(number), *_AFTER_NUMBER[type(fact)](fact)) if isinstance(fact, Listed | Held) else fact
        for fact in facts
    ]


_AFTER_NUMBER = {kind: attrgetter(*[field.name for field in fields(kind)][1:]) for kind in (Listed, Held)}
"""All but the first field: a freeze makes very many, and `dataclasses.replace` takes three times as long."""
