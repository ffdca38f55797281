"""The supplier's alarm: which units are affected, asked of the service, shown on one screen."""

from __future__ import annotations

import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import httpx2
from rich.console import Console
from rich.table import Table

from partkin.command_line.demo.floor import DemoFailed
from partkin.command_line.demo.plant import Label, Plant
from partkin.command_line.demo.shift import Shift

_FIRST = 4
"""Units shown of each certainty."""

_PAGE = 1000

_CAUTION = (
    "What is stopped, recalled or reported follows the plant's procedure and local law. "
    "This list is a basis for that decision; it does not take it."
)

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


def raise_alarm(url: str, shift: Shift, console: Console) -> Affected:
    """Ask which units the lot of the alarm affects, show it, and compare with what the floor remembers.

    Raises DemoFailed where they differ.
    """
    affected = _ask(url, shift.story.alarm.part, shift.story.alarm.lot)
    _show(shift, affected, console)
    certain, possible = remembered(shift.plant, shift.floor.drawn, shift.floor.holders)
    if (affected.units("certain"), affected.units("possible")) != (certain, possible):
        raise DemoFailed(
            f"the floor remembers {len(certain)} certain and {len(possible)} possible units, others than those answered"
        )
    console.print("The floor's own notes of what went where name the same units, certain and possible.")
    return affected


def _ask(url: str, part: str, lot: str) -> Affected:
    question = {"suspects": {"items": [{"part": part, "lot": lot}]}}
    rows: dict[str, list[Mapping[str, Any]]] = {"certain": [], "possible": []}
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
    drawn_at: Mapping[tuple[str, str], Sequence[tuple[str, Label]]],
    holders: Mapping[str, Units],
) -> tuple[Units, Units]:
    """The units certainly and possibly affected by the alarm, by what the floor itself wrote down.

    Every module took one piece, so that those within the slack of a change are its neighbours in the order of building.
    """
    alarm = plant.story.alarm
    certain: Units = set()
    possible: Units = set()
    for (scan_point, _), drawn in drawn_at.items():
        slack = plant.catalogue.scan_point[scan_point].changeover_slack
        for place, (module, _) in enumerate(drawn):
            near = drawn[max(0, place - slack) : place + slack + 1]
            bad = {(label.part, label.code) == (alarm.part, alarm.lot) for _, label in near}
            if True in bad:
                (possible if False in bad else certain).update(holders.get(module, ()))
    return certain, possible - certain


# -- on the screen


def _show(shift: Shift, affected: Affected, console: Console) -> None:
    alarm = shift.story.alarm
    part = shift.plant.catalogue.part[alarm.part]
    supplier = shift.plant.catalogue.supplier[part.supplier or ""].name
    console.rule(f"Alarm: {alarm.part} lot {alarm.lot}")
    console.print(f"{supplier}: {alarm.words.format(lot=alarm.lot)}.")
    console.print()
    console.print(_facts(shift, affected))
    console.print()
    console.print(_counts(affected))
    console.print()
    console.print(_units(affected))
    console.print()
    console.print(_CAUTION)


def _facts(shift: Shift, affected: Affected) -> Table:
    """What came in, and where it went."""
    alarm = shift.story.alarm
    pieces = sum(number for label, number in shift.supplies.pieces.items() if label.code == alarm.lot)
    first = [row["path"][0] for row in affected.certain]
    places = sorted({f"{step['position']} of {step['into']['part']}" for step in first})
    started = sorted(datetime.fromisoformat(step["started"]).astimezone() for step in first)
    grid = _grid()
    grid.add_row("suspect", f"{alarm.part} ({shift.plant.catalogue.part[alarm.part].description}) lot {alarm.lot}")
    grid.add_row("received", f"{pieces} pieces, this morning at goods-in")
    grid.add_row("where used", f"{', '.join(places)}, {started[0]:%H:%M} to {started[-1]:%H:%M}")
    grid.add_row("answered in", f"{affected.seconds * 1000:.0f} ms")
    return grid


def _grid() -> Table:
    grid = Table.grid(padding=(0, 2))
    grid.add_column(style="dim", no_wrap=True)
    grid.add_column()
    return grid


def _counts(affected: Affected) -> Table:
    table = Table(box=None, padding=(0, 3, 0, 0), pad_edge=False)
    groups = {**affected.counts["by_part"], **affected.counts["by_state"]}
    for name in ("", *groups, "all"):
        table.add_column(name, justify="right" if name else "left")
    for certainty in ("certain", "possible"):
        cells = [str(counted[certainty]) for counted in groups.values()]
        table.add_row(certainty, *cells, str(affected.counts[certainty]))
    return table


def _units(affected: Affected) -> Table:
    table = Table(box=None, padding=(0, 2, 0, 0), pad_edge=False)
    for name in ("unit", "", "now", "path"):
        table.add_column(name, no_wrap=name != "path")
    for row in (*affected.certain[:_FIRST], *affected.possible[:_FIRST]):
        at = datetime.fromisoformat(row["where_at"]).astimezone()
        now = f"{row['state']}, {row['where']} {at:%H:%M}"
        table.add_row(f"{row['part']} {row['serial']}", row["certainty"], now, in_words(row["path"]))
    return table


def in_words(path: Sequence[Mapping[str, Any]]) -> str:
    """The way from the suspect to the unit: into which position of what, step by step."""
    return ", then ".join(f"{step['position']} of {step['into']['part']} {step['into']['serial']}" for step in path)
