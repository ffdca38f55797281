"""Holds that come to an end."""

from __future__ import annotations

from partkin.command_line.demo.floor import Answer, Members, Station
from partkin.command_line.demo.items import Item
from partkin.command_line.demo.work import Work


async def release(work: Work, station: Station, item: Item, placed: Answer, reason: str) -> None:
    """The quality engineer releases the hold that an answer placed."""
    engineer = work.story.quality_engineer
    members: Members = {"action": "release", "hold": placed.fact("held")["number"], "reason": reason}
    when = work.when(station, item, 0.1)
    await station.ask("hold", when, by=engineer, **members)
    work.floor.tell(when, station.code, f"{item}: released by the quality engineer ({engineer}): {reason}")
