"""Stations without a connection, which work on and tell afterwards, all at once, what they did."""

from __future__ import annotations

import asyncio
from collections.abc import Mapping, Sequence
from datetime import datetime

from partkin.command_line.demo.floor import Answer, DemoFailed, Message, Station
from partkin.command_line.demo.incidents.holds import release
from partkin.command_line.demo.items import Item
from partkin.command_line.demo.plant import Label
from partkin.command_line.demo.told import Offline
from partkin.command_line.demo.work import Work


class OfflineStation:
    """A station that loses its connection for some units."""

    def __init__(self, work: Work, told: Offline) -> None:
        self._work = work
        self._told = told
        self._kept: list[Message] = []
        self._waiting: list[tuple[int, asyncio.Future[Answer]]] = []
        """For each unit the place of its marriage among what is kept."""

    def at(self, station: Station, item: Item) -> bool:
        """Whether the station is offline while it works on an item."""
        told = self._told
        return station.code == told.scan_point and item.line == told.line and item.ordinal in told.units

    def start(self, station: Station, item: Item, when: datetime) -> Message:
        """Start a unit under the next number that was reserved, to be told later."""
        item.code = self._work.reserved[station.code].pop(0)
        label = self._work.scan(station, item)
        return station.message("unit-start", when, mode="tell", part=item.part, serial=label)

    async def keep(
        self, station: Station, item: Item, start: Sequence[Message], scans: Mapping[str, str], when: datetime
    ) -> asyncio.Future[Answer]:
        """Keep what was scanned until the connection is back; the future gives the answer to the marriage."""
        if item.ordinal == self._told.misread:
            scans = {**scans, self._told.position: self._before(item).scan}
        message = station.message("marriage", when, mode="tell", **self._work.marriage(station, item, scans))
        self._kept += [*start, message]
        future: asyncio.Future[Answer] = asyncio.get_running_loop().create_future()
        self._waiting.append((len(self._kept) - 1, future))
        last = min(self._told.units[-1], self._work.per_line[self._told.line])
        if item.ordinal == last:
            await self._tell(when)
        return future

    async def _tell(self, when: datetime) -> None:
        answers = await self._work.floor.post_lines(self._kept)
        words = f"was offline; tells of {len(self._waiting)} units at once (NDJSON)"
        self._work.floor.tell(when, self._told.scan_point, words)
        for place, waiting in self._waiting:
            waiting.set_result(answers[place])

    def _before(self, item: Item) -> Label:
        """The component in the unit before an item."""
        component = self._work.units[self._told.line, item.ordinal - 1].inside[self._told.position]
        if not isinstance(component, Label):
            raise DemoFailed(f"{component} is not a component")
        return component

    async def resolve(self, item: Item, answer: Answer) -> None:
        """Go on with a unit; where what was told contradicts the books, correct it and release the unit first."""
        if item.ordinal != self._told.misread:
            answer.expect(None)
            return
        work = self._work
        words = f"{item}: contradicts the books. {answer.reasons[0]['detail']} It is on hold now"
        work.floor.tell(item.ready, self._told.scan_point, words)
        route = work.plant.route(item.part, item.line)
        following = work.floor.station(route[route.index(self._told.scan_point) + 1])
        async with following.busy:
            when = work.when(following, item, 0.2)
            tried = await following.ask("marriage", when, refused="on-hold", unit=work.scan(following, item))
        work.floor.tell_refused(following, item, when, tried, "on-hold")
        await self._correct(item, answer)

    async def _correct(self, item: Item, answer: Answer) -> None:
        work, bench = self._work, self._work.bench(item)
        right = item.inside[self._told.position]
        async with bench.busy:
            unit = work.scan(bench, item)
            wrong = {"component": self._before(item).scan, "reason": "Misread: it is in the unit before"}
            await bench.ask("removal", work.when(bench, item, 0.2), unit=unit, **wrong)
            put_in = [{"item": work.scan(bench, right)}]
            await bench.ask("marriage", work.when(bench, item, 0.2), unit=unit, components=put_in)
            item.seen = bench.code
            await release(work, bench, item, answer, "Corrected at the rework bench")
