"""Lot loadings: which lot feeds which position from when."""

from __future__ import annotations

from partkin.rules.facts import ItemKey, Loaded, Redrawn, Use, UseKnown
from partkin.rules.judging.case import Case
from partkin.rules.judging.interlocks import check_clock, check_lot, check_scan_point
from partkin.rules.messages import LotLoading
from partkin.rules.moments import text_of
from partkin.rules.reading import Item
from partkin.rules.rows import MarriageRow


def judge_lot_loading(case: Case, message: LotLoading) -> None:
    """Find what a loading makes true, and every reason against it."""
    check_clock(case)
    check_scan_point(case)
    takes = case.catalogue.points_of_use.get(message.scan_point, {})
    item = None
    if message.lot is not None:
        item = case.item("/lot", frozenset(part for parts in takes.values() for part in parts))
        if item is None:
            return
        if item.key.kind != "lot":
            case.because("wrong-part", f"{case.title(item.key.part)} is traced by serial number, not by lot.", "/lot")
            return
    position = _position(case, message, item)
    if item is not None:
        check_lot(case, item, 1, "/lot")
        case.know(item)
    if position is not None:
        _load(case, Use(message.scan_point, position), None if item is None else item.key)


def _position(case: Case, message: LotLoading, item: Item | None) -> str | None:
    by_position = case.catalogue.points_of_use.get(message.scan_point, {})
    fitting = sorted(code for code, parts in by_position.items() if item is None or item.key.part in parts)
    due = "; ".join(f"{code} takes {' or '.join(sorted(parts))}" for code, parts in sorted(by_position.items()))
    here = f"At {message.scan_point} {due}." if due else f"No lots are used at {message.scan_point}."
    if message.position is not None:
        if message.position not in fitting:
            what = "" if item is None else f"This is {case.title(item.key.part)}. "
            case.because("wrong-part", f"{what}{here}", "/lot" if item is not None else "/position")
        return message.position
    if len(fitting) == 1:
        return fitting[0]
    if item is not None and fitting:
        case.because("wrong-part", f"{item.key} feeds {' or '.join(fitting)} here: name the position.", "/position")
        return None
    case.because("wrong-part", f"This is {case.title(item.key.part)}. {here}" if item is not None else here, "/lot")
    return None


def _load(case: Case, use: Use, lot: ItemKey | None) -> None:
    point = case.known.points_of_use.get(use)
    if point is None:
        case.facts.append(UseKnown(case.number(), use))
    case.facts.append(Loaded(case.number(), use, lot, case.at))
    if point is None:
        return
    until = case.known.next_loading(point.id, case.at)
    drawn = [
        draw
        for draw in case.known.draws.get(point.id, ())
        if case.at <= draw.started < until and _lot_of(case, draw) != lot
    ]
    if drawn:
        what = "emptied" if lot is None else f"loaded with {lot}"
        case.because(
            "loaded-late",
            f"{use.position} at {use.scan_point} was {what} at {text_of(case.at)}, but {len(drawn)} units are recorded "
            "as taking from another lot since then.",
            "/occurred_at",
        )
        case.facts.append(Redrawn(use, lot, case.at, until))


def _lot_of(case: Case, draw: MarriageRow) -> ItemKey | None:
    return None if draw.child_id is None else case.known.item[draw.child_id].key
