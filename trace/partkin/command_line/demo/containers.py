"""Containers at points of use: put up, changed, counted, and now and then mistaken for another one."""

from __future__ import annotations

from collections.abc import Sequence

from partkin.command_line.demo.floor import Answer, DemoFailed, Message, Station
from partkin.command_line.demo.items import Item
from partkin.command_line.demo.supplies import Feed, Loading
from partkin.command_line.demo.work import Work


async def load(station: Station, feeds: Sequence[Feed]) -> None:
    """Put up the first container at each point of use of a station."""
    loadings = [_loading(station, feed, one) for feed in feeds for one in feed.change()]
    await station.floor.post_all(loadings)


def _loading(station: Station, feed: Feed, loading: Loading, read: str | None = None) -> Message:
    members: Message = {"feeder": loading.feeder}
    if loading.label is None:
        members["position"] = feed.position
    else:
        members |= {"lot": read or loading.label.scan, "quantity": loading.quantity}
    if loading.returned:
        members["returned"] = loading.returned
    return station.message("lot-loading", station.next(), **members)


class Containers:
    """The changes of containers during the shift."""

    def __init__(self, work: Work) -> None:
        self._work = work
        self._misread: tuple[Feed, Answer, int] | None = None
        """A container that was taken for another one, what was answered, and the units that it was still enough for."""

    async def take(self, station: Station, item: Item) -> None:
        """Take an item's pieces from the containers of a station, and put up the next ones first where that is due."""
        for position in self._work.positions_at(station, item):
            for feed in self._work.supplies.at(station.code, position.position):
                await self._correct(station, feed)
                loadings = feed.change()
                if loadings:
                    await self._change(station, item, feed, loadings)
                feed.left -= 1

    async def _change(self, station: Station, item: Item, feed: Feed, loadings: Sequence[Loading]) -> None:
        station.at(item.ready, 1)
        told = self._work.story.misread_container
        here = (told.scan_point, told.position) == (feed.scan_point, feed.position)
        for loading in loadings:
            label = loading.label
            misread = here and label is not None and label.code == told.lot
            read = self._work.plant.lot(label.part, told.read).scan if misread and label is not None else None
            (answer,) = await station.floor.post_all([_loading(station, feed, loading, read)])
            if misread:
                self._misread = (feed, answer, feed.left)
            self._tell(station, feed, loading)
        item.ready = max(item.ready, station.clock)

    def _tell(self, station: Station, feed: Feed, loading: Loading) -> None:
        work, label = self._work, loading.label
        if loading.returned:
            words = f"container taken down at {feed.position}: {loading.returned} pieces left, back to stock"
            work.floor.tell(station.clock, station.code, words)
        if label is not None and label.part == work.story.alarm.part:
            slack = work.plant.catalogue.scan_point[station.code].changeover_slack
            beside = f" at feeder {loading.feeder}, beside another lot" if loading.feeder != "1" else ""
            words = (
                f"lot change at {feed.position}: {label.code} is put up{beside}, {loading.quantity} pieces; "
                f"slack {slack} piece on each side"
            )
            work.floor.tell(station.clock, station.code, words)

    async def _correct(self, station: Station, feed: Feed) -> None:
        """Notice that the label of another container was read, and correct what was recorded."""
        if self._misread is None or self._misread[0] is not feed:
            return
        _, answer, was_left = self._misread
        told = self._work.story.misread_container
        if was_left - feed.left < told.units and feed.left:
            return
        self._misread = None
        (true,) = feed.labels
        wrong = answer.fact("loaded")["number"]
        reason = f"The label of {told.read} beside it was read"
        corrected = await station.ask("correction", station.next(), wrong=wrong, lot=true.scan, reason=reason)
        if corrected.fact("loading corrected")["lot"] != {"part": true.part, "lot": true.code}:
            raise DemoFailed(f"{corrected.message} was answered with {corrected.content}")
        moved = sum(len(fact["marriages"]) for fact in corrected.content["facts"] if fact["fact"] == "redrawn")
        words = f"loading corrected at {feed.position}: {true.code} was up, not {told.read}; {moved} draws booked anew"
        self._work.floor.tell(station.clock, station.code, words)
