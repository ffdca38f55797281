"""Answers about a case, compared with the floor's own notes."""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Mapping
from math import ceil, comb
from typing import Any

from partkin.command_line.demo.containment.desk import CaseDesk
from partkin.command_line.demo.containment.notes import Notes
from partkin.command_line.demo.floor import DemoFailed
from partkin.command_line.demo.plant import Label


def compare(question: str, answered: object, noted: object) -> None:
    """Raise DemoFailed where an answer is not what the floor noted."""
    if answered != noted:
        raise DemoFailed(f"{question}: the answer is {answered}, but the floor noted {noted}")


async def compare_preview(desk: CaseDesk, notes: Notes, suspects: Mapping[str, Any]) -> None:
    """What a freeze would stop is said before anything is done: units, and feeders at which the lot is up."""
    answer = await desk.work.floor.ask("/v1/preview", {"suspects": suspects})
    units = {item.code for item in notes.work.units.values()}
    affected = Counter(certainty for code, certainty in notes.affected([notes.lot.code]).items() if code in units)
    compare("preview, units", {name: answer["counts"][name] for name in affected}, dict(affected))
    up = [(point["scan_point"], point["lot"]) for point in answer["points_of_use"]]
    feeds = notes.work.supplies.feeds.values()
    noted = [(feed.scan_point, label.code) for feed in feeds for label in feed.labels if label in notes.containers]
    compare("preview, where the lot is up", up, noted)


async def compare_list(desk: CaseDesk, notes: Notes, lots: Collection[str]) -> None:
    """What the case lists while nothing was decided yet: no more and no less than it should, and only that is held."""
    things = await desk.things()
    serials = {thing["serial"]: thing for thing in things if "serial" in thing}
    expected = notes.affected(lots)
    compare(f"{desk.case}, its list", {code: thing["certainty"] for code, thing in serials.items()}, expected)
    held = {code for code, thing in serials.items() if thing["held"]}
    compare(f"{desk.case}, its holds", held, {code for code in expected if not notes.has_left(code)})
    compare(f"{desk.case}, holds on lots", {thing["held"] for thing in things if "lot" in thing}, {True})
    compare_truth(desk.case, serials, notes)


def compare_truth(case: str, serials: Mapping[str, Mapping[str, Any]], notes: Notes) -> None:
    """Whatever truly holds a piece of the lot is listed."""
    compare(f"{case}, what truly holds a piece and is not listed", notes.holding() - serials.keys(), set())


def compare_certain(serials: Mapping[str, Mapping[str, Any]], notes: Notes) -> None:
    """Nothing is certain that does not truly hold a piece."""
    certain = {code for code, thing in serials.items() if thing["certainty"] == "certain"}
    compare("what is certain without holding a piece", certain - notes.holding(), set())


async def compare_balance(desk: CaseDesk, notes: Notes, *, after_search: bool) -> None:
    """What the books cannot account for is what went missing, and the leads name the place."""
    for lot in (notes.lot, *notes.containers):
        answer = await desk.work.floor.get("/v1/mass-balance", part=lot.part, lot=lot.code)
        missing = notes.missing(lot) - (notes.found(lot) if after_search else 0) + notes.typed_too_many(lot)
        compare(f"{lot.code}, unaccounted", answer["unaccounted"]["pieces"], missing)
        lines = {name: line["pieces"] for name, line in answer.items() if isinstance(line, dict)}
        compare(f"{lot.code}, in stock", lines["in_stock"], notes.lying(lot) + notes.found(lot) * after_search)
        gone = sum(pieces for name, pieces in lines.items() if name not in ("received", "accounted", *_BESIDE))
        compare(f"{lot.code}, all that was received", gone, lines["received"])
        _compare_leads(lot, answer["leads"], notes)


_BESIDE = ("possibly_elsewhere",)


def _compare_leads(lot: Label, leads: list[dict[str, Any]], notes: Notes) -> None:
    left_over = {(lead["where"], lead["pieces"]) for lead in leads if lead["lead"] == "left over differs"}
    told = {(one.scan_point, one.pieces) for one in notes.work.story.missing if one.container == lot.code}
    compare(f"{lot.code}, where pieces went missing", left_over, told)


def drawn_of(population: int, confidence: float, fraction: float) -> int:
    """How many to draw, reckoned anew: none bad among them with less than this chance, if the fraction were bad."""
    bad = ceil(fraction * population)
    return next(
        n for n in range(1, population + 1) if comb(population - bad, n) <= (1 - confidence) * comb(population, n)
    )
