"""The desk from which a containment case is run."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any

from partkin.command_line.demo.floor import Answer, Desk, Members
from partkin.command_line.demo.items import Item
from partkin.command_line.demo.plant import Label
from partkin.command_line.demo.work import Work
from partkin.rules.messages import MOST_COMPONENTS

_A_WHILE = 120
"""Seconds from one thing done at the desk to the next."""

Name = dict[str, str]
"""An item by its part and its serial number or lot."""


def name_of(item: Item) -> Name:
    """A unit or module, where there is no label to scan."""
    return {"part": item.part, "serial": item.code}


def name_of_lot(lot: Label) -> Name:
    """A lot or container."""
    return {"part": lot.part, "lot": lot.code}


class CaseDesk:
    """What is said of one case, by whom, and when."""

    def __init__(self, work: Work, case: str, since: datetime | None = None) -> None:
        self.work = work
        self.case = case
        self.engineer = work.story.quality_engineer
        self._desk = Desk(work.floor, f"desk of {case}", self.engineer)
        self._desk.clock = since or self._desk.clock
        self.catch_up()

    @property
    def now(self) -> datetime:
        """The time at the desk."""
        return self._desk.clock

    def catch_up(self) -> None:
        """Wait until the floor is through with what it does."""
        self._desk.clock = max(self._desk.clock, self.work.floor.latest)

    def tell(self, words: str, by: str = "") -> None:
        """Tell what was done."""
        self.work.floor.tell(self._desk.clock, by or self.engineer, words)

    async def ask(self, kind: str, *, by: str | None = None, refused: str | None = None, **members: Any) -> Answer:
        """Post a message about the case."""
        when = self._desk.at(self._desk.clock, _A_WHILE)
        return await self._desk.ask(kind, when, by=by, refused=refused, case=self.case, **members)

    async def ask_lines(self, kind: str, every: Sequence[Members], by: str) -> list[Answer]:
        """Post many of a kind as lines."""
        messages = [
            self._desk.message(kind, self._desk.at(self._desk.clock, _A_WHILE), by=by, case=self.case, **members)
            for members in every
        ]
        return await self.work.floor.post_all(messages) if messages else []

    async def open(self, title: str, suspects: Members, reason: str, hazard: str, action_asked: str) -> None:
        """Open the case."""
        words = {"title": title, "reason": reason, "hazard": hazard, "action_asked": action_asked}
        await self.ask("containment", action="open", suspects=suspects, **words)

    async def freeze(self, **members: Any) -> Mapping[str, Any]:
        """List and stop what is affected; the fact that says so."""
        answer = await self.ask("containment", action="freeze", **members)
        return answer.fact("case frozen")

    async def decide(self, decision: str, items: Sequence[Name], reason: str, by: str = "", **members: Any) -> None:
        """Decide what becomes of things, a few hundred at a time."""
        said: Members = {"decision": decision, "authority": self.work.story.case.authority, "reason": reason, **members}
        for start in range(0, len(items), MOST_COMPONENTS):
            chunk = items[start : start + MOST_COMPONENTS]
            await self.ask("case-decision", by=by or None, items=list(chunk), **said)

    async def say(self, kind: str, **members: Any) -> Answer:
        """Post a message that is of no case."""
        return await self._desk.ask(kind, self._desk.at(self._desk.clock, _A_WHILE), **members)

    async def state(self) -> dict[str, Any]:
        """The case as it is now."""
        return await self.work.floor.get(f"/v1/cases/{self.case}")

    async def things(self) -> list[dict[str, Any]]:
        """All that the case lists and has not dropped."""
        answer = await self.work.floor.get(f"/v1/cases/{self.case}/things")
        return [thing for thing in answer["items"] if thing["dropped_in"] is None]
