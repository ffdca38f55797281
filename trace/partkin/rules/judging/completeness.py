"""Whether a built item has all that it needs: positions filled, tests passed and fresh, nothing on hold."""

from __future__ import annotations

from collections.abc import Iterator

from partkin.rules.catalogue import Catalogue, Position
from partkin.rules.known import Known
from partkin.rules.moments import day_of
from partkin.rules.reasons import Reason
from partkin.rules.rows import ItemRow, TestRunRow


def filled(known: Known, item_id: int) -> dict[str, int]:
    """Pieces that stand in each position of an item."""
    pieces: dict[str, int] = {}
    for row in known.as_parent.get(item_id, ()):
        if row.stands:
            pieces[row.position] = pieces.get(row.position, 0) + row.quantity
    return pieces


def traced(catalogue: Catalogue, row: ItemRow) -> Iterator[Position]:
    """The positions of a built item whose content is recorded."""
    bill = catalogue.bill(row.part, day_of(row.started_at or 0))
    for position in bill.positions:
        if any(catalogue.part[part].trace != "none" for part in bill.allowed[position.position]):
            yield position


def missing_positions(
    known: Known, catalogue: Catalogue, row: ItemRow, *, packing: bool = False
) -> Iterator[tuple[Position, int]]:
    """Positions of an item that lack pieces, with how many; those of its packing bill only where asked for."""
    pieces = filled(known, row.id)
    for position in traced(catalogue, row):
        lacking = position.quantity - pieces.get(position.position, 0)
        if lacking > 0 and (packing or not position.packing):
            yield position, lacking


def counting_runs(known: Known, row: ItemRow, plan: str) -> list[TestRunRow]:
    """The runs of a plan on an item that were not corrected, in the order in which they happened."""
    runs = (run for run in known.runs.get(row.id, {}).get(plan, ()) if not run.wrong)
    return sorted(runs, key=lambda run: (run.occurred_at, run.id))


def test_reason(known: Known, row: ItemRow, plan: str) -> Reason | None:
    """Why a test plan does not count as passed on an item; None when it does."""
    runs = counting_runs(known, row, plan)
    if not runs:
        return Reason("test-missing", f"{row.key} has not been tested to {plan}.")
    last = runs[-1]
    if last.verdict != "pass":
        return Reason("test-failed", f"The last run of {plan} on {row.key} ended with: {last.verdict}.")
    stale = known.stale.get((row.id, plan))
    if stale is not None and last.occurred_at < stale.at:
        return Reason("test-stale", f"{row.key} was changed after its last run of {plan}.")
    return None


def needed_tests(known: Known, catalogue: Catalogue, row: ItemRow) -> set[str]:
    """Test plans that an item must have passed in the end: those that its route asks for, and those that were run."""
    asked = {plan for step in catalogue.route.get(row.part, ()) for plan in step.needs_tests}
    return asked | {plan for plan in known.runs.get(row.id, ()) if counting_runs(known, row, plan)}


def lacks(known: Known, catalogue: Catalogue, row: ItemRow, *, packing: bool = False) -> Iterator[Reason]:
    """Everything that a built item lacks, at every level."""
    for position, lacking in missing_positions(known, catalogue, row, packing=packing):
        yield Reason("gate-not-met", f"{row.key} lacks {lacking} at {position.position} ({position.description}).")
    for plan in sorted(needed_tests(known, catalogue, row)):
        reason = test_reason(known, row, plan)
        if reason is not None:
            yield reason
    for child in built_inside(known, catalogue, row):
        yield from lacks(known, catalogue, child, packing=packing)


def built_inside(known: Known, catalogue: Catalogue, row: ItemRow) -> Iterator[ItemRow]:
    """What was built here and stands in an item, one level down."""
    for marriage in known.as_parent.get(row.id, ()):
        child = known.item.get(marriage.child_id) if marriage.stands and marriage.child_id is not None else None
        if child is not None and catalogue.part[child.part].made:
            yield child


def holds_on(known: Known, row: ItemRow) -> Iterator[Reason]:
    """Every hold on one item; on a container also those on the lots that went into it."""
    if not known.holds:
        return
    for lot in (row, *sources_of(known, row)):
        for hold in known.open_holds(lot.id):
            yield Reason("on-hold", f"{lot.key} is on hold {hold.id}, placed by {hold.placed_by}: {hold.reason}.")


def sources_of(known: Known, row: ItemRow) -> list[ItemRow]:
    """The lots that went into a container, at every level, each once."""
    found: dict[int, ItemRow] = {}
    to_look_at = [row.id]
    while to_look_at:
        for transfer in known.sources.get(to_look_at.pop(), ()):
            source = known.item.get(transfer.source_id)
            if source is not None and source.id not in found:
                found[source.id] = source
                to_look_at.append(source.id)
    return [found[item_id] for item_id in sorted(found)]


def held(known: Known, row: ItemRow) -> Iterator[Reason]:
    """Every hold on an item, on the lot it belongs to, and on what is inside it."""
    if not known.holds:
        return
    ids = {row.id, row.lot_id}
    for marriage in known.inside(row.id):
        child = known.item.get(marriage.child_id) if marriage.child_id is not None else None
        ids |= {marriage.child_id, child.lot_id if child is not None else None}
    for item_id in sorted(item_id for item_id in ids if item_id in known.item):
        yield from holds_on(known, known.item[item_id])
