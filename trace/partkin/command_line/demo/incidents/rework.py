"""Rework: a component is replaced after a failed test, and every test repeated that no longer counts."""

from __future__ import annotations

from partkin.command_line.demo.floor import Answer, DemoFailed, Station
from partkin.command_line.demo.incidents.holds import release
from partkin.command_line.demo.incidents.scans import correct_mistake, try_packing
from partkin.command_line.demo.items import Item
from partkin.command_line.demo.plant import Label
from partkin.command_line.demo.told import Fault, ToldFault
from partkin.command_line.demo.work import Work
from partkin.rules.catalogue import Position

_REPLACEMENTS = 50_000
"""Added to the number of a component for the one that replaces it."""


async def rework(work: Work, failed_at: str, item: Item) -> None:
    """Replace a component after a failed test, and repeat every test that no longer counts."""
    fault = item.fault
    if fault is None or item.line is None:
        raise DemoFailed(f"{item} failed a test at {failed_at} without a fault")
    told = fault if isinstance(fault, ToldFault) else None
    held = None if told is None else await _believe(work, failed_at, item, told)
    item.fault = None
    position = await _replace(work, item, fault, work.bench(item))
    if told is not None and told.packed_too_early:
        await try_packing(work, item, "test-stale")
    again = {fault.plan} | item.passed.intersection(position.makes_stale)
    route = work.plant.route(item.part, item.line)
    for code in route[: route.index(failed_at) + 1]:
        for plan in work.story.tests.get(code, ()):
            if plan in again and not await work.test(code, item, plan):
                raise DemoFailed(f"{item} failed {plan} again")
    if held is not None:
        await release(work, work.bench(item), item, held, "Reworked and tested again")
    if told is not None:
        words = f"{item}: {', '.join(sorted(again))} repeated and passed"
        work.floor.tell(item.ready, failed_at, words)
    else:
        work.reworked += 1


async def _believe(work: Work, failed_at: str, item: Item, fault: ToldFault) -> Answer | None:
    """Run the test again, as often as somebody hopes for another result; the answer that placed a hold, if one did."""
    words = f"{item}: {fault.plan} failed, {fault.characteristic} is {fault.value}. {fault.reason}"
    work.floor.tell(item.ready, failed_at, words)
    station, answer = work.floor.station(failed_at), None
    for _ in range(fault.runs - 1):
        async with station.busy:
            answer = await work.run_test(station, item, fault.plan)
    if fault.packed_too_early:
        await try_packing(work, item, "test-failed")
    if answer is not None:
        reason = answer.fact("held")["reason"]
        work.floor.tell(item.ready, failed_at, f"{item}: tested again and again, on hold now: {reason}")
    return answer


async def _replace(work: Work, item: Item, fault: Fault, bench: Station) -> Position:
    """Take the component of a fault out, and put another one in its place; where that was."""
    holder = item
    for step in fault.replace[:-1]:
        within = holder.inside[step]
        holder = within if isinstance(within, Item) else holder
    position = next(one for one in work.plant.positions(holder.part) if one.position == fault.replace[-1])
    new, words = await _replacement(work, item, fault, position)
    async with bench.busy:
        if position.position in holder.misread:
            await correct_mistake(work, bench, item, holder, position.position)
        taken_out = {"position": position.position, "reason": fault.reason, "destination": fault.destination}
        old = holder.inside.get(position.position)
        if old is not None:
            taken_out["component"] = work.scan(bench, old)
        await _exchange(work, bench, item, holder, position, taken_out, work.scan(bench, new))
    if old is not None:
        holder.inside[position.position] = new
    if isinstance(fault, ToldFault):
        gone = f"; the old one goes to {fault.destination}" if fault.destination == "failure analysis" else ""
        words = f"{holder}: {position.position} is {new.part} {new.code} now{words}{gone}"
        work.floor.tell(item.ready, bench.code, words)
    return position


async def _exchange(
    work: Work, bench: Station, item: Item, holder: Item, position: Position, taken_out: dict[str, str], new: str
) -> None:
    """In one message; in two where the old one is to be shown to its supplier: first out, then in."""
    unit = work.scan(bench, holder)
    if taken_out["destination"] != "supplier":
        when = work.when(bench, item, 0.3)
        await bench.ask("removal", when, unit=unit, **taken_out, replacement={"item": new})
        return
    await bench.ask("removal", work.when(bench, item, 0.3), unit=unit, **taken_out)
    put_in = [{"item": new, "position": position.position}]
    await bench.ask("marriage", work.when(bench, item, 0.3), unit=unit, components=put_in)
    item.seen = bench.code if holder is item else item.seen


async def _replacement(work: Work, item: Item, fault: Fault, position: Position) -> tuple[Label | Item, str]:
    """Another component for a position, and where it comes from in words."""
    waits_for = work.recovered.get((item.of_line, item.ordinal, position.position))
    if waits_for is not None:
        return await _from_scrapped(work, item, position.position)
    if isinstance(fault, ToldFault) and fault.moved_from is not None:
        return await _from_donor(work, item, fault.moved_from, position.position)
    for code in work.plant.route(item.part, item.line):
        for feed in work.supplies.at(code, position.position):
            if feed.up:
                return feed.labels[0], ""
    return work.plant.component(position, item.number + _REPLACEMENTS), ""


async def _from_scrapped(work: Work, item: Item, position: str) -> tuple[Label | Item, str]:
    component = await work.recovered[item.of_line, item.ordinal, position]
    scrapped = work.story.scrapped
    unit = work.units[scrapped.line, scrapped.unit]
    item.ready = max(item.ready, unit.ready)
    return component, f", out of {unit}, which was scrapped"


async def _from_donor(work: Work, item: Item, code: str, position: str) -> tuple[Label, str]:
    if work.donor is None:
        raise DemoFailed("the module that a component is taken from is not being built")
    donor = await work.donor
    component = donor.inside.pop(position)
    if not isinstance(component, Label):
        raise DemoFailed(f"{component} is not a component")
    bench = work.floor.station(code)
    async with bench.busy:
        members = {"unit": work.scan(bench, donor), "component": component.scan, "position": position}
        item.ready = max(item.ready, donor.ready)
        when = work.when(bench, item, 0.2)
        await bench.ask("removal", when, **members, reason="Moved to a unit that waits for it", destination="stock")
    return component, f", moved there from {donor}"
