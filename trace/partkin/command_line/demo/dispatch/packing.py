"""Packing: rating plates, cartons, pallets, and one carton that is unpacked again."""

from __future__ import annotations

from partkin.command_line.demo.floor import Answer, Members, Station
from partkin.command_line.demo.items import Item, Packed
from partkin.command_line.demo.work import Work


class Packing:
    """The pack points, and the cartons and pallets that stand there."""

    def __init__(self, work: Work) -> None:
        self._work = work
        self._told = work.story.dispatch
        self.first_plate = 0
        """Entry of the first rating plate that was printed."""
        self._cartons: list[Packed] = []
        self.pallets: list[Packed] = []
        """In the order in which they were made up."""

    async def pack(self, station: Station, item: Item) -> None:
        """Print the rating plate of a unit, and put it into a carton."""
        work = self._work
        plate: Members = {"items": [work.scan(station, item)], "label": "unit"}
        printed = await station.ask("label-print", work.when(station, item, 0.05), **plate)
        if not self.first_plate:
            self.first_plate = printed.content["entry"]
            await self._print_again(station, item)
        await self.put_in_carton(station, item)

    async def _print_again(self, station: Station, item: Item) -> None:
        """The plate was bent: a second one is printed only with the reason."""
        work = self._work
        plate: Members = {"items": [work.scan(station, item)], "label": "unit"}
        when = work.when(station, item, 0.02)
        answer = await station.ask("label-print", when, refused="reprint-needs-reason", **plate)
        work.floor.tell_refused(station, f"{item}, rating plate", when, answer, "reprint-needs-reason")
        when = work.when(station, item, 0.02)
        await station.ask("label-print", when, **plate, reason=self._told.reprint)
        work.floor.tell(when, station.code, f"{item}: rating plate printed again. {self._told.reprint}")

    async def put_in_carton(self, station: Station, item: Item) -> Packed:
        """Put a unit into a new carton, and print its label."""
        work, part = self._work, self._told.cartons[item.part]
        when = work.when(station, item, 0.1)
        answer = await station.ask("packing", when, packaging=part, contents=[work.scan(station, item)])
        item.seen = station.code
        carton = await self._begun(station, answer, part)
        carton.contents.append(item)
        item.packed_in = carton
        return carton

    async def bring(self, carton: Packed) -> Packed | None:
        """Bring a carton to the pallets; the pallet that is full with it, if one is."""
        self._cartons.append(carton)
        if len(self._cartons) < self._told.pallet_of:
            return None
        return await self.make_up()

    async def make_up(self) -> Packed | None:
        """Make a pallet of the cartons that wait; None where none waits."""
        cartons, self._cartons = self._cartons, []
        if not cartons:
            return None
        work, station = self._work, self._work.floor.station(self._told.pack_point)
        async with station.busy:
            station.at(max(carton.ready for carton in cartons), 40)
            contents = [work.scan(station, carton) for carton in cartons]
            answer = await station.ask("packing", station.next(), packaging=self._told.pallet, contents=contents)
            pallet = await self._begun(station, answer, self._told.pallet)
        pallet.contents += cartons
        for carton in cartons:
            carton.packed_in = pallet
        self.pallets.append(pallet)
        return pallet

    async def _begun(self, station: Station, answer: Answer, part: str) -> Packed:
        """Packaging that was begun under a number of its own, with its label."""
        serial = answer.fact("item known")["item"]["serial"]
        packed = Packed(part, serial, station.next())
        label = "pallet" if part == self._told.pallet else "carton"
        items = [self._work.scan(station, packed)]
        await station.ask("label-print", station.next(), items=items, label=label)
        return packed

    # -- unpacking

    async def unpack(self, pallet: Packed) -> None:
        """Take a carton off a pallet and its unit out of it; the unit goes into another carton on the same pallet."""
        work, station = self._work, self._work.floor.station(self._told.pack_point)
        carton = pallet.contents[0]
        item = carton.contents[0] if isinstance(carton, Packed) else None
        if not isinstance(carton, Packed) or not isinstance(item, Item):
            raise TypeError(f"{carton} is no carton with a unit")
        async with station.busy:
            for holder, content in ((pallet, carton), (carton, item)):
                members = {"unit": work.scan(station, holder), "component": work.scan(station, content)}
                await station.ask("removal", station.next(), **members, reason=self._told.torn)
            scrapped = {"item": work.scan(station, carton), "destination": "scrap", "reason": self._told.torn}
            await station.ask("disposition", station.next(), **scrapped)
        words = f"{item}: out of its carton {carton.code} again. {self._told.torn}"
        work.floor.tell(station.clock, station.code, words)
        pallet.contents.remove(carton)
        item.ready = max(item.ready, station.clock)
        pack_point = work.pack_point(item)
        async with pack_point.busy:
            other = await self.put_in_carton(pack_point, item)
        await self._put_on(pallet, other)

    async def _put_on(self, pallet: Packed, carton: Packed) -> None:
        work, station = self._work, self._work.floor.station(self._told.pack_point)
        async with station.busy:
            station.at(carton.ready, 40)
            contents = [work.scan(station, carton)]
            await station.ask("packing", station.next(), into=work.scan(station, pallet), contents=contents)
            pallet.ready = station.clock
        pallet.contents.append(carton)
        carton.packed_in = pallet
        work.floor.tell(station.clock, station.code, f"{carton} is on {pallet} in its place")
