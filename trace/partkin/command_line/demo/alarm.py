"""The supplier's alarm: which units are affected, asked of the service, shown on one screen."""

from __future__ import annotations

import time
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import httpx2
from rich.console import Console
from rich.padding import Padding
from rich.table import Table

from partkin.command_line.affected import CAUTION
from partkin.command_line.demo.floor import DemoFailed
from partkin.command_line.demo.plant import Label, Plant
from partkin.command_line.demo.shift import Shift
from partkin.command_line.terminal import shown, table

_FIRST = 2
"""Units shown of each certainty."""

_PAGE = 1000
_CERTAINTY = ("certain", "possible")

Units = set[tuple[str, str]]
"""Part and serial number."""


@dataclass(frozen=True)
class Affected:
    """The service's answer."""

    counts: Mapping[str, Any]
    certain: Sequence[Mapping[str, Any]]
    possible: Sequence[Mapping[str, Any]]
    seconds: float

    def units(self, certainty: str) -> Units:
        """The units of a certainty."""
        return {(row["part"], row["serial"]) for row in getattr(self, certainty)}


def raise_alarm(url: str, shift: Shift, screen: Console) -> None:
    """Ask which units the lot of the alarm affects, show it, and compare it with the floor's own notes.

    Raises DemoFailed where they differ.
    """
    affected = _ask(url, shift.work.story.alarm.part, shift.work.story.alarm.lot)
    _show(shift, affected, screen)
    noted = remembered(shift.work.plant, shift.work.floor.drawn, shift.work.floor.holders, [shift.work.story.alarm.lot])
    if (affected.units("certain"), affected.units("possible")) != noted:
        raise DemoFailed(f"{affected.counts} is not what the floor noted: {[len(units) for units in noted]}")
    screen.print("The floor's own notes of what went where name the same units, certain and possible.")


def _ask(url: str, part: str, lot: str) -> Affected:
    question = {"suspects": {"items": [{"part": part, "lot": lot}]}}
    rows: dict[str, list[Mapping[str, Any]]] = {certainty: [] for certainty in _CERTAINTY}
    pages: dict[str, Any] = {"limit": _PAGE}
    began = time.perf_counter()
    with httpx2.Client(base_url=url, timeout=60) as client:
        while "cursor" not in pages or pages["cursor"] is not None:
            answer = client.post("/v1/affected", json=question, params=pages).raise_for_status().json()
            for certainty in rows:
                rows[certainty] += answer[certainty]
            pages["cursor"] = answer["next"]
    return Affected(answer["counts"], rows["certain"], rows["possible"], time.perf_counter() - began)


def remembered(
    plant: Plant,
    drawn_at: Mapping[tuple[str, str], Sequence[tuple[str, tuple[Label, ...]]]],
    holders: Mapping[str, Units],
    lots: Collection[str],
) -> tuple[Units, Units]:
    """The units certainly and possibly affected by lots of the alarm's part, by what the floor itself wrote down."""
    modules = remembered_modules(plant, drawn_at, lots)
    certain, possible = ({unit for module in found for unit in holders.get(module, ())} for found in modules)
    return certain, possible - certain


def remembered_modules(
    plant: Plant, drawn_at: Mapping[tuple[str, str], Sequence[tuple[str, tuple[Label, ...]]]], lots: Collection[str]
) -> tuple[set[str], set[str]]:
    """The same of the modules, which are all that take pieces of the alarm's part.

    Every module took one piece, so that those within the slack of a change are its neighbours in the order of building.
    It may be of any container that was up when it or such a neighbour was built; certain is only what one container
    alone was up for, and one lot alone went into.
    """
    suspects = {(plant.story.alarm.part, lot) for lot in lots}
    certain: set[str] = set()
    possible: set[str] = set()
    for (scan_point, _), drawn in drawn_at.items():
        slack = plant.catalogue.scan_point[scan_point].changeover_slack
        for place, (module, _) in enumerate(drawn):
            near = drawn[max(0, place - slack) : place + slack + 1]
            containers = {label for _, labels in near for label in labels}
            sources = {(lot.part, lot.code) for label in containers for lot in plant.sources(label)}
            if sources & suspects:
                (certain if len(containers) == len(sources) == 1 else possible).add(module)
    return certain, possible


# -- on the screen


def _show(shift: Shift, affected: Affected, screen: Console) -> None:
    alarm = shift.work.story.alarm
    part = shift.work.plant.catalogue.part[alarm.part]
    supplier = shift.work.plant.catalogue.supplier[part.supplier or ""].name
    screen.rule(f"Alarm: {alarm.part} lot {alarm.lot}")
    screen.print(f"{supplier}: {alarm.words.format(lot=alarm.lot)}.")
    facts = Table.grid(padding=(0, 2))
    for what, words in _facts(shift, affected):
        facts.add_row(what, shown(words))
    screen.print(facts)
    screen.print()
    screen.print(_counts(affected))
    screen.print()
    for row in (*affected.certain[:_FIRST], *affected.possible[:_FIRST]):
        now = f"{row['state']}, last seen at {row['where']} {_clock(row['where_at'])}"
        screen.print(f"{row['part']} {row['serial']}  {row['certainty']}  {now}")
        screen.print(Padding(shown(_in_words(row["path"])), (0, 0, 0, 2), expand=False), style="dim")
    screen.print()
    screen.print(CAUTION)


def _facts(shift: Shift, affected: Affected) -> Iterator[tuple[str, str]]:
    """What came in, where it went, and how long the answer took."""
    alarm = shift.work.story.alarm
    pieces = sum(number for label, number in shift.work.supplies.pieces.items() if label.code == alarm.lot)
    first = [row["path"][0] for row in affected.certain]
    places = sorted({f"{step['position']} of {step['into']['part']}" for step in first})
    started = sorted(step["started"] for step in first)
    yield "suspect", f"{alarm.part} ({shift.work.plant.catalogue.part[alarm.part].description}) lot {alarm.lot}"
    yield "received", f"{pieces} pieces, before the shift"
    yield "where used", f"{', '.join(places)}, {_clock(started[0])} to {_clock(started[-1])}"
    yield "answered in", f"{affected.seconds * 1000:.0f} ms"


def _counts(affected: Affected) -> Table:
    groups = {**affected.counts["by_part"], **affected.counts["by_state"], "all": affected.counts}
    rows = ((certainty, *(str(counted[certainty]) for counted in groups.values())) for certainty in _CERTAINTY)
    return table("units", *(f"#{name}" for name in groups), rows=rows)


def _clock(moment: str) -> str:
    return f"{datetime.fromisoformat(moment).astimezone():%H:%M}"


def _in_words(path: Sequence[Mapping[str, Any]]) -> str:
    """The way of the lot into a unit, step by step; the unit itself is not named again."""
    steps = [f"{step['position']} of {step['into']['part']} {step['into']['serial']}" for step in path[:-1]]
    return f"{path[0]['part']} lot {path[0]['lot']} in {', in '.join([*steps, path[-1]['position']])}"
