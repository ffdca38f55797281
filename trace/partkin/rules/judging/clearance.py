"""Clearance: what would be refused, and why, before anybody tries it."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime

from partkin.rules.catalogue import Catalogue
from partkin.rules.judging.case import Case
from partkin.rules.judging.completeness import holds_on
from partkin.rules.judging.interlocks import check_holds, check_open, check_route, check_scan_point
from partkin.rules.judging.leaving import may_not_leave, packaging_may_not_ship
from partkin.rules.known import Known
from partkin.rules.messages import Marriage, NamedItem
from partkin.rules.moments import moment_of
from partkin.rules.reading import ReadMessage
from partkin.rules.reasons import Reason
from partkin.rules.rows import ItemRow


def why_not_work(
    known: Known, catalogue: Catalogue, unit: ItemRow, scan_point: str, at: datetime
) -> tuple[Reason, ...]:
    """Every reason why a unit may not be worked on at a scan point now. What is on hold may be tested."""
    message = Marriage(
        message_id="clearance",
        operator="clearance",
        occurred_at=at,
        scan_point=scan_point,
        unit=NamedItem(part=unit.part, serial=unit.code),
    )
    case = Case(ReadMessage(message, catalogue.revision, {}), known, catalogue, moment_of(at), 0, 0, lambda _: None)
    check_scan_point(case)
    check_open(case, unit, "/unit")
    if case.scan_point is None or case.scan_point.kind != "test":
        check_holds(case, unit, "/unit")
    check_route(case, unit.key, unit)
    return tuple(case.reasons)


def why_not_pack(known: Known, catalogue: Catalogue, unit: ItemRow) -> tuple[Reason, ...]:
    """Every reason why a unit may not be packed; the pack points on its route count as visited."""
    route = catalogue.route.get(unit.part, ())
    pack_points = [step.scan_point for step in route if catalogue.scan_point[step.scan_point].kind == "pack"]
    closed = [Reason("unit-closed", f"{unit.key} is packed.")] if unit.state == "packed" else []
    return (*closed, *_once(may_not_leave(known, catalogue, unit, pack_points)))


def why_not_ship(known: Known, catalogue: Catalogue, unit: ItemRow) -> tuple[Reason, ...]:
    """Every reason why a unit may not be shipped: its own, and the holds on what it is packed in."""
    return _once(_why_not_ship(known, catalogue, unit))


def _why_not_ship(known: Known, catalogue: Catalogue, unit: ItemRow) -> Iterator[Reason]:
    yield from may_not_leave(known, catalogue, unit)
    holder = known.holder(unit.id)
    while holder is not None:
        packaging = known.item[holder.parent_id]
        if catalogue.part[packaging.part].packaging:
            yield from packaging_may_not_ship(known, catalogue, packaging)
        else:
            yield from holds_on(known, packaging)
        holder = known.holder(packaging.id)


def _once(reasons: Iterator[Reason]) -> tuple[Reason, ...]:
    return tuple(dict.fromkeys(reasons))
