"""The shift: modules and units built along their routes, by many stations at once."""

from __future__ import annotations

import asyncio
import random
from collections import defaultdict
from collections.abc import Callable, Iterator, Mapping
from datetime import datetime, timedelta

from partkin.command_line.demo import incidents
from partkin.command_line.demo.floor import Answer, DemoFailed, Floor, Members, Message, Station
from partkin.command_line.demo.items import Item
from partkin.command_line.demo.opening import OPENING, open_shift
from partkin.command_line.demo.plant import Label, Plant
from partkin.command_line.demo.story import Fault, Incident, Stock
from partkin.command_line.demo.supplies import Feed, Supplies
from partkin.rules.catalogue import Characteristic

DEFAULT_UNITS = 300
DEFAULT_SEED = 1
LEAST_UNITS = 24
"""With fewer, not every incident has its unit."""

_RESERVE = 10
"""Takts kept free at the end of the shift, for the units on their way and for rework."""

_BUSY = (0.45, 0.7)
"""Share of its takt that a station works on one thing, from and to."""

Modules = Mapping[str, "asyncio.Task[Item]"]
"""Modules that are built for a unit, by position."""


class Shift:
    """One shift of the plant, played over HTTP."""

    def __init__(self, floor: Floor, plant: Plant, units: int, built: Callable[[], object]) -> None:
        """`built` is called for each unit that came as far as it will."""
        self.floor = floor
        self.plant = plant
        self.story = plant.story
        lines = self._lines = list(self.story.lines)
        self.per_line = {line: (units + len(lines) - 1 - place) // len(lines) for place, line in enumerate(lines)}
        duration = timedelta(hours=self.story.hours) - OPENING
        self.takt = duration.total_seconds() / (max(self.per_line.values()) + _RESERVE)
        """Seconds from one unit of a line to the next."""
        self.numbers = self._numbers()
        """Of all that is built, by part and, for units, line."""
        self.supplies = Supplies(plant, {key: len(numbers) for key, numbers in self.numbers.items()})
        self.units: dict[tuple[str, int], Item] = {}
        """By line and place."""
        self.stock: list[Item] = []
        """Modules built for stock."""
        self.donor: asyncio.Task[Item] | None = None
        """Builds the module that a component is taken from."""
        self.reworked = 0
        self._built = built
        self._offline = incidents.Offline(self)
        self._incidents = {(one.line, one.unit, one.at): one for one in self.story.incidents}
        offline = self.story.offline
        self._troubled = {(one.line, one.unit) for one in self.story.incidents}
        self._troubled |= {(offline.line, ordinal) for ordinal in offline.units}

    def _numbers(self) -> Mapping[tuple[str, str | None], list[int]]:
        numbers: dict[tuple[str, str | None], list[int]] = defaultdict(list)
        for line, part in self.story.lines.items():
            numbers[part, line] = [self._number(line, place) for place in range(1, self.per_line[line] + 1)]
            for _, module in self._modules_of(part):
                numbers[module, None] += numbers[part, line]
        for stock in (self.story.spares, self.story.donor):
            for part in stock.parts:
                numbers[part, None].append(stock.number)
        return numbers

    def _number(self, line: str, ordinal: int) -> int:
        return self.story.first_number + len(self._lines) * (ordinal - 1) + self._lines.index(line)

    def _modules_of(self, part: str) -> Iterator[tuple[str, str]]:
        for position in self.plant.positions(part):
            if self.plant.taken(position).made:
                yield position.position, self.plant.taken(position).part

    # -- the play

    async def play(self) -> None:
        """The whole shift."""
        await self.play_beginning()
        in_turn = sorted((ordinal, line) for line, number in self.per_line.items() for ordinal in range(1, number + 1))
        spares: list[asyncio.Task[Item]] = []
        async with asyncio.TaskGroup() as group:
            (self.donor,) = self._for_stock(group, self.story.donor, 0)
            for place, (ordinal, line) in enumerate(in_turn[1:], 1):
                if place == round(self.story.spares.after * len(in_turn)):
                    spares = self._for_stock(group, self.story.spares, place)
                unit = self._unit(line, ordinal)
                modules = {
                    position: group.create_task(self._module(part, unit.number, place))
                    for position, part in self._modules_of(unit.part)
                }
                group.create_task(self._build(unit, modules))
        self.stock = [task.result() for task in spares]

    async def play_beginning(self) -> None:
        """Goods-in, lots put up, and the first unit, which is built alone: one post after the other."""
        await open_shift(self)
        first = self._unit(self._lines[0], 1)
        modules = {}
        for position, part in self._modules_of(first.part):
            modules[position] = asyncio.create_task(self._module(part, first.number, 0))
            await modules[position]
        await self._build(first, modules)

    def _for_stock(self, group: asyncio.TaskGroup, stock: Stock, place: int) -> list[asyncio.Task[Item]]:
        return [group.create_task(self._module(part, stock.number, place)) for part in stock.parts]

    def _unit(self, line: str, ordinal: int) -> Item:
        part = self.story.lines[line]
        number = self._number(line, ordinal)
        unit = Item(part, number, self._begins(0), self._chance(part, number), line, ordinal)
        unit.fault = self._fault_of(unit)
        self.units[line, ordinal] = unit
        return unit

    def _chance(self, part: str, number: int) -> random.Random:
        return random.Random(f"{self.floor.seed} {part} {number}")  # noqa: S311 - a play, not a secret

    def _fault_of(self, unit: Item) -> Fault | None:
        for told in self.story.told_faults:
            if (told.line, told.unit) == (unit.line, unit.ordinal):
                return told
        if (unit.line, unit.ordinal) in self._troubled:
            return None
        drawn = unit.chance.random()
        for common in self.story.common_faults:
            drawn -= common.share
            if drawn < 0:
                return common
        return None

    def _begins(self, place: int) -> datetime:
        """When the modules of the unit at a place in the shift's order are begun."""
        return self.floor.start + OPENING + timedelta(seconds=round(place * self.takt / len(self._lines)))

    # -- building

    async def _module(self, part: str, number: int, place: int) -> Item:
        module = Item(part, number, self._begins(place), self._chance(part, number))
        await self._build(module, {})
        return module

    async def _build(self, item: Item, modules: Modules) -> None:
        for code in self.plant.route(item.part, item.line)[: self._steps(item)]:
            await self._work_at(code, item, modules)
        if item.line is not None:
            self._built()

    def _steps(self, item: Item) -> int | None:
        """How many steps of its route an item comes to before the shift ends; None for all."""
        if item.line is None:
            return None
        after_it = self.per_line[item.line] - item.ordinal
        on_their_way = min(len(self.plant.route(item.part, item.line)) - 1, self.per_line[item.line] // 3)
        return after_it + 1 if after_it < on_their_way else None

    async def _work_at(self, code: str, item: Item, modules: Modules) -> None:
        station = self.floor.station(code)
        here = [position for position in self.plant.positions(item.part) if code in position.scan_points]
        scanned = {
            p.position: await modules[p.position] if p.position in modules else self.plant.component(p, item.number)
            for p in here
            if self.plant.taken(p).trace == "serial"
        }
        incident = self._incidents.get((item.line or "", item.ordinal, code))
        if incident is not None and incident.what == "out-of-route-order":
            await incidents.come_too_early(self, item, incident)
        item.ready = max([item.ready, *(child.ready for child in scanned.values() if isinstance(child, Item))])
        told = None
        async with station.busy:
            for feed in self.supplies.at(code):
                await self._take_from(station, item, feed)
            start = [] if item.code else await self._start(station, item)
            if here:
                told = await self._marry(station, item, start, scanned, incident)
        if told is not None:
            await self._offline.resolve(item, await told)
        await self._tests(code, item, incident)

    async def _start(self, station: Station, item: Item) -> list[Message]:
        """Start an item; where its label comes printed, this is left as a message to go with the first marriage."""
        when = self.when(station, item, 0.3)
        if item.line is None:
            label = self.plant.serial(item.part, item.number)
            item.code = label.code
            return [station.message("unit-start", when, part=item.part, serial=label.scan)]
        answer = await station.ask("unit-start", when, part=item.part)
        item.code = answer.content["unit"]["serial"]
        return []

    async def _marry(
        self,
        station: Station,
        item: Item,
        start: list[Message],
        scanned: dict[str, Label | Item],
        incident: Incident | None,
    ) -> asyncio.Future[Answer] | None:
        """Marry what is scanned here; where the station is offline, the answer comes later."""
        scans = {position: self.scan(station, component) for position, component in scanned.items()}
        if incident is not None:
            await incidents.scan_wrongly(self, station, item, scans, incident)
        when = self.when(station, item, self._share(station.code, item))
        self._remember(station, item, scanned)
        if self._offline.at(station, item):
            return await self._offline.keep(station, item, scans, when)
        message = station.message("marriage", when, **self.marriage(station, item, scans))
        answer = (await self.floor.post_all([*start, message]))[-1]
        if incident is not None and incident.what == "repeated":
            await incidents.repeat(self, station, item, answer)
        return None

    def _remember(self, station: Station, item: Item, scanned: Mapping[str, Label | Item]) -> None:
        item.inside.update(scanned)
        for feed in self.supplies.at(station.code):
            if feed.up is not None:
                self.floor.drawn[station.code, feed.position].append((item.code, feed.up))
        for component in scanned.values():
            if isinstance(component, Item):
                self.floor.holders[component.code].add((item.part, item.code))

    async def _take_from(self, station: Station, item: Item, feed: Feed) -> None:
        """Take an item's pieces from a container, and put up the next one first where that is due."""
        container = feed.change()
        feed.left -= 1
        if container is None:
            return
        when = self.when(station, item, 0.1)
        await station.ask("lot-loading", when, lot=container.scan)
        if container.part == self.story.alarm.part:
            slack = self.plant.catalogue.scan_point[station.code].changeover_slack
            words = f"lot change at {feed.position}: {container.code} is put up; slack {slack} piece on each side"
            self.floor.tell(when, station.code, words)

    async def _tests(self, code: str, item: Item, incident: Incident | None) -> None:
        if item.left_out is not None and item.left_out.ahead == code:
            await incidents.miss_test(self, item, item.left_out)
        for plan in self.story.tests.get(code, ()):
            if incident is not None and incident.what == "test-missing" and incident.plan == plan:
                item.left_out = incident
            elif not await self.test(code, item, plan):
                await incidents.rework(self, code, item)

    # -- what incidents do, too

    def when(self, station: Station, item: Item, share: float) -> datetime:
        """When a station is through with a share of its work on an item, which is ready for the next one then."""
        parallel = len(self._lines) if item.line is None else 1
        item.ready = station.at(item.ready, self.takt / parallel * share * item.chance.uniform(*_BUSY))
        return item.ready

    def _share(self, code: str, item: Item) -> float:
        """The share of its work on an item that a station has done at each of its messages about it."""
        fills = any(code in position.scan_points for position in self.plant.positions(item.part))
        return 0.7 / (fills + len(self.story.tests.get(code, ())))

    def scan(self, station: Station, component: Label | Item) -> str:
        """What a station's reader sends for a label."""
        if isinstance(component, Label):
            return component.scan
        kind = self.plant.catalogue.scan_point[station.code].kind
        return self.plant.scan_of_built(component.part, component.code, kind)

    def marriage(self, station: Station, item: Item, scans: Mapping[str, str]) -> Members:
        """What a marriage message says of an item and what was scanned into it."""
        return {"unit": self.scan(station, item), "components": [{"item": scan} for scan in scans.values()]}

    async def test(self, code: str, item: Item, plan: str) -> bool:
        """Run a test; whether it was passed. Raises DemoFailed where it comes out otherwise than measured."""
        station = self.floor.station(code)
        async with station.busy:
            when = self.when(station, item, self._share(code, item))
            answer = await station.ask("test-run", when, **self.test_run(station, item, plan))
        verdict = answer.fact("tested")["verdict"]
        fails = item.fault is not None and item.fault.plan == plan
        if verdict != ("fail" if fails else "pass"):
            raise DemoFailed(f"{answer.message} came out as {verdict}")
        if not fails:
            item.passed.add(plan)
        return not fails

    def test_run(self, station: Station, item: Item, plan: str) -> Members:
        """What a test run message says; within the limits, but for the fault that the item has."""
        measured = self.plant.catalogue.measured[plan].values()
        return {
            "unit": self.scan(station, item),
            "plan": plan,
            "instrument": self.story.tests[station.code][plan],
            "measurements": [
                {"characteristic": one.characteristic, "good": True}
                if one.kind == "attribute"
                else {"characteristic": one.characteristic, "value": self._value(item, one)}
                for one in measured
            ],
        }

    def _value(self, item: Item, characteristic: Characteristic) -> float:
        plan, code = characteristic.plan, characteristic.characteristic
        if item.fault is not None and (item.fault.plan, item.fault.characteristic) == (plan, code):
            return item.fault.value
        mean, deviation, digits = self.story.measured[plan][code]
        lower = mean - 3 * deviation if characteristic.lower is None else characteristic.lower
        upper = mean + 3 * deviation if characteristic.upper is None else characteristic.upper
        return round(min(max(item.chance.gauss(mean, deviation), lower), upper), digits)
