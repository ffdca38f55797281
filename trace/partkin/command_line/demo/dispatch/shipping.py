"""Shipping: what is loaded for whom, taken off again, stopped, despatched, and comes back."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from datetime import datetime, timedelta
from itertools import count

from partkin.command_line.demo.dispatch.packing import Packing
from partkin.command_line.demo.floor import Members, Station
from partkin.command_line.demo.incidents.holds import release
from partkin.command_line.demo.incidents.scans import try_packing
from partkin.command_line.demo.items import Item, Packed
from partkin.command_line.demo.work import Work

_ON_THE_ROAD = timedelta(hours=1)
"""How long a unit is away which comes back."""


class Shipping:
    """The loading dock."""

    def __init__(self, work: Work, packing: Packing) -> None:
        self._work = work
        self._told = work.story.dispatch
        self._packing = packing
        self._numbers = count(1)
        self.left: dict[str, set[str]] = {}
        """By shipment that was despatched the serial numbers of the units that were on it."""
        self.received_by: dict[str, str] = {}
        """By shipment that was despatched its consignee."""

    @property
    def _dock(self) -> Station:
        """The station there."""
        return self._work.floor.station(self._told.ship_point)

    async def ship_first(self, pallet: Packed) -> None:
        """The first pallet leaves early in the shift."""
        await self._ship(self._new(), self._told.consignees[0], [pallet])

    async def ship_in_the_evening(self, returned: Item) -> None:
        """A unit comes back, is tested and packed again; then it leaves, and all pallets but some of the last."""
        carton = await self.take_back(returned)
        self._dock.at(carton.ready, 60)
        kept = max(1, round(self._told.kept * len(self._packing.pallets)))
        pallets = self._packing.pallets[1:-kept]
        size = min(self._told.lorry, max(1, -(-len(pallets) // 2)))
        lorries = [pallets[start : start + size] for start in range(0, len(pallets), size)]
        consignees = [self._told.consignees[1 + place % 2] for place in range(len(lorries))]
        first, second = self._new(), self._new()
        await self._mistake(first, consignees[0], second, consignees[1], lorries[1][0])
        await self._load(second, consignees[1], [carton])
        codes = [first, second, *(self._new() for _ in lorries[2:])]
        for place, (code, consignee, lorry) in enumerate(zip(codes, consignees, lorries, strict=True)):
            if place == 0:
                await self._load(code, consignee, lorry)
                await self._stop(code, lorry[0])
                await self._despatch(code, consignee, lorry)
            else:
                await self._ship(code, consignee, lorry, carton if place == 1 else None)

    def _new(self) -> str:
        return f"S-{self._work.floor.start:%y%m%d}-{next(self._numbers)}"

    # -- onto a lorry, and off again

    async def _ship(self, code: str, consignee: str, pallets: Sequence[Packed], carton: Packed | None = None) -> None:
        await self._load(code, consignee, pallets)
        await self._despatch(code, consignee, [*pallets, *([] if carton is None else [carton])])

    async def _load(self, code: str, consignee: str, contents: Sequence[Packed], refused: str | None = None) -> None:
        dock = self._dock
        async with dock.busy:
            dock.at(max(one.ready for one in contents), 30)
            loaded = [one for one in contents if one.shipment != code]
            members: Members = {"contents": [self._work.scan(dock, one) for one in loaded]}
            when = dock.next()
            load: Members = {"action": "load", "shipment": code, "consignee": consignee, **members}
            answer = await dock.ask("shipment", when, refused=refused, **load)
            if refused is not None:
                self._work.floor.tell_refused(dock, f"{contents[0]} for {consignee}", when, answer, refused)
                return
        for one in loaded:
            one.shipment, one.consignee = code, consignee

    async def _mistake(self, code: str, consignee: str, right: str, for_whom: str, pallet: Packed) -> None:
        """A pallet is loaded for the wrong consignee, and has to come off before it can be loaded for the right one."""
        dock = self._dock
        await self._load(code, consignee, [pallet])
        pallet.shipment = ""
        await self._load(right, for_whom, [pallet], refused="already-installed")
        async with dock.busy:
            unload: Members = {"action": "unload", "shipment": code, "contents": [self._work.scan(dock, pallet)]}
            when = dock.next()
            await dock.ask("shipment", when, **unload, reason=self._told.mistaken)
        self._work.floor.tell(when, dock.code, f"{pallet}: off shipment {code} again. {self._told.mistaken}")

    async def _stop(self, code: str, pallet: Packed) -> None:
        """A unit on a shipment is held: the shipment cannot leave until it is released."""
        work, dock, engineer = self._work, self._dock, self._work.story.quality_engineer
        item = next(_units(pallet))
        async with dock.busy:
            placed: Members = {"action": "place", "item": work.scan(dock, item), "reason": self._told.stopped}
            held = await dock.ask("hold", dock.next(), by=engineer, **placed)
            when = dock.next()
            answer = await dock.ask("shipment", when, refused="on-hold", action="despatch", shipment=code)
            work.floor.tell_refused(dock, f"shipment {code}, despatch", when, answer, "on-hold")
            await release(work, dock, item, held, "The record is complete")

    async def _despatch(self, code: str, consignee: str, contents: Sequence[Packed]) -> None:
        dock = self._dock
        async with dock.busy:
            when = dock.next()
            await dock.ask("shipment", when, action="despatch", shipment=code, delivery_note=f"DN {code}")
        units = [item for one in contents for item in _units(one)]
        self.left[code] = {item.code for item in units}
        self.received_by[code] = consignee
        for item in units:
            item.ready = when
        what = " and ".join(_counted(contents))
        words = f"shipment {code} to {consignee} has left with {len(units)} units: {what}"
        self._work.floor.tell(when, dock.code, words)

    # -- back again

    async def take_back(self, item: Item) -> Packed:
        """A unit comes back from its consignee: every test is run again before it is packed again."""
        work, bench, station = self._work, self._work.bench(item), self._work.pack_point(item)
        consignee, carton = self._told.consignees[0], item.packed_in
        async with bench.busy:
            when = item.ready = bench.at(item.ready + _ON_THE_ROAD, 60)
            members = {"unit": work.scan(bench, item), "consignee": consignee, "reason": self._told.returned}
            await bench.ask("customer-return", when, **members)
            work.floor.tell(when, bench.code, f"{item}: came back from {consignee}. {self._told.returned}")
        if carton is not None:
            carton.contents.remove(item)
            item.packed_in = None
        await try_packing(work, item, "test-stale")
        for tested in (*_modules(item), item):
            await self._test_again(tested, item.ready)
            item.ready = max(item.ready, tested.ready)
        async with station.busy:
            packed = await self._packing.put_in_carton(station, item)
        work.floor.tell(item.ready, station.code, f"{item}: all tests passed again, packed in {packed}")
        return packed

    async def _test_again(self, item: Item, since: datetime) -> None:
        """Run every test of a unit or module, at the rework bench of its line."""
        work, bench = self._work, self._work.bench(item)
        async with bench.busy:
            item.ready = max(item.ready, since)
            for _, plan in work.plans(item):
                await work.run_test(bench, item, plan)


def _counted(contents: Sequence[Packed]) -> Iterator[str]:
    for part, number in Counter(one.part for one in contents).items():
        yield f"{number} {part}"


def _modules(item: Item) -> Iterator[Item]:
    for component in item.inside.values():
        if isinstance(component, Item):
            yield component


def _units(packed: Packed) -> Iterator[Item]:
    for content in packed.contents:
        if isinstance(content, Item):
            yield content
        else:
            yield from _units(content)
