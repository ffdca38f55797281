"""Units that have left: whoever received them is told, answers, is checked; the field service corrects them."""

from __future__ import annotations

from collections.abc import Collection

from partkin.command_line.demo.containment.checks import compare
from partkin.command_line.demo.containment.desk import CaseDesk, name_of
from partkin.command_line.demo.containment.notes import Notes
from partkin.command_line.demo.floor import Members


async def tell_consignees(desk: CaseDesk, notes: Notes, units: Collection[str]) -> None:
    """Send a notice to each consignee of some units, and decide what became of them."""
    told, consignees = notes.work.story.case, notes.consignees(units)
    letter = f"{told.title}\n\n{told.hazard}\n\n{told.action_asked}\n"
    copy = await notes.work.floor.keep(letter.encode(), "text/plain")
    state = await desk.state()
    sent = {one["consignee"]: one["certain"] + one["possible"] for one in state["notices"]}
    compare("who received affected units", sent, {who: len(received) for who, received in consignees.items()})
    for who in consignees:
        await desk.ask("notice", action="sent", consignee=who, how=told.how, copy=copy)
    plan = (await desk.ask("notice", action="plan", level="A", seed=told.seed)).fact("checks planned")
    compare("who is checked", set(plan["consignees"]), set(consignees))
    desk.tell(f"notices to {' and '.join(sorted(consignees))} of {len(units)} units, and a check of each (level A)")
    corrected = [item for received in consignees.values() for item in received[:-1]]
    unreachable = [received[-1] for received in consignees.values()]
    for who, received in consignees.items():
        said: Members = {"on_hand": 0, "corrected": len(received) - 1, "found": told.unreachable}
        await desk.ask("notice", action="answered", consignee=who, **said)
    if corrected:
        await desk.decide("corrected in the field", list(map(name_of, corrected)), told.field_service, by=told.service)
    await desk.decide("not recovered", list(map(name_of, unreachable)), told.unreachable, by=told.service)
    for who in consignees:
        await desk.ask("notice", action="checked", consignee=who, effective=True, found=told.found)
    desk.tell(f"{len(corrected)} corrected in the field, {len(unreachable)} not recovered", told.service)
