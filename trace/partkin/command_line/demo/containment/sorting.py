"""Sorting: how many of those that may have the lot are drawn, what is found in them, and what that shows of all."""

from __future__ import annotations

from partkin.command_line.demo.containment.checks import compare, drawn_of
from partkin.command_line.demo.containment.desk import CaseDesk
from partkin.command_line.demo.containment.notes import Notes
from partkin.command_line.demo.floor import DemoFailed, Members


async def sort(desk: CaseDesk, notes: Notes, undecided: set[str]) -> None:
    """Inspect as many as a plan for a finite population takes; where none is bad, all of it is verified good."""
    told = notes.work.story.case
    if not undecided:
        return
    plan: Members = {"rule": "hypergeometric", "confidence": told.confidence, "fraction": told.fraction}
    code = f"{desk.case}-S1"
    answer = await desk.ask("sorting", sorting=code, listed="possible", seed=told.seed, **plan)
    drawn = answer.fact("sorting drawn")
    compare(f"{code}, of how many", drawn["population"], len(undecided))
    compare(f"{code}, how many", len(drawn["drawn"]), drawn_of(len(undecided), told.confidence, told.fraction))
    holding = notes.holding()
    seen = [{"sorting": code, "item": one, "good": one["serial"] not in holding} for one in drawn["drawn"]]
    await desk.ask_lines("inspection", [{**one, "found": told.inspected} for one in seen], told.inspector)
    (concluded,) = (one for one in (await desk.state())["sortings"] if one["sorting"] == code)
    if concluded["conclusion"] != "good" or undecided & holding:
        raise DemoFailed(f"{code} is concluded {concluded}; {sorted(undecided & holding)} hold a piece of the lot")
    desk.tell(
        f"sorting {code}: {len(seen)} of {len(undecided)} units that may have it are drawn, and have not. With "
        f"{told.confidence:.0%} confidence fewer than {told.fraction:.0%} have: all verified good"
    )
    items = [{"part": notes.items[unit].part, "serial": unit} for unit in sorted(undecided)]
    await desk.decide("verified good", items, f"None bad in {code}", sorting=code)
