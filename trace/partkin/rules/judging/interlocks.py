"""Interlocks that several kinds of message share."""

from __future__ import annotations

from datetime import date

from partkin.rules.catalogue import Position, RouteStep
from partkin.rules.containment.naming import names_alone, suspects_of
from partkin.rules.facts import ItemKey
from partkin.rules.judging.case import Case
from partkin.rules.judging.completeness import holds_on, missing_positions, test_reason
from partkin.rules.judging.leaving import GONE
from partkin.rules.moments import FOREVER, Moment, text_of
from partkin.rules.reading import Item
from partkin.rules.rows import ItemRow

HOUR: Moment = 3_600_000_000


def check_clock(case: Case) -> None:
    """The station's clock may be a little ahead of ours, no more."""
    if case.at > case.now + case.clock_slack:
        ahead = (case.at - case.now) // 1_000_000
        case.because(
            "clock-ahead",
            f"The message says {text_of(case.at)}; that is {ahead} s ahead of the service's clock.",
            "/occurred_at",
        )


def check_scan_point(case: Case) -> None:
    """The catalogue must have the scan point that is named."""
    code = case.message.scan_point
    if code is not None and case.scan_point is None:
        case.because("unknown-scan-point", f"The catalogue has no scan point {code}.", "/scan_point")


def check_open(case: Case, row: ItemRow, pointer: str, *, putting_in: bool = False, taking_out: bool = False) -> None:
    """What is finished or came back is opened at a rework point only, packaging at a pack point too.

    Accessories go to a finished unit at a pack point. What is packed or shipped is not worked on; what is scrapped or
    sent away only gives its components back.
    """
    if row.state in ("packed", "shipped"):
        closed = True
    elif row.state in GONE:
        closed = not (taking_out and case.at_rework)
    elif row.state == "finished" and case.at_packing:
        closed = not (case.at_rework or putting_in or case.part(row.key).packaging)
    else:
        closed = row.state in ("finished", "came back") and not case.at_rework
    around = None if closed else _closed_around(case, row)
    if closed:
        case.because("unit-closed", f"{row.key} is {row.state}.", pointer)
    elif around is not None:
        case.because("unit-closed", f"{row.key} is in {around.key}, which is {around.state}.", pointer)


def _closed_around(case: Case, row: ItemRow) -> ItemRow | None:
    """What an item is in, at any level, that is packed or shipped."""
    holder = case.known.holder(row.id)
    while holder is not None:
        around = case.known.item[holder.parent_id]
        if around.state in ("packed", "shipped"):
            return around
        holder = case.known.holder(around.id)
    return None


def check_holds(case: Case, row: ItemRow, pointer: str) -> None:
    """Nobody works on what is on hold, except at a rework point."""
    if case.at_rework:
        return
    case.because_of(holds_on(case.known, row), pointer)


def check_route(case: Case, key: ItemKey, row: ItemRow | None) -> None:
    """The unit's route must lead here now, and the gate of the step must be met."""
    if case.scan_point is None or case.at_rework or case.catalogue.part[key.part].packaging:
        return
    route = case.catalogue.route.get(key.part, ())
    here = next((step for step in route if step.scan_point == case.scan_point.scan_point), None)
    if here is None and _packs_here(case, key):
        return
    if here is None:
        case.because(
            "out-of-route-order",
            f"{case.scan_point.scan_point} is not on the route of {case.title(key.part)}.",
            "/scan_point",
        )
        return
    earlier = [step for step in route if step.step < here.step]
    visits = case.known.visits.get(row.id, {}) if row is not None else {}
    _check_order(case, key, earlier, set(visits))
    if row is not None:
        _check_gate(case, row, here, earlier)


def _packs_here(case: Case, key: ItemKey) -> bool:
    """Whether accessories are packed with it here: pack points need not be on its route."""
    code = case.message.scan_point
    at_pack_point = case.scan_point is not None and case.scan_point.kind == "pack"
    return at_pack_point and any(row.packing and code in row.scan_points for row in case.bill(key).positions)


def _check_order(case: Case, key: ItemKey, earlier: list[RouteStep], visited: set[str]) -> None:
    points: dict[int, list[str]] = {}
    for step in earlier:
        points.setdefault(step.step, []).append(step.scan_point)
    for step_number, codes in points.items():
        if not visited.intersection(codes):
            case.because(
                "out-of-route-order",
                f"{key} has not been at step {step_number} of its route ({' or '.join(codes)}).",
                "/scan_point",
            )
            return


