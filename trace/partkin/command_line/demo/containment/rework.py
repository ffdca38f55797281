"""Rework: the suspect piece is taken out, another one put in, and every test repeated that no longer counts."""

from __future__ import annotations

from collections.abc import Sequence

from partkin.command_line.demo.containment.desk import CaseDesk, name_of
from partkin.command_line.demo.containment.notes import Notes
from partkin.command_line.demo.floor import Members
from partkin.command_line.demo.items import Item, Packed
from partkin.command_line.demo.opening.goods_in import delivery, goods_in_of
from partkin.command_line.demo.plant import Label
from partkin.rules.catalogue import Position


class Rework:
    """The rework of units and modules, with pieces of a new lot."""

    def __init__(self, desk: CaseDesk, notes: Notes) -> None:
        self._desk = desk
        self._notes = notes
        self._work = notes.work
        self._told = notes.work.story.case
        self._new = notes.work.plant.lot(notes.alarm.part, self._told.new_lot)

    async def rework(self, items: Sequence[Item]) -> None:
        """Rework units and modules, decide it, and pack again what was packed."""
        await self._receive(len(items))
        packed = [item for item in items if item.packed_in is not None]
        for item in items:
            item.ready = max(item.ready, self._desk.now)
            if item.packed_in is not None:
                await self._unpack(item, item.packed_in)
            await self._replace(item)
        self._desk.catch_up()
        await self._desk.decide("rework", [name_of(item) for item in items], self._told.replaced)
        for item in packed:
            station = self._work.pack_point(item)
            item.ready = max(item.ready, self._desk.now)
            async with station.busy:
                await self._notes.shift.packing.put_in_carton(station, item)
        self._desk.catch_up()

    async def _receive(self, pieces: int) -> None:
        station = goods_in_of(self._work, self._new.part)
        when = station.at(self._desk.now, 60)
        lot: Members = {"lot": self._new.code, "quantity": pieces}
        await station.ask("receipt", when, **delivery(self._work, self._new.part, **lot))

    async def _unpack(self, item: Item, carton: Packed) -> None:
        work = self._work
        station = work.floor.station(work.story.dispatch.pack_point)
        members: Members = {"unit": work.scan(station, carton), "component": work.scan(station, item)}
        when = station.at(item.ready, 60)
        await station.ask("removal", when, **members, reason=self._told.replaced)
        item.ready = when
        carton.contents.remove(item)
        item.packed_in = None

    async def _replace(self, item: Item) -> None:
        work, bench = self._work, self._work.bench(item)
        holder, position, old = self._place(item)
        out: Members = {"position": position.position, "component": old.scan, "destination": "scrap"}
        new: Members = {"replacement": {"item": self._new.scan}, "reason": self._told.replaced}
        when = work.when(bench, item, 0.3)
        await bench.ask("removal", when, unit=work.scan(bench, holder), **out, **new)
        item.seen = bench.code if holder is item else item.seen
        for plan in sorted(item.passed.intersection(position.makes_stale)):
            await work.run_test(bench, item, plan)

    def _place(self, item: Item) -> tuple[Item, Position, Label]:
        """What holds the suspect piece, where, and the container that it came from."""
        inside = (one for one in item.inside.values() if isinstance(one, Item))
        for holder in (item, *inside):
            for position in self._work.plant.positions(holder.part):
                if self._notes.alarm.part in self._work.plant.allowed(position):
                    return holder, position, self._notes.booked_on(holder.code)
        raise LookupError(f"{item} takes no {self._notes.alarm.part}")
