"""Before the first unit: goods-in, a hold by incoming inspection, and the lots that are put up."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from datetime import datetime, timedelta
from typing import TYPE_CHECKING

from partkin.command_line.demo.floor import Members
from partkin.command_line.demo.story import RefusedLot

if TYPE_CHECKING:
    from partkin.command_line.demo.shift import Shift

OPENING = timedelta(minutes=20)
"""From the first receipt to the first module."""

_SECONDS = 15
"""Between two messages of a station."""

_AGE = timedelta(days=16)
"""Of what comes in."""

_ON_A_NOTE = 200
"""Most serial numbers on one delivery note."""


async def open_shift(shift: Shift) -> None:
    """Book in what the shift needs, hold a lot, and put up the first containers."""
    await _receive(shift)
    await _hold_lot(shift)
    opened = max(shift.floor.station(code).clock for code in shift.story.goods_in)
    await _take_refused_lot(shift, shift.story.expired_lot, "lot-expired", opened)
    await _take_refused_lot(shift, shift.story.held_lot, "on-hold", opened)
    for code in sorted({scan_point for scan_point, _ in shift.supplies.feeds}):
        station = shift.floor.station(code)
        loadings = [
            station.message("lot-loading", station.at(opened, _SECONDS), lot=container.scan)
            for feed in shift.supplies.at(code)
            if (container := feed.change()) is not None
        ]
        await shift.floor.post_all(loadings)


# -- goods-in


async def _receive(shift: Shift) -> None:
    """One file of lines from each goods-in, for all the lots and serial numbers."""
    deliveries = sorted([*_lots(shift), *_serials(shift)], key=lambda one: (one["part"], one.get("lot", "")))
    for code, suppliers in shift.story.goods_in.items():
        station = shift.floor.station(code)
        messages = [
            station.message("receipt", station.at(shift.floor.start, _SECONDS), **delivery)
            for delivery in deliveries
            if delivery["supplier"] in suppliers
        ]
        await shift.floor.post_all(messages)
        parts = len({message["part"] for message in messages})
        shift.floor.tell(station.clock, code, f"{len(messages)} receipts for {parts} parts booked in at once (NDJSON)")


def _lots(shift: Shift) -> Iterator[Members]:
    produced_on = (shift.floor.start - _AGE).date()
    for container, pieces in shift.supplies.pieces.items():
        yield _delivery(shift, container.part, lot=container.code, quantity=pieces, produced_on=produced_on.isoformat())
    held, expired = shift.story.held_lot, shift.story.expired_lot
    yield _delivery(shift, held.part, lot=held.lot, quantity=held.pieces, produced_on=produced_on.isoformat())
    container = shift.plant.lot(expired.part, expired.lot)
    over = (shift.floor.start - timedelta(days=1)).date()
    yield _delivery(shift, expired.part, lot=container.code, quantity=expired.pieces, expires_on=over.isoformat())


def _serials(shift: Shift) -> Iterator[Members]:
    """The serial numbers that the modules of this shift will need."""
    coming: dict[str, list[str]] = defaultdict(list)
    for (part, _), numbers in shift.numbers.items():
        for position in shift.plant.positions(part):
            if shift.plant.taken(position).part in shift.story.received_serials:
                for number in numbers:
                    component = shift.plant.component(position, number)
                    coming[component.part].append(component.code)
    for part, codes in coming.items():
        for start in range(0, len(codes), _ON_A_NOTE):
            yield _delivery(shift, part, serials=codes[start : start + _ON_A_NOTE])


def _delivery(shift: Shift, part: str, **members: object) -> Members:
    supplier = shift.plant.catalogue.part[part].supplier
    return {"part": part, "supplier": supplier, "delivery_note": f"{supplier} {shift.floor.start:%y%m%d}", **members}


# -- lots that must not be used


async def _hold_lot(shift: Shift) -> None:
    held, engineer = shift.story.held_lot, shift.story.quality_engineer
    supplier = shift.plant.catalogue.part[held.part].supplier
    code = next(code for code, suppliers in shift.story.goods_in.items() if supplier in suppliers)
    station = shift.floor.station(code)
    members: Members = {"action": "place", "item": {"part": held.part, "lot": held.lot}, "reason": held.reason}
    when = station.at(station.clock, _SECONDS)
    await station.ask("hold", when, by=engineer, **members)
    words = f"{held.part} lot {held.lot} put on hold by the quality engineer ({engineer}): {held.reason}"
    shift.floor.tell(when, code, words)


async def _take_refused_lot(shift: Shift, lot: RefusedLot, reason: str, opened: datetime) -> None:
    station = shift.floor.station(lot.scan_point)
    when = station.at(opened, _SECONDS)
    container = shift.plant.lot(lot.part, lot.lot)
    answer = await station.ask("lot-loading", when, refused=reason, lot=container.scan)
    shift.floor.tell_refused(station, f"container of {lot.part}", when, answer, reason)
