"""Lot loadings: which lot feeds which position from when."""

from __future__ import annotations

from dataclasses import replace

from partkin.rules.facts import ItemKey, LeftOver, Loaded, Opened, Use, UseKnown
from partkin.rules.judging.case import Case
from partkin.rules.judging.drawing import redraw
from partkin.rules.judging.interlocks import check_clock, check_lot, check_scan_point
from partkin.rules.messages import LotLoading
from partkin.rules.moments import Moment, text_of
from partkin.rules.reading import Item
from partkin.rules.rows import LoadingRow, PointOfUseRow

_NEW_LOT = -1
"""Stands for the number of a lot that is new."""


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
        open_lot(case, item.key, case.at)
    if position is not None:
        _load(case, message, Use(message.scan_point, position), None if item is None else item.key)


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


def open_lot(case: Case, key: ItemKey, at: Moment) -> None:
    """Whose floor life is limited is opened when it is put up."""
    row = case.row(key)
    if case.part(key).floor_life_hours is not None and (row is None or row.opened_at is None or at < row.opened_at):
        case.facts.append(Opened(key, at))


def _load(case: Case, message: LotLoading, use: Use, lot: ItemKey | None) -> None:
    point = case.known.points_of_use.get(use)
    if point is None:
        case.facts.append(UseKnown(case.number(), use))
    there = None if point is None else _there_before(case, point, message.feeder)
    _note_left_over(case, message, there)
    loaded = Loaded(case.number(), use, lot, case.at, message.feeder, message.quantity)
    case.facts.append(loaded)
    if point is not None:
        _book_anew(case, point, loaded)


def _there_before(case: Case, point: PointOfUseRow, feeder: str) -> LoadingRow | None:
    before = (row for row in case.known.loadings[point.id] if row.feeder == feeder and row.loaded_at <= case.at)
    return max(before, key=lambda row: (row.loaded_at, row.id), default=None)


def _note_left_over(case: Case, message: LotLoading, there: LoadingRow | None) -> None:
    if message.returned is None:
        return
    if there is None or there.lot_id is None:
        detail = f"Nothing was up at feeder {message.feeder}, so nothing can be left of it."
        case.because("more-returned-than-left", detail, "/returned")
        return
    if there.left is not None and message.returned > there.left:
        detail = f"{max(there.left, 0)} pieces were left of {case.name_of(there.lot_id)}, not {message.returned}."
        case.because("more-returned-than-left", detail, "/returned")
    case.facts.append(LeftOver(there.id, message.returned))


def _book_anew(case: Case, point: PointOfUseRow, loaded: Loaded) -> None:
    """Units that are recorded as having taken from another lot since then took from this one."""
    until = case.known.next_loading(point.id, loaded.feeder, case.at)
    row = None if loaded.lot is None else case.row(loaded.lot)
    lot_id = None if loaded.lot is None else _NEW_LOT if row is None else row.id
    new = LoadingRow(loaded.number, point.id, lot_id, case.at, until, loaded.feeder, loaded.quantity)
    timeline = [*(_cut(one, new) for one in case.known.loadings[point.id]), new]
    names = {} if loaded.lot is None else {_NEW_LOT: loaded.lot}
    moved = redraw(case, loaded.use, case.at, until, timeline, names)
    if moved:
        what = "emptied" if loaded.lot is None else f"loaded with {loaded.lot}"
        case.because(
            "loaded-late",
            f"{point.position} at {point.scan_point} was {what} at {text_of(case.at)}, but {moved} units are recorded "
            "as taking from another lot since then.",
            "/occurred_at",
        )


def _cut(row: LoadingRow, new: LoadingRow) -> LoadingRow:
    """A loading that ends with the new one at the same feeder."""
    if row.feeder == new.feeder and row.loaded_at <= new.loaded_at < row.unloaded_at:
        return replace(row, unloaded_at=new.loaded_at)
    return row
