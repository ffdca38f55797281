"""What is left of the bad lot: taken down, counted, searched for, counted again, and scrapped in the end."""

from __future__ import annotations

from partkin.command_line.demo.containment.checks import compare
from partkin.command_line.demo.containment.desk import CaseDesk, name_of_lot
from partkin.command_line.demo.containment.notes import Notes
from partkin.command_line.demo.floor import Members, Station
from partkin.command_line.demo.opening.goods_in import goods_in_of
from partkin.command_line.demo.plant import Label


async def take_down(notes: Notes) -> None:
    """Empty the feeders at which the lot is still up."""
    for feed in notes.work.supplies.feeds.values():
        for place, container in enumerate(feed.up, 1):
            if container.label in notes.containers:
                station = notes.work.floor.station(feed.scan_point)
                left: Members = {"returned": container.more} if container.more else {}
                when = station.at(notes.work.floor.latest, 60)
                await station.ask("lot-loading", when, position=feed.position, feeder=str(place), **left)


async def count(desk: CaseDesk, notes: Notes) -> None:
    """Count all that lies in stock; what the books do not account for is told."""
    await _count(notes, {lot: notes.lying(lot) for lot in (notes.lot, *notes.containers)})
    desk.catch_up()
    missing = {lot.code: notes.missing(lot) + notes.typed_too_many(lot) for lot in (notes.lot, *notes.containers)}
    words = ", ".join(f"{pieces} of {code}" for code, pieces in missing.items() if pieces)
    desk.tell(f"the lot and its containers counted; not accounted for: {words}")


async def search(desk: CaseDesk, notes: Notes) -> None:
    """Follow the leads of the balances; what is found is counted again."""
    for told in notes.work.story.missing:
        if told.found_at:
            words = f"the lead of {told.container} points to {told.scan_point}: {told.pieces} pieces found"
            desk.tell(f"{words} at {told.found_at}. {told.words}; {notes.work.story.miscounted.words}")
    found = {lot: notes.lying(lot) + notes.found(lot) for lot in notes.containers if notes.found(lot)}
    await _count(notes, found)
    desk.catch_up()


async def _count(notes: Notes, lying: dict[Label, int]) -> None:
    station = _store(notes)
    station.at(notes.work.floor.latest, 60)
    for lot, pieces in lying.items():
        await station.ask("stock-count", station.next(), lot=lot.scan, quantity=pieces)


def _store(notes: Notes) -> Station:
    return goods_in_of(notes.work, notes.alarm.part)


async def scrap(desk: CaseDesk, notes: Notes) -> None:
    """Scrap all that lies there, and decide it. Of the lot itself the books have nothing left: that is told."""
    station, told = _store(notes), notes.work.story.case
    station.at(notes.work.floor.latest, 60)
    for lot in (notes.lot, *notes.containers):
        pieces = notes.lying(lot) + notes.found(lot)
        members: Members = {"item": lot.scan, "quantity": pieces, "destination": "scrap", "reason": told.sorted}
        if pieces and lot == notes.lot:
            answer = await notes.work.floor.post(station.message("disposition", station.next(), mode="tell", **members))
            compare(f"{lot.code}, what contradicts the books", answer.types, {"lot-exhausted"})
        elif pieces:
            await station.ask("disposition", station.next(), **members)
    desk.catch_up()
    await desk.decide("scrap", [name_of_lot(lot) for lot in (notes.lot, *notes.containers)], told.sorted)
