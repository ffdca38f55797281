"""What goes wrong in the shift, and how it ends."""

from __future__ import annotations

import asyncio
from datetime import datetime
from typing import TYPE_CHECKING

from partkin.command_line.demo.floor import Answer, DemoFailed, Members, Message, Station
from partkin.command_line.demo.items import Item
from partkin.command_line.demo.plant import Label
from partkin.command_line.demo.story import Fault, Incident, ToldFault
from partkin.rules.catalogue import Position

if TYPE_CHECKING:
    from partkin.command_line.demo.shift import Shift

_REPLACEMENTS = 50_000
"""Added to the number of a component for the one that replaces it."""


async def scan_wrongly(shift: Shift, station: Station, item: Item, scans: dict[str, str], incident: Incident) -> None:
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
    answer = await station.ask("marriage", when, refused=incident.what, **tried)
    shift.floor.tell_refused(station, item, when, answer, incident.what)


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
    shift.floor.tell_refused(station, item, when, answer, reason)


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
    if fault is None or item.line is None:
        raise DemoFailed(f"{item} failed a test at {failed_at} without a fault")
    told = fault if isinstance(fault, ToldFault) else None
    if told is not None:
        words = f"{item}: {fault.plan} failed, {fault.characteristic} is {fault.value}. {fault.reason}"
        shift.floor.tell(item.ready, failed_at, words)
    position = await _replace(shift, item, fault, shift.floor.station(f"{item.line}-RW"))
    if told is not None and told.tried_at is not None:
        await _try_test(shift, item, told.tried_at, "test-stale")
    again = {fault.plan} | item.passed.intersection(position.makes_stale)
    route = shift.plant.route(item.part, item.line)
    for code in route[: route.index(failed_at) + 1]:
        for plan in shift.story.tests.get(code, ()):
            if plan in again and not await shift.test(code, item, plan):
                raise DemoFailed(f"{item} failed {plan} again")
    if told is not None:
        words = f"{item}: {', '.join(sorted(again))} repeated and passed"
        shift.floor.tell(item.ready, failed_at, words)
    else:
        shift.reworked += 1


async def _replace(shift: Shift, item: Item, fault: Fault, bench: Station) -> Position:
    """Take the component of a fault out, and put another one in its place; where that was."""
    holder = item
    for step in fault.replace[:-1]:
        within = holder.inside[step]
        holder = within if isinstance(within, Item) else holder
    position = next(one for one in shift.plant.positions(holder.part) if one.position == fault.replace[-1])
    new, words = await _replacement(shift, item, fault, position)
    async with bench.busy:
        taken_out = {"position": position.position, "reason": fault.reason, "destination": fault.destination}
        old = holder.inside.get(position.position)
        if old is not None:
            taken_out["component"] = shift.scan(bench, old)
        await bench.ask("removal", shift.when(bench, item, 0.3), unit=shift.scan(bench, holder), **taken_out)
        put_in = [{"item": new.scan, "position": position.position}]
        when = shift.when(bench, item, 0.3)
        await bench.ask("marriage", when, unit=shift.scan(bench, holder), components=put_in)
    if old is not None:
        holder.inside[position.position] = new
    if isinstance(fault, ToldFault):
        shift.floor.tell(when, bench.code, f"{holder}: {position.position} is {new.part} {new.code} now{words}")
    return position


async def _replacement(shift: Shift, item: Item, fault: Fault, position: Position) -> tuple[Label, str]:
    """Another component for a position, and where it comes from in words."""
    if isinstance(fault, ToldFault) and fault.moved_from is not None:
        return await _from_donor(shift, item, fault.moved_from, position.position)
    for code in shift.plant.route(item.part, item.line):
        feed = shift.supplies.feeds.get((code, position.position))
        if feed is not None and feed.up is not None:
            return feed.up, ""
    return shift.plant.component(position, item.number + _REPLACEMENTS), ""


