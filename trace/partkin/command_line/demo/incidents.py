"""What goes wrong in the shift, and how it ends."""

from __future__ import annotations

import asyncio
from datetime import datetime
from typing import TYPE_CHECKING

from partkin.command_line.demo.floor import Answer, DemoFailed, Message, Station
from partkin.command_line.demo.items import Item
from partkin.command_line.demo.plant import Label
from partkin.command_line.demo.story import Fault, Incident, ToldFault

if TYPE_CHECKING:
    from partkin.command_line.demo.shift import Shift


async def scan_wrongly(
    shift: Shift, station: Station, item: Item, scans: dict[str, str], incident: Incident
) -> None:
    """Scan a wrong label first, where the incident is of that kind; the service refuses it."""
    match incident.what:
        case "wrong-part":
            wrong = shift.plant.serial(incident.part, item.number).scan
        case "check-character-wrong":
            right = scans[incident.position]
            wrong = right[:-1] + ("7" if right[-1] != "7" else "1")
        case "already-installed":
            before = shift.units[incident.line, item.ordinal - 1].inside[incident.position]
            wrong = shift.scan(station, before)
        case _:
            return
    when = shift.when(station, item, 0.2)
    tried = shift.marriage(station, item, {**scans, incident.position: wrong})
    _tell_refused(shift, station, item, when, await station.ask("marriage", when, refused=incident.what, **tried))


async def come_too_early(shift: Shift, item: Item, incident: Incident) -> None:
    """Bring a unit to a station before the ones that come first."""
    await _try_test(shift, item, incident.ahead, incident.what)


async def miss_test(shift: Shift, item: Item, incident: Incident) -> None:
    """Notice at a later station that a test was left out, and go back for it."""
    await _try_test(shift, item, incident.ahead, incident.what)
    item.left_out = None
    await shift.test(incident.at, item, incident.plan)


async def _try_test(shift: Shift, item: Item, code: str, reason: str) -> None:
    station = shift.floor.station(code)
    plan = next(iter(shift.story.tests[code]))
    async with station.busy:
        when = shift.when(station, item, 0.2)
        answer = await station.ask("test-run", when, refused=reason, **shift.test_run(station, item, plan))
    _tell_refused(shift, station, item, when, answer)


async def repeat(shift: Shift, station: Station, item: Item, first: Answer) -> None:
    """Send a message again, as a station does whose connection broke before the answer came."""
    again = await shift.floor.post(first.message)
    if (again.status, again.body) != (first.status, first.body):
        raise DemoFailed(f"the repeat of {first.message} was answered with {again.status} {again.content}")
    words = f"{item}: the answer got lost, the same message again: the same {len(again.body)} bytes, recorded once"
    shift.floor.tell(item.ready, station.code, words)


# -- rework


async def rework(shift: Shift, failed_at: str, item: Item) -> None:
    """Replace a component after a failed test, and repeat every test that no longer counts."""
    fault, item.fault = item.fault, None
    if fault is None:
        raise DemoFailed(f"{item} failed a test at {failed_at} without a fault")
    shift.reworked += 1
    holder = item
    for position in fault.replace[:-1]:
        within = holder.inside[position]
        if isinstance(within, Item):
            holder = within
    position = next(p for p in shift.plant.positions(holder.part) if p.position == fault.replace[-1])
    new = await _replacement(shift, item, fault, position.position)
    await _replace(shift, item, holder, fault, position.position, new)
    again = {fault.plan} | item.passed.intersection(position.makes_stale)
    if isinstance(fault, ToldFault) and fault.moved_from is None:
        ...
    for code in shift.plant.route(item.part, item.line):
        for plan in shift.story.tests.get(code, ()):
            if plan in again:
                await shift.test(code, item, plan)
        if code == failed_at:
            break
