"""Sorting: what is drawn for inspection, and what the inspections show."""

from __future__ import annotations

from partkin.rules.facts import Inspected, SortingDrawn
from partkin.rules.judging.case import Case
from partkin.rules.judging.interlocks import check_clock, check_scan_point
from partkin.rules.known import Known
from partkin.rules.messages import MOST_DRAWN, Inspection, Sorting
from partkin.rules.moments import text_of
from partkin.rules.rows import InspectionRow, SortingRow
from partkin.rules.sampling import draw, hypergeometric, success_run


def judge_sorting(case: Case, message: Sorting) -> None:
    """Find what is drawn, and every reason against it."""
    check_clock(case)
    row = case.known.cases.get(message.case)
    if row is None or row.status != "frozen":
        type_ = "unknown-case" if row is None else "case-closed"
        case.because(type_, f"There is no frozen case {message.case}.", "/case")
        return
    if message.sorting in case.known.sortings:
        case.because("sorting-known", f"There is a sorting {message.sorting} already.", "/sorting")
        return
    found = case.known.found[message.message_id]
    population = {f"{key.part} {key.code}": key for key in found.population}
    if not population:
        case.because("nothing-to-sort", "No unit is of this kind.", "/listed" if message.clean is None else "/clean")
        return
    count = _how_many(message, len(population))
    if count > MOST_DRAWN:
        detail = (
            f"{count} of {len(population)} units would be drawn, and {MOST_DRAWN} are the most: sort them in parts."
        )
        case.because("too-many", detail, "/fraction")
        return
    seed = message.seed or found.seed
    case.facts.append(
        SortingDrawn(
            case.number(),
            row.code,
            message.sorting,
            message.rule,
            message.confidence,
            message.fraction,
            message.listed,
            _clean(message),
            message.part,
            len(population),
            seed,
            tuple(population[name] for name in draw(seed, population, count)),
            case.at,
            message.operator,
        )
    )


def _how_many(message: Sorting, population: int) -> int:
    """How many are drawn; never more than there are."""
    match message.rule:
        case "all":
            return population
        case "hypergeometric":
            return hypergeometric(population, message.confidence, message.fraction)
        case "success run":
            return min(population, success_run(message.confidence, message.fraction))


def _clean(message: Sorting) -> dict[str, str | None] | None:
    clean = message.clean
    if clean is None:
        return None
    return {"part": clean.part, "from": text_of(clean.since), "to": None if clean.to is None else text_of(clean.until)}


def judge_inspection(case: Case, message: Inspection) -> None:
    """Find what an inspection makes true, and every reason against it."""
    check_clock(case)
    check_scan_point(case)
    row = case.known.cases.get(message.case)
    sorting = case.known.sortings.get(message.sorting)
    if row is None or sorting is None or sorting.case_id != row.id:
        case.because("unknown-sorting", f"Case {message.case} has no sorting {message.sorting}.", "/sorting")
        return
    for place, digest in enumerate(message.attachments):
        if digest not in case.known.attachments:
            detail = f"No attachment {digest[:12]}… was sent: send it first."
            case.because("unknown-attachment", detail, f"/attachments/{place}")
    item = case.item("/item")
    if item is None:
        return
    known = case.row(item.key)
    if known is None or known.id not in case.known.drawn.get(sorting.id, ()):
        case.because("not-drawn", f"{item.key} was not drawn for sorting {sorting.code}.", "/item")
        if known is None:
            return
    said = (message.good, message.found, message.attachments, case.at, message.operator)
    case.facts.append(Inspected(case.number(), sorting.code, item.key, *said))


def last_inspections(inspections: list[InspectionRow]) -> dict[int, InspectionRow]:
    """The inspection of each item that counts: the last one."""
    in_order = sorted(inspections, key=lambda row: (row.occurred_at, row.id))
    return {row.item_id: row for row in in_order}


def is_good(known: Known, sorting: SortingRow, item_id: int) -> bool:
    """Whether a thing was drawn and found good."""
    last = last_inspections(known.inspections.get(sorting.id, [])).get(item_id)
    return last is not None and last.good and item_id in known.drawn.get(sorting.id, ())


def is_verified(known: Known, sorting: SortingRow) -> bool:
    """Whether all that was drawn was found good."""
    last = last_inspections(known.inspections.get(sorting.id, []))
    drawn = known.drawn.get(sorting.id, set())
    return bool(drawn) and all(item_id in last and last[item_id].good for item_id in drawn)
