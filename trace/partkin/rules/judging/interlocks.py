"""Interlocks that several kinds of message share."""

from __future__ import annotations

from datetime import date

from partkin.rules.catalogue import Position, RouteStep
from partkin.rules.facts import ItemKey
from partkin.rules.judging.case import Case
from partkin.rules.judging.completeness import holds_on, missing_positions, test_reason
from partkin.rules.moments import FOREVER, Moment, text_of
from partkin.rules.reading import Item
from partkin.rules.rows import ItemRow


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


def check_open(case: Case, row: ItemRow, pointer: str) -> None:
    """What is finished is opened at a rework point only; what was scrapped or sent back is never worked on."""
    if row.state in ("scrapped", "returned") or (row.state == "finished" and not case.at_rework):
        case.because("unit-closed", f"{row.key} is {row.state}.", pointer)


def check_holds(case: Case, row: ItemRow, pointer: str) -> None:
    """Nobody works on what is on hold, except at a rework point."""
    if case.at_rework:
        return
    case.because_of(holds_on(case.known, row), pointer)


def check_route(case: Case, key: ItemKey, row: ItemRow | None) -> None:
    """The unit's route must lead here now, and the gate of the step must be met."""
    if case.scan_point is None or case.at_rework:
        return
    route = case.catalogue.route.get(key.part, ())
    here = next((step for step in route if step.scan_point == case.scan_point.scan_point), None)
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


def check_lot(case: Case, item: Item, pieces: int, pointer: str | None) -> None:
    """A lot may be used: not on hold, not expired, received and not used up where the catalogue asks for receipts."""
    row = case.row(item.key)
    if row is not None:
        case.because_of(holds_on(case.known, row), pointer)
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


def check_expiry(case: Case, key: ItemKey, expires_on: date | None, pointer: str | None) -> None:
    """A lot may be used on its last day, by the station's calendar."""
    if expires_on is not None and case.message.occurred_at.date() > expires_on:
        case.because("lot-expired", f"{key} expired at the end of {expires_on.isoformat()}.", pointer)


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
        if removal.occurred_at >= started and removal.position in (None, position)
    )
    return min(ends, default=FOREVER)
