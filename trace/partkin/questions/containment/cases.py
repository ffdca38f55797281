"""Containment cases: which there are, what each lists, how far it is, and what speaks against closing it."""

from __future__ import annotations

import json
from collections import Counter, defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict
from typing import Any, NamedTuple

from sqlalchemy import Connection

from partkin.questions.containment.things import case_named
from partkin.rules.catalogue import Catalogue
from partkin.rules.containment.conclusion import conclusion_of
from partkin.rules.containment.listing import LEFT
from partkin.rules.containment.naming import suspects_of
from partkin.rules.containment.words import in_words
from partkin.rules.facts import FACTS_PER_ENTRY, Decision, ItemKey
from partkin.rules.facts_json import item_json
from partkin.rules.judging.containment import against_closing
from partkin.rules.judging.sorting import last_inspections
from partkin.rules.known import Found
from partkin.rules.moments import text_of
from partkin.rules.rows import CaseItemRow, CaseRevisionRow, CaseRow, CheckPlanRow, ItemRow, NoticeRow, SortingRow
from partkin.store.catalogue import read_catalogue
from partkin.store.containment import cases, records
from partkin.store.database import Readable

FIRST_ADDED = 100
"""Things added since the freeze that are named; all of them are counted."""

CERTAINTY = ("certain", "possible")


def list_cases(database: Readable, *, status: str | None, after: int, limit: int) -> list[dict[str, Any]]:
    """Cases in the order in which they were opened, from the one after `after`: of one status, or all."""
    with database.read() as connection:
        rows = records.cases_after(connection, status=status, after=after, limit=limit)
    return [{"number": row.id, **_head(CaseRow(*row[:-1])), "listed": row.listed} for row in rows]


def one_case(database: Readable, code: str) -> dict[str, Any]:
    """A case as it is now: its head, its revisions, what it lists, and what was done. Raises NoSuchCase."""
    with database.read() as connection:
        case = case_named(connection, code)
        catalogue = read_catalogue(connection)
        listed = _listed(connection, case)
        notices, plans = records.notices_of(connection, case.id), records.plans_of(connection, case.id)
        return {
            **_head(case),
            "suspects": json.loads(case.suspects),
            "suspects_in_words": list(_in_words(case, catalogue)),
            "revisions": list(_revisions(connection, case)),
            "counts": _counts(listed, catalogue),
            "added": _added(connection, case),
            "decisions": _decisions(listed),
            "sortings": [_sorting(*one) for one in _sortings(connection, case)],
            "notices": _notices(connection, case, notices, plans),
            "checks": _plan(plans[-1]) if plans else None,
            "turns": list(_turns(connection, case)),
            "against_closing": _against(connection, case, listed, notices, plans),
        }


def _head(case: CaseRow) -> dict[str, Any]:
    return {
        "case": case.code,
        "title": case.title,
        "status": case.status,
        "revision": case.revision,
        "hazard": case.hazard,
        "action_asked": case.asked,
        "opened_at": text_of(case.opened_at),
        "opened_by": case.opened_by,
        "reason": case.reason,
    }


def _in_words(case: CaseRow, catalogue: Catalogue) -> Sequence[str]:
    units = {(one.plan, one.characteristic): one.unit or "" for one in catalogue.characteristics}
    titles = {code: part.description for code, part in catalogue.part.items()}
    return in_words(suspects_of(case.suspects), lambda part: titles.get(part, ""), lambda *named: units.get(named, ""))


def _turns(connection: Connection, case: CaseRow) -> Iterator[dict[str, Any]]:
    for turn in records.turns_of(connection, case.id):
        yield {
            "turn": turn.turn,
            "at": text_of(turn.occurred_at),
            "by": turn.turned_by,
            "reason": turn.reason,
            "unaccounted": turn.unaccounted,
            "entry": turn.id // FACTS_PER_ENTRY,
        }


# -- its list


def _revisions(connection: Connection, case: CaseRow) -> Iterator[dict[str, Any]]:
    for revision in records.revisions_of(connection, case.id):
        yield {
            "revision": revision.revision,
            "seal": revision.seal,
            "last_entry": revision.last_entry,
            "things": revision.things,
            "sha256": revision.sha256,
            "suspects": json.loads(revision.suspects),
            "points": json.loads(revision.points),
            "frozen_at": text_of(revision.frozen_at),
            "frozen_by": revision.frozen_by,
            "reason": revision.reason,
            "entry": revision.id // FACTS_PER_ENTRY,
            **_difference(connection, revision),
        }


def _difference(connection: Connection, revision: CaseRevisionRow) -> dict[str, int]:
    """Against what was listed before; the first freeze lists all that it found."""
    if revision.revision == 1:
        return {"added": revision.things, "again": 0, "dropped": 0}
    entries = records.entries_listing(connection, revision)
    facts = Counter(fact["fact"] for one in entries for fact in json.loads(one.answer)["facts"])
    return {"added": facts["listed"], "again": facts["relisted"], "dropped": facts["dropped"]}


class _Listed(NamedTuple):
    """A thing on a case's list, not dropped, as it is now."""

    row: CaseItemRow
    item: ItemRow
    decision: Decision | None
    settled: bool
    left: bool
    held: bool


