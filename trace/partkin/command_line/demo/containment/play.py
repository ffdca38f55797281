"""The play of the alarm's case, from its opening to its end."""

from __future__ import annotations

import asyncio
from collections.abc import Mapping
from datetime import timedelta
from typing import Any

import httpx2
from rich.console import Console

from partkin.command_line.demo.containment.checks import (
    compare,
    compare_balance,
    compare_certain,
    compare_list,
    compare_preview,
)
from partkin.command_line.demo.containment.desk import CaseDesk, name_of
from partkin.command_line.demo.containment.field import tell_consignees
from partkin.command_line.demo.containment.late import Late, resolve, tell_late
from partkin.command_line.demo.containment.notes import Notes
from partkin.command_line.demo.containment.open_case import leave_open
from partkin.command_line.demo.containment.rework import Rework
from partkin.command_line.demo.containment.sorting import sort
from partkin.command_line.demo.containment.stock import count, scrap, search, take_down
from partkin.command_line.demo.opening.goods_in import made_on
from partkin.command_line.demo.shift import Shift

TAKES = timedelta(hours=3)
"""How long the case goes on after the shift, at most."""


def play_case(address: str, shift: Shift, screen: Console) -> None:
    """Open a case for the lot of the alarm, play it to its end, and compare each answer with the floor's notes.

    Raises DemoFailed where they differ.
    """
    screen.rule(f"Containment: case {shift.work.story.case.case}")

    async def play() -> None:
        async with httpx2.AsyncClient(base_url=address, timeout=60) as client:
            shift.work.floor.client = client
            await _Play(shift).play()

    asyncio.run(play())
    screen.print("After each step the floor's notes named the same units, holds and missing pieces as the service.")


class _Play:
    def __init__(self, shift: Shift) -> None:
        self._notes = Notes(shift)
        self._work = shift.work
        self._told = shift.work.story.case
        self._desk = CaseDesk(shift.work, self._told.case)

    async def play(self) -> None:
        """All of it, one step after the other."""
        await self._freeze()
        late = await tell_late(self._desk, self._notes)
        await self._revise()
        await self._count()
        await self._decide(late)
        await self._close()
        drill = await self._desk.say("drill run", seed=self._told.seed, part=self._notes.alarm.part)
        self._desk.tell(_in_words(drill.fact("drilled")))
        await leave_open(self._work, since=self._desk.now)

    async def _freeze(self) -> None:
        desk, told, lot = self._desk, self._told, self._notes.lot
        suspects = {"items": [{"part": lot.part, "lot": lot.code}]}
        reason = self._notes.alarm.words.format(lot=lot.code)
        await desk.open(told.title, suspects, reason, told.hazard, told.action_asked)
        await compare_preview(desk, self._notes, suspects)
        await desk.freeze()
        await compare_list(desk, self._notes, [lot.code])
        counts = (await desk.state())["counts"]
        units = counts["by_kind"]["units"]
        words = f"{units['certain']} units have the lot, and {units['possible']} may"
        held = f"{counts['held']} of {counts['things']} things are here, and on hold"
        desk.tell(f"case {desk.case} is opened and frozen: {words}; {held}")

    async def _revise(self) -> None:
        """All of the same day is suspected for a while."""
        desk, notes, lot = self._desk, self._notes, self._notes.lot
        day = made_on(self._work, lot.code)
        lots = [one for one in self._lots_of_part() if made_on(self._work, one) == day]
        supplier = self._work.plant.catalogue.part[lot.part].supplier
        made = {"part": lot.part, "supplier": supplier, "from": day.isoformat(), "to": day.isoformat()}
        wider = await desk.freeze(suspects={"produced": [made]}, reason=self._told.widened)
        await compare_list(desk, notes, lots)
        suspects = {"items": [{"part": lot.part, "lot": lot.code}]}
        narrower = await desk.freeze(suspects=suspects, reason=self._told.narrowed)
        await compare_list(desk, notes, [lot.code])
        things = {thing["serial"]: thing for thing in await desk.things() if "serial" in thing}
        compare_certain(things, notes)
        desk.tell(
            f"revision 2 suspects all made on {day}, {' and '.join(lots)}: {wider['things']} things; "
            f"revision 3 the lot alone again: {narrower['things']}"
        )

    def _lots_of_part(self) -> list[str]:
        return sorted(lot.code for lot in self._work.supplies.pieces if lot.part == self._notes.lot.part)

    async def _count(self) -> None:
        await take_down(self._notes)
        await count(self._desk, self._notes)
        await compare_balance(self._desk, self._notes, after_search=False)
        await search(self._desk, self._notes)
        await compare_balance(self._desk, self._notes, after_search=True)

    async def _decide(self, late: Late) -> None:
        """Decide of every unit by where it is and what it has: those that left, those that have the lot, all others."""
        desk, notes, told = self._desk, self._notes, self._told
        affected = notes.affected([notes.lot.code])
        here = {code for code in affected if not notes.has_left(code)}
        units = {item.code for item in self._work.units.values()} & affected.keys()
        await tell_consignees(desk, notes, units - here)
        *reworked, kept = self._with_pure(here)
        signed = {"concession": told.concession, "signed_by": told.manager}
        await desk.decide("use as is", [name_of(notes.items[kept])], told.conceded, **signed)
        desk.tell(f"{notes.items[kept]}: use as is, by concession {told.concession}. {told.conceded}", told.manager)
        await Rework(desk, notes).rework([notes.items[code] for code in reworked])
        desk.tell(f"{len(reworked)} units and modules reworked and tested again: {self._new_pieces()}")
        await sort(desk, notes, units & here - {*reworked, kept})
        await resolve(notes, late)
        await scrap(desk, notes)

    def _with_pure(self, here: set[str]) -> list[str]:
        """What is here and got a piece out of a container of nothing but the lot: units, and modules in none."""
        notes = self._notes
        modules = {code for code in here if notes.items[code].line is None and notes.is_of_lot(notes.booked_on(code))}
        found = [next((unit for _, unit in notes.work.floor.holders.get(one, ())), one) for one in modules]
        return sorted(found, key=lambda code: (notes.items[code].line is not None, notes.items[code].number))

    def _new_pieces(self) -> str:
        return f"their pieces are of lot {self._told.new_lot} now"

    async def _close(self) -> None:
        desk, told = self._desk, self._told
        await desk.ask("containment", by=told.manager, action="close", reason=told.closed, refused="not-accounted")
        against = {one.get("pointer") for one in (await desk.state())["against_closing"]}
        compare("what speaks against closing", against, {"/unaccounted"})
        await desk.ask("containment", by=told.manager, action="close", reason=told.closed, unaccounted=told.explained)
        state = await desk.state()
        compare("what is held still", state["counts"]["held"], 0)
        desk.tell(f"case {desk.case} is {state['status']}. {told.explained}", told.manager)


def _in_words(drilled: Mapping[str, Any]) -> str:
    took = sum(step["milliseconds"] for step in drilled["steps"]) / 1000
    return (
        f"a recall is rehearsed in {took:.1f} s: {drilled['certain']} units certain, {drilled['possible']} possible, "
        f"{drilled['consignees']} consignees"
    )
