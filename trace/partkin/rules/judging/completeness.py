"""Whether a built item has all that it needs: positions filled, tests passed and fresh."""

from __future__ import annotations

from collections.abc import Iterator

from partkin.rules.catalogue import Catalogue, Position
from partkin.rules.judging.case import day_of
from partkin.rules.known import Known
from partkin.rules.reasons import Reason
from partkin.rules.rows import ItemRow


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


def missing_positions(known: Known, catalogue: Catalogue, row: ItemRow) -> Iterator[tuple[Position, int]]:
    """Positions of an item that lack pieces, with how many."""
    pieces = filled(known, row.id)
    for position in traced(catalogue, row):
        lacking = position.quantity - pieces.get(position.position, 0)
        if lacking > 0:
            yield position, lacking


def test_reason(known: Known, row: ItemRow, plan: str) -> Reason | None:
    """Why a test plan does not count as passed on an item; None when it does."""
    runs = known.runs.get(row.id, {}).get(plan)
    if not runs:
        return Reason("test-missing", f"{row.key} has not been tested to {plan}.")
    last = max(runs, key=lambda run: (run.occurred_at, run.id))
    if last.verdict != "pass":
        return Reason("test-failed", f"The last run of {plan} on {row.key} ended with: {last.verdict}.")
    stale = known.stale.get((row.id, plan))
    if stale is not None and last.occurred_at < stale.at:
        return Reason("test-stale", f"{row.key} was changed after its last run of {plan}.")
    return None


def needed_tests(known: Known, catalogue: Catalogue, row: ItemRow) -> set[str]:
    """Test plans that an item must have passed in the end: those that its route asks for, and those that were run."""
    asked = {plan for step in catalogue.route.get(row.part, ()) for plan in step.needs_tests}
    return asked | set(known.runs.get(row.id, ()))


def lacks(known: Known, catalogue: Catalogue, row: ItemRow) -> Iterator[Reason]:
    """Everything that a built item lacks, at every level."""
    for position, lacking in missing_positions(known, catalogue, row):
        yield Reason("gate-not-met", f"{row.key} lacks {lacking} at {position.position} ({position.description}).")
    for plan in sorted(needed_tests(known, catalogue, row)):
        reason = test_reason(known, row, plan)
        if reason is not None:
            yield reason
    for marriage in known.as_parent.get(row.id, ()):
        child = known.item.get(marriage.child_id) if marriage.stands and marriage.child_id is not None else None
        if child is not None and catalogue.part[child.part].made:
            yield from lacks(known, catalogue, child)


def holds_on(known: Known, row: ItemRow) -> Iterator[Reason]:
    """Every hold on one item."""
    for hold in known.open_holds(row.id):
        yield Reason("on-hold", f"{row.key} is on hold {hold.id}, placed by {hold.placed_by}: {hold.reason}.")


def held(known: Known, row: ItemRow) -> Iterator[Reason]:
    """Every hold on an item, on the lot it belongs to, and on what is inside it."""
    ids = {row.id, row.lot_id}
    for marriage in known.inside(row.id):
        child = known.item.get(marriage.child_id) if marriage.child_id is not None else None
        ids |= {marriage.child_id, child.lot_id if child is not None else None}
    for item_id in sorted(item_id for item_id in ids if item_id in known.item):
        yield from holds_on(known, known.item[item_id])