def _listed(connection: Connection, case: CaseRow) -> list[_Listed]:
    rows = [row for row in cases.listed_by(connection, case.id) if row.dropped_in is None]
    items = {row.id: row for row in cases.items_of(connection, [row.item_id for row in rows])}
    around = cases.left_around(connection, sorted(number for number, one in items.items() if one.kind == "serial"))
    settled = cases.settled_states(connection, case.id)
    decisions = {row.id: row.decision for row in cases.decisions_of(connection, case.id)}
    held = {row.item_id for row in cases.holds_of_case(connection, case.id)}
    return [
        _Listed(
            row,
            item := items[row.item_id],
            None if row.decision_id is None else decisions[row.decision_id],
            settled[row.item_id],
            item.state in LEFT or item.id in around,
            item.id in held,
        )
        for row in rows
    ]


def _counts(listed: Sequence[_Listed], catalogue: Catalogue) -> dict[str, Any]:
    by_kind: dict[str, dict[str, int]] = {kind: dict.fromkeys(CERTAINTY, 0) for kind in _KINDS}
    by_state: dict[str, dict[str, int]] = defaultdict(lambda: dict.fromkeys(CERTAINTY, 0))
    for one in listed:
        by_kind[_kind(one.item, catalogue)][one.row.certainty] += 1
        by_state[one.item.state][one.row.certainty] += 1
    return {
        "things": len(listed),
        "by_kind": by_kind,
        "by_state": dict(by_state),
        "held": sum(one.held for one in listed),
        "settled": sum(one.settled for one in listed),
        "left": sum(one.left for one in listed),
    }


_KINDS = ("units", "subassemblies", "packaging", "components", "lots")


def _kind(item: ItemRow, catalogue: Catalogue) -> str:
    if item.kind == "lot":
        return "lots"
    part = catalogue.part[item.part]
    if part.sold:
        return "units"
    if part.packaging:
        return "packaging"
    return "subassemblies" if part.made else "components"


def _decisions(listed: Sequence[_Listed]) -> dict[str, int]:
    return dict(Counter(one.decision or "none yet" for one in listed))


def _added(connection: Connection, case: CaseRow) -> dict[str, Any]:
    total, rows = records.added_since(connection, case.id, FIRST_ADDED)
    first = [
        {
            **item_json(ItemKey(row.part, row.kind, row.code)),
            "certainty": row.certainty,
            "gone": row.gone,
            "because": row.because,
            "message": row.message,
            "at": None if row.occurred_at is None else text_of(row.occurred_at),
            "scan_point": row.scan_point,
            "operator": row.operator,
        }
        for row in rows
    ]
    return {"things": total, "first": first}


# -- what was done


def _sortings(connection: Connection, case: CaseRow) -> Iterator[tuple[SortingRow, dict[str, Any]]]:
    drawn = records.drawn_for(connection, case.id)
    inspections = records.inspections_for(connection, case.id)
    for row in records.sortings_of(connection, case.id):
        last = last_inspections(inspections.get(row.id, [])).values()
        yield row, asdict(conclusion_of(row, drawn.get(row.id, set()), last))


def _sorting(row: SortingRow, concluded: Mapping[str, Any]) -> dict[str, Any]:
    return {
        "sorting": row.code,
        "rule": row.rule,
        "confidence": row.confidence,
        "fraction": row.fraction,
        "listed": row.listed,
        "clean": None if row.clean is None else json.loads(row.clean),
        "part": row.part,
        "population": row.population,
        "drawn": row.drawn,
        "seed": row.seed,
        "drawn_at": text_of(row.occurred_at),
        "drawn_by": row.drawn_by,
        **concluded,
    }


def _notices(
    connection: Connection, case: CaseRow, notices: Sequence[NoticeRow], plans: Sequence[CheckPlanRow]
) -> list[dict[str, Any]]:
    """Of each consignee that was sent affected units, the last of each step of its notice."""
    steps = {(one.consignee, one.step): one for one in notices}
    chosen = json.loads(plans[-1].consignees) if plans else ()
    must_hear = cases.consignees_of(connection, case.id, except_as_is=True)
    return [
        {
            **sent._asdict(),
            "to_tell": sent.consignee in must_hear,
            "to_check": sent.consignee in chosen,
            **{step: _step(steps.get((sent.consignee, step))) for step in ("sent", "answered", "checked")},
        }
        for sent in records.sent_to(connection, case.id)
    ]


def _step(row: NoticeRow | None) -> dict[str, Any] | None:
    if row is None:
        return None
    said = {"how": row.how, "copy": row.copy, "on_hand": row.on_hand, "corrected": row.corrected}
    told = {"at": text_of(row.occurred_at), "by": row.noted_by, **said, "effective": row.effective, "found": row.found}
    return {name: value for name, value in told.items() if value is not None}


def _plan(row: CheckPlanRow) -> dict[str, Any]:
    return {
        "level": row.level,
        "share": row.share,
        "seed": row.seed,
        "consignees": json.loads(row.consignees),
        "planned_at": text_of(row.occurred_at),
        "planned_by": row.planned_by,
    }


def _against(
    connection: Connection,
    case: CaseRow,
    listed: Sequence[_Listed],
    notices: Sequence[NoticeRow],
    plans: Sequence[CheckPlanRow],
) -> list[dict[str, Any]]:
    """As a close would be refused now."""
    found = Found()
    if case.status == "frozen":
        found = Found(
            unsettled=sorted(one.item.key for one in listed if not one.settled),
            unaccounted=cases.unaccounted(connection, case.id),
            uninspected=cases.uninspected(connection, case.id),
            to_tell=cases.consignees_of(connection, case.id, except_as_is=True),
        )
    return [reason.as_json() for reason in against_closing(case, found, notices, plans, explained=False)]
