"""Tests that are in doubt: an instrument that is overdue or found bad, a tester that says otherwise."""

from __future__ import annotations

from partkin.command_line.demo.floor import DemoFailed, Members
from partkin.command_line.demo.incidents.holds import release
from partkin.command_line.demo.incidents.scans import try_packing
from partkin.command_line.demo.items import Item
from partkin.command_line.demo.opening.calibrations import calibration
from partkin.command_line.demo.told import Incident
from partkin.command_line.demo.work import Work


class Overdue:
    """An instrument whose calibration was forgotten."""

    def __init__(self, work: Work) -> None:
        self._work = work
        self._instrument = work.story.calibrations.overdue

    async def find(self, code: str, item: Item, plan: str) -> None:
        """Find out at its first test in this shift, and calibrate it."""
        work = self._work
        station = work.floor.station(code)
        if work.story.tests[code][plan] != self._instrument:
            return
        instrument, self._instrument = self._instrument, ""
        async with station.busy:
            when = work.when(station, item, 0.1)
            run = work.test_run(item, plan, station)
            answer = await station.ask("test-run", when, refused="calibration-overdue", **run)
            work.floor.tell_refused(station, item, when, answer, "calibration-overdue")
            item.ready = station.at(item.ready, 600)
            due_on = work.floor.start.date().replace(year=work.floor.start.year + 1, day=1)
            await work.floor.post_all([calibration(work, code, instrument, due_on)])
        words = f"{instrument} calibrated and found good: the test may go on"
        work.floor.tell(station.clock, code, words)


async def dispute(work: Work, code: str, item: Item, incident: Incident) -> None:
    """The tester rejects what its own measurements pass: the unit is held, tested again and released."""
    station = work.floor.station(code)
    async with station.busy:
        answer = await work.run_test(station, item, incident.plan, verdict="fail")
    if [warning["type"] for warning in answer.warnings] != ["/problems/verdict-disagrees"]:
        raise DemoFailed(f"{answer.message} was answered with {answer.content}")
    work.floor.tell(item.ready, code, f"{item}: {answer.warnings[0]['detail']} It is on hold now")
    await try_packing(work, item, "on-hold")
    async with station.busy:
        await work.run_test(station, item, incident.plan)
        await release(work, station, item, answer, incident.reason)


async def find_bad(work: Work) -> str:
    """Find when the shift is over that an instrument measured wrongly; its code."""
    told = work.story.calibrations
    code = next(code for code, plans in work.story.tests.items() if told.bad in plans.values())
    station = work.floor.station(code)
    station.at(work.floor.station(work.story.dispatch.ship_point).clock, 600)
    members: Members = {"instrument": told.bad, "good": False, "certificate": "Check with the reference leak"}
    await station.ask("calibration", station.next(), by=told.badge, **members)
    words = f"{told.bad} is found out of its limits ({told.badge}): nothing more is tested on it"
    work.floor.tell(station.clock, code, words)
    return told.bad
