"""Lots that must not be used: held by incoming inspection, expired, open for too long."""

from __future__ import annotations

from datetime import datetime, timedelta

from partkin.command_line.demo.floor import Members, Station
from partkin.command_line.demo.opening.goods_in import goods_in_of
from partkin.command_line.demo.told import RefusedLot
from partkin.command_line.demo.work import Work


async def try_lots(work: Work) -> None:
    """Hold a lot, and take that one and two others to points of use; the service refuses each."""
    story = work.story
    await _hold(work, story.held_lot)
    await _open_long_ago(work, story.opened_lot)
    await _take(work, story.expired_lot, "lot-expired")
    await _scrap(work, story.expired_lot)
    await _take(work, story.held_lot, "on-hold")
    await _take(work, story.opened_lot, "floor-life-over")
    await _scrap(work, story.opened_lot)


async def _hold(work: Work, held: RefusedLot) -> None:
    station, engineer = goods_in_of(work, held.part), work.story.quality_engineer
    members: Members = {"action": "place", "item": {"part": held.part, "lot": held.lot}, "reason": held.reason}
    when = station.next()
    await station.ask("hold", when, by=engineer, **members)
    words = f"{held.part} lot {held.lot} put on hold by the quality engineer ({engineer}): {held.reason}"
    work.floor.tell(when, station.code, words)


async def _open_long_ago(work: Work, lot: RefusedLot) -> None:
    """Put up and taken down in an earlier shift."""
    station, container = work.floor.station(lot.scan_point), work.plant.lot(lot.part, lot.lot)
    opened = work.floor.start - timedelta(hours=lot.hours_open)
    up = station.message("lot-loading", opened, lot=container.scan)
    answer = (await work.floor.post_all([up]))[0]
    down = {"position": answer.fact("loaded")["use"]["position"], "returned": lot.pieces}
    await station.ask("lot-loading", opened + timedelta(hours=1), **down)


async def _take(work: Work, lot: RefusedLot, reason: str) -> None:
    station = work.floor.station(lot.scan_point)
    when = _after_goods_in(work, station)
    answer = await station.ask("lot-loading", when, refused=reason, lot=work.plant.lot(lot.part, lot.lot).scan)
    work.floor.tell_refused(station, f"container of {lot.part}", when, answer, reason)


async def _scrap(work: Work, lot: RefusedLot) -> None:
    station = work.floor.station(lot.scan_point)
    members: Members = {"quantity": lot.pieces, "destination": "scrap", "reason": lot.reason}
    await station.ask("disposition", station.next(), item=work.plant.lot(lot.part, lot.lot).scan, **members)


def _after_goods_in(work: Work, station: Station) -> datetime:
    received = max(work.floor.station(code).clock for code in work.story.goods_in)
    return station.at(received, 1)
