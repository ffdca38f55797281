"""Answers to posts, as they are first given, kept in the journal, and given again to repeats."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from partkin.rules.canonical_json import canonical
from partkin.rules.facts import Fact
from partkin.rules.facts_json import fact_text, item_text
from partkin.rules.judging import Judgement
from partkin.rules.moments import Moment, text_of
from partkin.rules.reasons import Reason
from partkin.rules.rows import ItemRow

RECORDED = 201
REFUSED = 409


def answer(judgement: Judgement, unit: ItemRow | None, *, entry: int, message_id: str, recorded_at: Moment) -> str:
    """The answer to a message, accepted or refused, as canonical text."""
    if judgement.accepted:
        return _recorded(judgement, unit, entry, message_id, recorded_at)
    head = {"entry": entry, "message_id": message_id, "recorded_at": text_of(recorded_at)}
    return canonical({**head, **_refused(judgement, entry)})


def _recorded(judgement: Judgement, unit: ItemRow | None, entry: int, message_id: str, recorded_at: Moment) -> str:
    """All that a message made true, and what in it contradicts the books; its members in canonical order."""
    facts = ",".join(map(fact_text, judgement.facts))
    worked_on = "null" if unit is None else f'{item_text(unit.key)[:-1]},"state":"{unit.state}"}}'
    return (
        f'{{"discrepancies":{_reasons(judgement.reasons)},"entry":{entry},"facts":[{facts}],'
        f'"message_id":{canonical(message_id)},"outcome":"recorded","recorded_at":"{text_of(recorded_at)}",'
        f'"unit":{worked_on},"warnings":{_reasons(judgement.warnings)}}}'
    )


def _reasons(reasons: Sequence[Reason]) -> str:
    return canonical([reason.as_json() for reason in reasons]) if reasons else "[]"


def _refused(judgement: Judgement, entry: int) -> dict[str, Any]:
    """A problem (RFC 9457) with every reason."""
    return {
        "type": "/problems/refused",
        "title": "Refused",
        "status": REFUSED,
        "detail": " ".join(reason.detail for reason in judgement.reasons),
        "instance": f"/v1/entries/{entry}",
        "outcome": "refused",
        "reasons": [reason.as_json() for reason in judgement.reasons],
        "warnings": [warning.as_json() for warning in judgement.warnings],
    }


def listed(facts: Sequence[Fact], because: int, *, entry: int, recorded_at: Moment) -> str:
    """What stands in the place of an answer in an entry that no message made: what cases list because of another.

    As canonical text.
    """
    return (
        f'{{"because":{because},"entry":{entry},"facts":[{",".join(map(fact_text, facts))}],"outcome":"recorded",'
        f'"recorded_at":"{text_of(recorded_at)}"}}'
    )


def unreadable(problem: Mapping[str, Any], *, entry: int, recorded_at: Moment) -> dict[str, Any]:
    """The answer to what cannot be read as a message: the problem, and where it is journalled."""
    return {
        **problem,
        "instance": f"/v1/entries/{entry}",
        "entry": entry,
        "outcome": "unreadable",
        "recorded_at": text_of(recorded_at),
    }


def reused(message_id: str, first: int) -> dict[str, Any]:
    """The problem of a message_id that came before with another content."""
    return {
        "type": "/problems/message-id-reused",
        "title": "The message_id was used before for another message",
        "status": 422,
        "detail": f"{message_id} is the message of entry {first}, whose content differs: every message needs its own.",
        "first_entry": first,
    }
