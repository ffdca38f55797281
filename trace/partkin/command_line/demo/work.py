"""The work of the stations on one item: what they scan, put in and test, and what they remember of it."""

from __future__ import annotations

import asyncio
import random
from collections import defaultdict
from collections.abc import Iterator, Mapping
from datetime import datetime, timedelta

from partkin.command_line.demo.floor import Answer, DemoFailed, Floor, Members, Message, Station
from partkin.command_line.demo.items import Item, Packed
from partkin.command_line.demo.plant import Label, Plant
from partkin.command_line.demo.supplies import Supplies
from partkin.rules.catalogue import Characteristic, Position

BEGINNING = timedelta(minutes=20)
"""From the first receipt to the first module."""

_ENDING = timedelta(minutes=20)
"""For the lorries of the evening."""

_RESERVE = 10
"""Takts kept free before that, for the units on their way and for rework."""

_BUSY = (0.45, 0.7)
"""Share of its takt that a station works on one thing, from and to."""


class Work:
    """A shift's plan, its supplies, and what stations do with an item."""

    def __init__(self, floor: Floor, plant: Plant, units: int) -> None:
        self.floor = floor
        self.plant = plant
        self.story = plant.story
        lines = self.lines = list(self.story.lines)
        self.per_line = {line: (units + len(lines) - 1 - place) // len(lines) for place, line in enumerate(lines)}
        duration = timedelta(hours=self.story.hours) - BEGINNING - _ENDING
        self.takt = duration.total_seconds() / (max(self.per_line.values()) + _RESERVE)
        """Seconds from one unit of a line to the next."""
        self.numbers = self._numbers()
        """Of all that is built, by part and, for units, line."""
        self.supplies = Supplies(plant, {key: len(numbers) for key, numbers in self.numbers.items()})
        self.units: dict[tuple[str, int], Item] = {}
        """By line and place."""
        self.donor: asyncio.Task[Item] | None = None
        """Builds the module that a component is taken from."""
        scrapped = self.story.scrapped
        self.recovered: dict[tuple[str, int, str], asyncio.Future[Label | Item]] = {
            (one.line, one.unit, one.position): asyncio.get_running_loop().create_future() for one in scrapped.recovered
        }
        """What comes out of the scrapped unit, by line and place of the unit that waits for it, and position."""
        self.reserved: dict[str, list[str]] = {}
        """Serial numbers reserved for a scan point that is offline later."""
        self.late: list[tuple[Item, Mapping[str, Label | Item], Message]] = []
        """Marriages that stations without a connection keep until the alarm: of what, with what, and how it is told."""
        self.reworked = 0

    def _numbers(self) -> Mapping[tuple[str, str | None], list[int]]:
        numbers: dict[tuple[str, str | None], list[int]] = defaultdict(list)
        for line in self.lines:
            for ordinal in range(1, self.per_line[line] + 1):
                unit, number = self.story.model(line, ordinal), self.plant.number(line, ordinal)
                numbers[unit, line].append(number)
                for _, module in self.modules_of(unit):
                    numbers[module, None].append(number)
        for stock in (self.story.spares, self.story.donor):
            for part in stock.parts:
                numbers[part, None].append(stock.number)
        return numbers

    def modules_of(self, part: str) -> Iterator[tuple[str, str]]:
        """The positions of a unit that take modules, each with the module."""
        for position in self.plant.positions(part):
            if self.plant.taken(position).made:
                yield position.position, self.plant.taken(position).part

    def chance(self, part: str, number: int) -> random.Random:
        """The chances of an item: the same ones with the same seed."""
        return random.Random(f"{self.floor.seed} {part} {number}")  # noqa: S311 - a play, not a secret

    # -- places and times

    def pack_point(self, item: Item) -> Station:
        """Where a unit is packed."""
        return self.floor.station(self.plant.route(item.part, item.line)[-1])

    def bench(self, item: Item) -> Station:
        """The rework bench of the line that an item is built on."""
        points = self.plant.catalogue.scan_points
        line = item.line or self.plant.catalogue.scan_point[self.plant.route(item.part, None)[0]].line
        return self.floor.station(next(p.scan_point for p in points if (p.line, p.kind) == (line, "rework")))

    def when(self, station: Station, item: Item, share: float) -> datetime:
        """When a station is through with a share of its work on an item, which is ready for the next one then."""
        parallel = len(self.lines) if item.line is None else 1
        item.ready = station.at(item.ready, self.takt / parallel * share * item.chance.uniform(*_BUSY))
        return item.ready

    def share(self, code: str, item: Item) -> float:
        """The share of its work on an item that a station has done at each of its messages about it."""
        fills = any(code in position.scan_points for position in self.plant.positions(item.part))
        return 0.7 / (fills + len(self.story.tests.get(code, ())))

    # -- scanning

    def scan(self, station: Station, what: Label | Item | Packed) -> str:
        """What a station's reader sends for a label."""
        if isinstance(what, Label):
            return what.scan
        kind = self.plant.catalogue.scan_point[station.code].kind
        return self.plant.scan_of_built(what.part, what.code, kind)

    def marriage(self, station: Station, item: Item, scans: Mapping[str, str]) -> Members:
        """What a marriage message says of an item and what was scanned into it."""
        return {"unit": self.scan(station, item), "components": [{"item": scan} for scan in scans.values()]}

    def remember(self, station: Station, item: Item, scanned: Mapping[str, Label | Item]) -> None:
        """Note what went into an item at a station, scanned or from the containers that are up."""
        item.seen = station.code
        item.inside.update(scanned)
        for position in self.positions_at(station, item):
            for feed in self.supplies.at(station.code, position.position):
                if feed.up:
                    self.floor.drawn[station.code, feed.position].append((item.code, feed.labels))
        for component in scanned.values():
            if isinstance(component, Item):
                self.floor.holders[component.code].add((item.part, item.code))

    def positions_at(self, station: Station, item: Item) -> list[Position]:
        """The positions of an item that are filled at a station."""
        return [position for position in self.plant.positions(item.part) if station.code in position.scan_points]

    # -- testing

    def plans(self, item: Item) -> Iterator[tuple[str, str]]:
        """The scan points on the route of an item that test, with each of its plans."""
        for code in self.plant.route(item.part, item.line):
            for plan in self.story.tests.get(code, ()):
                yield code, plan

    async def test(self, code: str, item: Item, plan: str) -> bool:
        """Run a test where it belongs; whether it was passed."""
        station = self.floor.station(code)
        async with station.busy:
            answer = await self.run_test(station, item, plan)
        return bool(answer.fact("tested")["verdict"] == "pass")

    async def run_test(self, station: Station, item: Item, plan: str, **members: object) -> Answer:
        """Run a test at a station that is free. Raises DemoFailed where it comes out otherwise than measured."""
        when = self.when(station, item, self.share(station.code, item) if station.code in self.story.tests else 0.2)
        if (item.line, item.ordinal, plan) in self.story.waveforms:
            members = {"attachments": [await self.floor.keep(self._waveform(item), "text/csv")], **members}
        answer = await station.ask("test-run", when, **{**self.test_run(item, plan, station), **members})
        passes = not self._fails(item, plan)
        expected = "disputed" if passes and members.get("verdict") == "fail" else "pass" if passes else "fail"
        verdict = answer.fact("tested")["verdict"]
        if verdict != expected:
            raise DemoFailed(f"{answer.message} came out as {verdict}")
        item.seen = station.code
        self.floor.tested[answer.message["instrument"]].add(item.code)
        if verdict == "pass":
            item.passed.add(plan)
        return answer

    def test_run(self, item: Item, plan: str, station: Station) -> Members:
        """What a test run message says; within the limits, but for the fault that the item has."""
        return {
            "unit": self.scan(station, item),
            "plan": plan,
            "instrument": self._instrument(item, plan),
            "revision": self.plant.catalogue.test_plan[plan].revision,
            "verdict": "fail" if self._fails(item, plan) else "pass",
            "measurements": [
                {"characteristic": one.characteristic, "good": True}
                if one.kind == "attribute"
                else {"characteristic": one.characteristic, "value": self._value(item, one)}
                for one in self.plant.catalogue.measured[plan].values()
            ],
        }

    def _fails(self, item: Item, plan: str) -> bool:
        return item.fault is not None and item.fault.plan == plan

    def _instrument(self, item: Item, plan: str) -> str:
        return next(self.story.tests[code][plan] for code, tested in self.plans(item) if tested == plan)

    def _value(self, item: Item, characteristic: Characteristic) -> float:
        plan, code = characteristic.plan, characteristic.characteristic
        if item.fault is not None and (item.fault.plan, item.fault.characteristic) == (plan, code):
            return item.fault.value
        mean, deviation, digits = self.story.measured[plan][code]
        lower = mean - 3 * deviation if characteristic.lower is None else characteristic.lower
        upper = mean + 3 * deviation if characteristic.upper is None else characteristic.upper
        return round(min(max(item.chance.gauss(mean, deviation), lower), upper), digits)

    def _waveform(self, item: Item) -> bytes:
        """Voltage and current of an electric strength test: up in 0.2 s, one second long, and down again."""
        chance = self.chance(item.part, item.number)
        lines = ["time_s,voltage_V,current_mA\n"]
        for step in range(_SAMPLES):
            time = step / _SAMPLES * _WAVEFORM
            voltage = 1040 * min(1, time / _RAMP, (_WAVEFORM - time) / _RAMP)
            lines.append(f"{time:.3f},{voltage:.0f},{max(0.0, voltage / 870 + chance.gauss(0, 0.01)):.3f}\n")
        return "".join(lines).encode()


_RAMP = 0.2
_WAVEFORM = 1.4
"""Seconds of a waveform, and of its ramps."""

_SAMPLES = 280