async def _from_donor(shift: Shift, item: Item, code: str, position: str) -> tuple[Label, str]:
    if shift.donor is None:
        raise DemoFailed("the module that a component is taken from is not being built")
    donor = await shift.donor
    component = donor.inside.pop(position)
    if not isinstance(component, Label):
        raise DemoFailed(f"{component} is not a component")
    bench = shift.floor.station(code)
    async with bench.busy:
        members = {"unit": shift.scan(bench, donor), "component": component.scan, "position": position}
        item.ready = max(item.ready, donor.ready)
        when = shift.when(bench, item, 0.2)
        await bench.ask("removal", when, **members, reason="Moved to a unit that waits for it", destination="stock")
    return component, f", moved there from {donor}"


# -- a station without a connection


class Offline:
    """A station that works on without a connection and tells afterwards, all at once, what it did."""

    def __init__(self, shift: Shift) -> None:
        self._shift = shift
        self._story = shift.story.offline
        self._kept: list[tuple[Message, asyncio.Future[Answer]]] = []

    def at(self, station: Station, item: Item) -> bool:
        """Whether a station is offline while it works on an item."""
        story = self._story
        return station.code == story.scan_point and item.line == story.line and item.ordinal in story.units

    async def keep(self, station: Station, item: Item, scans: dict[str, str], when: datetime) -> asyncio.Future[Answer]:
        """Keep what was scanned until the connection is back; the future gives its answer."""
        if item.ordinal == self._story.misread:
            scans = {**scans, self._story.position: self._before(item).scan}
        message = station.message("marriage", when, mode="tell", **self._shift.marriage(station, item, scans))
        future: asyncio.Future[Answer] = asyncio.get_running_loop().create_future()
        self._kept.append((message, future))
        if item.ordinal == self._story.units[-1]:
            answers = await self._shift.floor.post_lines([message for message, _ in self._kept])
            words = f"was offline; tells of {len(answers)} units at once (NDJSON)"
            self._shift.floor.tell(when, station.code, words)
            for (_, waiting), answer in zip(self._kept, answers, strict=True):
                waiting.set_result(answer)
        return future

    def _before(self, item: Item) -> Label:
        """The component in the unit before an item."""
        component = self._shift.units[self._story.line, item.ordinal - 1].inside[self._story.position]
        if not isinstance(component, Label):
            raise DemoFailed(f"{component} is not a component")
        return component

    async def resolve(self, item: Item, answer: Answer) -> None:
        """Go on with a unit; where what was told contradicts the books, correct it and release the unit first."""
        if item.ordinal != self._story.misread:
            answer.expect(None)
            return
        shift, hold = self._shift, answer.fact("held")
        words = f"{item}: contradicts the books. {answer.reasons[0]['detail']} It is on hold now"
        shift.floor.tell(item.ready, self._story.scan_point, words)
        route = shift.plant.route(item.part, item.line)
        following = shift.floor.station(route[route.index(self._story.scan_point) + 1])
        async with following.busy:
            when = shift.when(following, item, 0.2)
            tried = await following.ask("marriage", when, refused="on-hold", unit=shift.scan(following, item))
        shift.floor.tell_refused(following, item, when, tried, "on-hold")
        await self._correct(item, hold["number"])

    async def _correct(self, item: Item, hold: int) -> None:
        shift = self._shift
        bench = shift.floor.station(f"{item.line}-RW")
        right = item.inside[self._story.position]
        async with bench.busy:
            unit = shift.scan(bench, item)
            wrong = {"component": self._before(item).scan, "reason": "Misread: it is in the unit before"}
            await bench.ask("removal", shift.when(bench, item, 0.2), unit=unit, **wrong)
            await bench.ask(
                "marriage", shift.when(bench, item, 0.2), unit=unit, components=[{"item": shift.scan(bench, right)}]
            )
            when = shift.when(bench, item, 0.2)
            engineer = shift.story.quality_engineer
            members: Members = {"action": "release", "hold": hold, "reason": "Corrected at the rework bench"}
            await bench.ask("hold", when, by=engineer, **members)
        words = f"{item}: corrected, released by the quality engineer ({engineer})"
        shift.floor.tell(when, bench.code, words)
