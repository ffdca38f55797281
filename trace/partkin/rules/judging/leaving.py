"""Whether a unit may leave the plant: the rules that packing, shipping and clearance share."""

from __future__ import annotations

from collections.abc import Collection, Iterator

from partkin.rules.catalogue import Catalogue
from partkin.rules.judging.completeness import built_inside, held, holds_on, lacks, missing_positions
from partkin.rules.known import Known
from partkin.rules.moments import day_of
from partkin.rules.reasons import Reason
from partkin.rules.rows import ItemRow

GONE = ("scrapped", "returned", "in analysis")
"""States in which an item is no longer worked on."""


def may_not_leave(known: Known, catalogue: Catalogue, unit: ItemRow, here: Collection[str] = ()) -> Iterator[Reason]:
    """Every reason why a unit may not be packed or shipped; `here` are scan points that count as visited."""
    if unit.state in (*GONE, "shipped"):
        yield Reason("unit-closed", f"{unit.key} is {unit.state}.")
    yield from _steps_left_out(known, catalogue, unit, here)
    yield from lacks(known, catalogue, unit, packing=True)
    yield from held(known, unit)


def _steps_left_out(known: Known, catalogue: Catalogue, unit: ItemRow, here: Collection[str]) -> Iterator[Reason]:
    points: dict[int, list[str]] = {}
    for step in catalogue.route.get(unit.part, ()):
        points.setdefault(step.step, []).append(step.scan_point)
    visited = {*known.visits.get(unit.id, ()), *here}
    for number, codes in points.items():
        if not visited.intersection(codes):
            detail = f"{unit.key} has not been at step {number} of its route ({' or '.join(codes)})."
            yield Reason("out-of-route-order", detail)


def units_in(known: Known, catalogue: Catalogue, row: ItemRow) -> Iterator[ItemRow]:
    """The units in packaging, at every level; of a unit, itself."""
    if not catalogue.part[row.part].packaging:
        yield row
        return
    for child in built_inside(known, catalogue, row):
        yield from units_in(known, catalogue, child)


def packaging_in(known: Known, catalogue: Catalogue, row: ItemRow) -> Iterator[ItemRow]:
    """Packaging, and the packaging in it, at every level."""
    if catalogue.part[row.part].packaging:
        yield row
        for child in built_inside(known, catalogue, row):
            yield from packaging_in(known, catalogue, child)


def packaging_may_not_ship(known: Known, catalogue: Catalogue, packaging: ItemRow) -> Iterator[Reason]:
    """Reasons of the packaging itself: holds, and accessories that it lacks. Units and cartons need not fill it."""
    yield from holds_on(known, packaging)
    bill = catalogue.bill(packaging.part, day_of(packaging.started_at or 0))
    for position, lacking in missing_positions(known, catalogue, packaging):
        parts = [catalogue.part[part] for part in bill.allowed[position.position]]
        if not any(part.sold or part.packaging for part in parts):
            detail = f"{packaging.key} lacks {lacking} at {position.position} ({position.description})."
            yield Reason("gate-not-met", detail)


def may_not_ship(known: Known, catalogue: Catalogue, row: ItemRow) -> Iterator[Reason]:
    """Every reason why a unit, a carton or a pallet may not be shipped as it is."""
    for packaging in packaging_in(known, catalogue, row):
        yield from packaging_may_not_ship(known, catalogue, packaging)
    for unit in units_in(known, catalogue, row):
        yield from may_not_leave(known, catalogue, unit)