def _check_gate(case: Case, row: ItemRow, here: RouteStep, earlier: list[RouteStep]) -> None:
    if here.needs_complete:
        points = {step.scan_point for step in earlier}
        for position, lacking in missing_positions(case.known, case.catalogue, row):
            if points.intersection(position.scan_points):
                case.because(
                    "gate-not-met",
                    f"{row.key} lacks {lacking} at {position.position} ({position.description}), "
                    f"filled at {' or '.join(position.scan_points)}.",
                    "/unit",
                )
    for plan in here.needs_tests:
        reason = test_reason(case.known, row, plan)
        case.because_of((reason,) if reason is not None else (), "/unit")


def check_suspected(case: Case, item: Item, pointer: str | None) -> None:
    """Nothing that a frozen case names by its number, lot or day may be used before the case has seen it."""
    row = case.row(item.key)
    made = item.produced_on if row is None or row.produced_on is None else row.produced_on
    for frozen in case.known.frozen():
        seen = row is not None and any(one.case_id == frozen.id for one in case.known.listed.get(row.id, ()))
        suspects = suspects_of(frozen.suspects)
        if not seen and names_alone(suspects, item.key, item.of_lot, made, case.catalogue):
            case.because("suspected", f"{item.key} is suspected in case {frozen.code}: {frozen.title}.", pointer)


def check_lot(case: Case, item: Item, pieces: int, pointer: str | None) -> None:
    """A lot may be used: not on hold, not expired, not open too long, received and not used up where that is asked."""
    row = case.row(item.key)
    check_suspected(case, item, pointer)
    if row is not None:
        case.because_of(holds_on(case.known, row), pointer)
        check_floor_life(case, row, pointer)
    check_expiry(case, item.key, item.expires_on if row is None or row.expires_on is None else row.expires_on, pointer)
    if not case.part(item.key).receipts:
        return
    if row is None or row.received is None:
        case.because("lot-not-received", f"{item.key} has not been booked in.", pointer)
    elif row.used + pieces > row.received:
        case.because(
            "lot-exhausted",
            f"{item.key}: {row.received} pieces were received, {row.used} are used, {pieces} more are asked for.",
            pointer,
        )


def check_floor_life(case: Case, row: ItemRow, pointer: str | None) -> None:
    """What was opened may be used for so many hours."""
    hours = case.part(row.key).floor_life_hours
    if hours is None or row.opened_at is None:
        return
    until = row.opened_at + hours * HOUR
    if case.at > until:
        case.because(
            "floor-life-over",
            f"{row.key} was opened at {text_of(row.opened_at)}; its {hours} h were over at {text_of(until)}.",
            pointer,
        )


def check_expiry(case: Case, key: ItemKey, expires_on: date | None, pointer: str | None) -> None:
    """A lot may be used on its last day, by the station's calendar."""
    if expires_on is not None and case.message.occurred_at.date() > expires_on:
        case.because("lot-expired", f"{key} expired at the end of {expires_on.isoformat()}.", pointer)


def check_not_loaded(case: Case, row: ItemRow, pointer: str) -> bool:
    """Whether an item is on no shipment; what is loaded goes nowhere else."""
    on = [line for line in case.known.lines_with.get(row.id, ()) if line.unloaded_at == FOREVER]
    for line in on:
        code = case.known.shipment[line.shipment_id].code
        case.because("already-installed", f"{row.key} is on shipment {code}.", pointer)
    return not on


def positions_here(case: Case, positions: tuple[Position, ...]) -> list[Position]:
    """The positions that may be filled at this scan point; at a rework point all of them."""
    if case.at_rework:
        return list(positions)
    return [position for position in positions if case.message.scan_point in position.scan_points]


def end_by_removals(case: Case, parent_id: int | None, child_id: int | None, position: str, started: Moment) -> Moment:
    """When something that went in at `started` came out, as far as removals that were told before say."""
    if parent_id is None or child_id is None:
        return FOREVER
    ends = (
        removal.occurred_at
        for removal in case.known.removals.get((parent_id, child_id), ())
        if removal.occurred_at >= started and removal.position in (None, position) and not removal.wrong
    )
    return min(ends, default=FOREVER)
