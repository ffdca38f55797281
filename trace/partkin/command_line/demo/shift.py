"""The shift: modules and units built along their routes, by many stations at once."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Mapping
from datetime import datetime, timedelta

from partkin.command_line.demo.containers import Containers
from partkin.command_line.demo.dispatch.packing import Packing
from partkin.command_line.demo.dispatch.shipping import Shipping
from partkin.command_line.demo.floor import Answer, Floor, Message, Station
from partkin.command_line.demo.incidents import scans as wrong_scans
from partkin.command_line.demo.incidents.doubtful_tests import Overdue, dispute, find_bad
from partkin.command_line.demo.incidents.offline import OfflineStation
from partkin.command_line.demo.incidents.rework import rework
from partkin.command_line.demo.incidents.scrapping import recovered, scrap
from partkin.command_line.demo.items import Item
from partkin.command_line.demo.opening import open_shift
from partkin.command_line.demo.opening.orders import reserve_numbers
from partkin.command_line.demo.plant import Label, Plant
from partkin.command_line.demo.told import Fault, Incident, Stock
from partkin.command_line.demo.work import BEGINNING, Work

DEFAULT_UNITS = 300
DEFAULT_SEED = 1
LEAST_UNITS = 24
"""With fewer, not every incident has its unit."""

Modules = Mapping[str, "asyncio.Task[Item]"]
"""Modules that are built for a unit, by position."""


class Shift:
    """One shift of the plant, played over HTTP."""

    def __init__(self, floor: Floor, plant: Plant, units: int, built: Callable[[], object]) -> None:
        """`built` is called for each unit that came as far as it will."""
        work = self.work = Work(floor, plant, units)
        self.stock: list[Item] = []
        """Modules built for stock."""
        self.bad_instrument = ""
        """Found when the shift was over."""
        self.packing = Packing(work)
        self.shipping = Shipping(work, self.packing)
        self._built = built
        self._containers = Containers(work)
        self._overdue = Overdue(work)
        self._offline = [OfflineStation(work, told) for told in work.story.offline]
        self._incidents = {(one.line, one.unit, one.at): one for one in work.story.incidents}
        self._troubled = {(one.line, one.unit) for one in work.story.incidents}
        self._troubled |= {(told.line, ordinal) for told in work.story.offline for ordinal in told.units}
        self._troubled |= {(one.line, one.unit) for one in work.story.scrapped.recovered}
        self._troubled.add((work.story.scrapped.line, work.story.scrapped.unit))

    # -- the play

    async def play(self) -> None:
        """The whole shift."""
        first = await self.play_beginning()
        work, in_turn = self.work, self._in_turn()
        spares: list[asyncio.Task[Item]] = []
        async with asyncio.TaskGroup() as group:
            (work.donor,) = self._for_stock(group, work.story.donor, 0)
            for place, (ordinal, line) in enumerate(in_turn[1:], 1):
                if place == round(work.story.spares.after * len(in_turn)):
                    spares = self._for_stock(group, work.story.spares, place)
                unit = self._unit(line, ordinal)
                modules = {
                    position: group.create_task(self._module(part, unit, place))
                    for position, part in work.modules_of(unit.part)
                }
                group.create_task(self._build(unit, modules))
        self.stock = [task.result() for task in spares]
        await self.packing.make_up()
        await self.shipping.ship_in_the_evening(first)
        self.bad_instrument = await find_bad(work)

    async def play_beginning(self) -> Item:
        """The opening, and the first unit, which is built alone: one post after the other."""
        await open_shift(self.work)
        first = self._unit(self.work.lines[0], 1)
        modules = {}
        for position, part in self.work.modules_of(first.part):
            modules[position] = asyncio.create_task(self._module(part, first, 0))
            await modules[position]
        await self._build(first, modules)
        await reserve_numbers(self.work)
        return first

    def _in_turn(self) -> list[tuple[int, str]]:
        per_line = self.work.per_line.items()
        return sorted((ordinal, line) for line, number in per_line for ordinal in range(1, number + 1))

    def _for_stock(self, group: asyncio.TaskGroup, stock: Stock, place: int) -> list[asyncio.Task[Item]]:
        items = (
            Item(part, stock.number, self._begins(place), self.work.chance(part, stock.number)) for part in stock.parts
        )
        return [group.create_task(self._build_module(item)) for item in items]

    def _unit(self, line: str, ordinal: int) -> Item:
        work = self.work
        part, number = work.story.model(line, ordinal), work.plant.number(line, ordinal)
        unit = Item(part, number, self._begins(0), work.chance(part, number), line, line, ordinal)
        unit.fault = self._fault_of(unit)
        work.units[line, ordinal] = unit
        return unit

    def _fault_of(self, unit: Item) -> Fault | None:
        for told in self.work.story.told_faults:
            if (told.line, told.unit) == (unit.line, unit.ordinal):
                return told
        if (unit.line, unit.ordinal) in self._troubled:
            return None
        drawn = unit.chance.random()
        for common in self.work.story.common_faults:
            drawn -= common.share
            if drawn < 0:
                return common
        return None

    def _begins(self, place: int) -> datetime:
        """When the modules of the unit at a place in the shift's order are begun."""
        work = self.work
        return work.floor.start + BEGINNING + timedelta(seconds=round(place * work.takt / len(work.lines)))

    # -- building

    async def _module(self, part: str, unit: Item, place: int) -> Item:
        chance = self.work.chance(part, unit.number)
        of_unit = (unit.of_line, unit.ordinal)
        return await self._build_module(Item(part, unit.number, self._begins(place), chance, None, *of_unit))

    async def _build_module(self, module: Item) -> Item:
        await self._build(module, {})
        return module

    async def _build(self, item: Item, modules: Modules) -> None:
        scrapped = self.work.story.scrapped
        for code in self.work.plant.route(item.part, item.line)[: self._steps(item)]:
            await self._work_at(code, item, modules)
            if (item.line, item.ordinal, code) == (scrapped.line, scrapped.unit, scrapped.after):
                await scrap(self.work, item)
                break
        if item.line is not None:
            self._built()

    def _steps(self, item: Item) -> int | None:
        """How many steps of its route an item comes to before the shift ends; None for all."""
        if item.line is None:
            return None
        per_line = self.work.per_line[item.line]
        after_it = per_line - item.ordinal
        on_their_way = min(len(self.work.plant.route(item.part, item.line)) - 1, per_line // 3)
        return after_it + 1 if after_it < on_their_way else None

    async def _work_at(self, code: str, item: Item, modules: Modules) -> None:
        work = self.work
        station = work.floor.station(code)
        scanned = await self._scanned(station, item, modules)
        incident = self._incidents.get((item.of_line, item.ordinal, code))
        if incident is not None and incident.what == "out-of-route-order":
            await wrong_scans.try_test(work, item, incident.ahead, incident.what)
        item.ready = max([item.ready, *(child.ready for child in scanned.values() if isinstance(child, Item))])
        told = None
        async with station.busy:
            await self._containers.take(station, item)
            start = [] if item.code else await self._start(station, item)
            if work.positions_at(station, item):
                told = await self._marry(station, item, start, scanned, incident)
            if self._is_packed_at(code, item):
                await self.packing.pack(station, item)
        if told is not None:
            offline, answer = told
            await offline.resolve(item, await answer)
        await self._tests(code, item, incident)
        await self._bring_away(item)

    async def _scanned(self, station: Station, item: Item, modules: Modules) -> dict[str, Label | Item]:
        """What will be scanned into an item at a station, once it is there."""
        scanned: dict[str, Label | Item] = {}
        for position in self.work.positions_at(station, item):
            if self.work.plant.taken(position).trace != "serial":
                continue
            component = await recovered(self.work, item, position.position)
            if component is None and position.position in modules:
                component = await modules[position.position]
            scanned[position.position] = component or self.work.plant.component(position, item.number)
        return scanned

    def _offline_at(self, station: Station, item: Item) -> OfflineStation | None:
        return next((offline for offline in self._offline if offline.at(station, item)), None)

    async def _start(self, station: Station, item: Item) -> list[Message]:
        """Start an item; what is not asked for a number is left as a message to go with the first marriage."""
        work, offline = self.work, self._offline_at(station, item)
        when = work.when(station, item, 0.3)
        if item.line is None:
            label = work.plant.serial(item.part, item.number)
            item.code = label.code
            return [station.message("unit-start", when, part=item.part, serial=label.scan)]
        if offline is not None:
            return [offline.start(station, item, when)]
        answer = await station.ask("unit-start", when, part=item.part)
        work.floor.tell_warning(answer)
        item.code = answer.content["unit"]["serial"]
        return []

    async def _marry(
        self,
        station: Station,
        item: Item,
        start: list[Message],
        scanned: dict[str, Label | Item],
        incident: Incident | None,
    ) -> tuple[OfflineStation, asyncio.Future[Answer]] | None:
        """Marry what is scanned here; where the station is offline, the answer comes later."""
        work, offline = self.work, self._offline_at(station, item)
        scans = {position: work.scan(station, component) for position, component in scanned.items()}
        if incident is not None:
            start = await self._before(station, item, start, scans, incident)
        when = work.when(station, item, work.share(station.code, item))
        if self._is_kept(station, item):
            item.seen = station.code
            work.late.append((item, scanned, self._told(station, item, scans, when)))
            return None
        work.remember(station, item, scanned)
        if offline is not None:
            return offline, await offline.keep(station, item, start, scans, when)
        message = station.message("marriage", when, **work.marriage(station, item, scans))
        answer = (await work.floor.post_all([*start, message]))[-1]
        work.floor.tell_warning(answer)
        if incident is not None:
            await self._after(station, item, answer, incident)
        return None

    def _is_kept(self, station: Station, item: Item) -> bool:
        """Whether a station has no connection any more, and tells of a unit when the shift is over."""
        late = self.work.story.case.late
        return station.code in late.scan_points and item.ordinal == self.work.per_line[item.of_line]

    def _told(self, station: Station, item: Item, scans: Mapping[str, str], when: datetime) -> Message:
        return station.message("marriage", when, mode="tell", **self.work.marriage(station, item, scans))

    async def _before(
        self, station: Station, item: Item, start: list[Message], scans: dict[str, str], incident: Incident
    ) -> list[Message]:
        """What goes wrong before a marriage; what is still to be posted with it."""
        if start:
            await self.work.floor.post_all(start)
        if incident.what == "mis-scanned":
            scans[incident.position] = wrong_scans.mistaken(self.work, item, incident.position).scan
        elif incident.what == "gate-not-met":
            await wrong_scans.try_packing_at(self.work, station, item, incident.what)
        else:
            await wrong_scans.scan_wrongly(self.work, station, item, scans, incident)
        return []

    async def _after(self, station: Station, item: Item, answer: Answer, incident: Incident) -> None:
        if incident.what == "repeated":
            await wrong_scans.repeat(self.work, station, item, answer)
        elif incident.what == "mis-scanned":
            wrong = wrong_scans.mistaken(self.work, item, incident.position)
            wrong_scans.note_mistake(item, incident.position, wrong, answer)

    async def _tests(self, code: str, item: Item, incident: Incident | None) -> None:
        work = self.work
        if item.left_out is not None and item.left_out.ahead == code:
            await wrong_scans.miss_test(work, item, item.left_out)
        for plan in work.story.tests.get(code, ()):
            await self._overdue.find(code, item, plan)
            of_plan = incident.what if incident is not None and incident.plan == plan else None
            if incident is not None and of_plan == "test-missing":
                item.left_out = incident
            elif incident is not None and of_plan == "verdict-disagrees":
                await dispute(work, code, item, incident)
            elif not await work.test(code, item, plan):
                await rework(work, code, item)

    # -- leaving

    def _is_packed_at(self, code: str, item: Item) -> bool:
        return item.line is not None and self.work.plant.route(item.part, item.line)[-1] == code

    async def _bring_away(self, item: Item) -> None:
        """Bring a packed unit to the pallets; the first one leaves at once, from the second a carton is taken off."""
        if item.packed_in is None:
            return
        pallet = await self.packing.bring(item.packed_in)
        if pallet is not None and pallet is self.packing.pallets[0]:
            await self.shipping.ship_first(pallet)
        elif pallet is not None and pallet is self.packing.pallets[1]:
            await self.packing.unpack(pallet)
