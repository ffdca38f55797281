"""Orders for every line, posted ahead, and serial numbers for a line that will be offline."""

from __future__ import annotations

from collections import defaultdict
from itertools import groupby

from partkin.command_line.demo.floor import Members, Station
from partkin.command_line.demo.work import Work

_STEP = 10
"""From one order of a line to the next in sequence."""


async def post_orders(work: Work) -> None:
    """Say what each line builds and in which order."""
    orders = {**{line: _of_line(work, line) for line in work.lines}, **_of_modules(work)}
    for line, ordered in orders.items():
        station = _first_on(work, line)
        members: Members = {"line": line, "orders": ordered}
        await station.ask("build-order", station.next(), by=work.story.planner, **members)
    units = ", ".join(f"{len(orders[line])} for {line}" for line in work.lines)
    one = work.story.ordered_parts[0]
    words = f"orders posted ahead ({work.story.planner}): {units}; one {one.module} is ordered with {one.part}"
    work.floor.tell(station.clock, station.code, words)


def _of_line(work: Work, line: str) -> list[Members]:
    """Units one after another that are the same make one order; one with a serial number of its own makes its own."""
    named = {one.unit: one for one in work.story.ordered_serials if one.line == line}
    units = [(work.story.model(line, n), n if n in named else 0) for n in range(1, work.per_line[line] + 1)]
    orders: list[Members] = []
    for (part, unit), of_kind in groupby(units):
        place = len(orders) + 1
        order = {**_order(work, line, place, part), "due": work.floor.start.date().isoformat()}
        if unit:
            orders.append({**order, "serial": work.plant.serial(part, named[unit].number).code})
        else:
            orders.append({**order, "quantity": len(list(of_kind))})
    return orders


def _of_modules(work: Work) -> dict[str, list[Members]]:
    """Modules that are ordered with one of several parts."""
    orders: dict[str, list[Members]] = defaultdict(list)
    for place, one in enumerate(work.story.ordered_parts, 1):
        serial = work.plant.serial(one.module, work.plant.number(one.line, one.unit)).code
        line = work.plant.catalogue.scan_point[work.plant.route(one.module, None)[0]].line
        parts = [{"position": one.position, "part": one.part}]
        orders[line].append({**_order(work, line, place, one.module), "serial": serial, "parts": parts})
    return orders


def _order(work: Work, line: str, place: int, part: str) -> Members:
    return {"order": f"{line}-{work.floor.start:%y%m%d}-{place:03d}", "sequence": place * _STEP, "part": part}


def _first_on(work: Work, line: str) -> Station:
    points = (point.scan_point for point in work.plant.catalogue.scan_points if point.line == line)
    return work.floor.station(next(points))


async def reserve_numbers(work: Work) -> None:
    """Reserve serial numbers for the stations that will start units without a connection."""
    for told in work.story.offline:
        if told.numbers:
            station = work.floor.station(told.scan_point)
            part = work.story.model(told.line, told.units[0])
            members: Members = {
                "part": part,
                "count": told.numbers,
                "reason": "The network at this station is to be mended",
            }
            answer = await station.ask("number-block", station.next(), **members)
            numbers = work.reserved[told.scan_point] = list(answer.fact("numbers issued")["numbers"])
            words = f"{len(numbers)} serial numbers of {part} reserved ahead: {numbers[0]} to {numbers[-1]}"
            work.floor.tell(station.clock, station.code, words)
