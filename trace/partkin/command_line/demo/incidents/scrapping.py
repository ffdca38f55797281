"""A unit that is scrapped on its way: what is good in it is used elsewhere."""

from __future__ import annotations

from partkin.command_line.demo.floor import Members, Station
from partkin.command_line.demo.items import Item
from partkin.command_line.demo.plant import Label
from partkin.command_line.demo.told import Recovered
from partkin.command_line.demo.work import Work


async def scrap(work: Work, item: Item) -> None:
    """Take modules out, scrap the unit, and recover single components from it."""
    told, bench = work.story.scrapped, work.bench(item)
    async with bench.busy:
        modules = [one for one in told.recovered if isinstance(item.inside[one.position], Item)]
        for one in modules:
            await _take_out(work, bench, item, one)
        members: Members = {"item": work.scan(bench, item), "destination": "scrap", "reason": told.reason}
        await bench.ask("disposition", work.when(bench, item, 0.2), **members)
        work.floor.tell(item.ready, bench.code, f"{item}: scrapped. {told.reason}")
        for one in told.recovered:
            if one not in modules:
                await _take_out(work, bench, item, one)
    item.scrapped = True


async def _take_out(work: Work, bench: Station, item: Item, told: Recovered) -> None:
    component = item.inside.pop(told.position)
    members = {"component": work.scan(bench, component), "position": told.position, "reason": "Good: used elsewhere"}
    when = work.when(bench, item, 0.2)
    await bench.ask("removal", when, unit=work.scan(bench, item), destination="stock", **members)
    if isinstance(component, Item):
        component.ready = when
    words = f"{item}: {component.part} {component.code} taken out, to be used in another unit"
    work.floor.tell(when, bench.code, words)
    waiting = work.recovered.get((told.line, told.unit, told.position))
    if waiting is not None:
        waiting.set_result(component)


async def recovered(work: Work, item: Item, position: str) -> Label | Item | None:
    """What a unit gets at a position out of the scrapped one; None where it gets a new one."""
    waits_for = work.recovered.get((item.of_line, item.ordinal, position))
    if waits_for is None or item.fault is not None:
        return None
    component = await waits_for
    scrapped = work.story.scrapped
    item.ready = max(item.ready, work.units[scrapped.line, scrapped.unit].ready)
    return component
