"""Stations without a connection tell after the freeze what they built in before."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from partkin.command_line.demo.containment.checks import compare
from partkin.command_line.demo.containment.desk import CaseDesk
from partkin.command_line.demo.containment.notes import Notes
from partkin.command_line.demo.floor import Answer
from partkin.command_line.demo.incidents.holds import release
from partkin.command_line.demo.items import Item

Late = list[tuple[Item, Answer]]


async def tell_late(desk: CaseDesk, notes: Notes) -> Late:
    """Tell of the last units: what they got is listed and stopped at once."""
    work = notes.work
    late = [(item, await work.floor.post(message)) for item, _, message in work.late]
    for item, scanned, message in work.late:
        work.remember(work.floor.station(message["scan_point"]), item, scanned)
    things = {thing["serial"]: thing for thing in await desk.things() if "serial" in thing}
    listed = [item for item, answer in late if _is_listed(notes, things, item, answer)]
    if listed:
        units = " and ".join(map(str, listed))
        desk.tell(f"{work.story.case.late.words}: told after the freeze, {units} are listed and on hold at once")
    return late


def _is_listed(notes: Notes, things: Mapping[str, Mapping[str, Any]], item: Item, answer: Answer) -> bool:
    affected = item.code in notes.affected([notes.lot.code])
    compare(f"{item}, against what was told late", answer.types, {"on-hold"} if affected else set())
    thing = things.get(item.code)
    compare(f"{item}, listed because of it", thing and thing["because"], answer.content["entry"] if affected else None)
    return affected


async def resolve(notes: Notes, late: Late) -> None:
    """The case is through with the units: what was told contradicts the books no more."""
    for item, answer in late:
        if answer.types:
            station = notes.work.floor.station(answer.message["scan_point"])
            item.ready = notes.work.floor.latest
            await release(notes.work, station, item, answer, "Told late; the case is through with it")
