"""Wrong labels, wrong stations, and the same message twice."""

from __future__ import annotations

from collections.abc import Mapping

from partkin.command_line.demo.floor import Answer, DemoFailed, Members, Station
from partkin.command_line.demo.items import Item
from partkin.command_line.demo.plant import Label
from partkin.command_line.demo.told import Incident
from partkin.command_line.demo.work import Work


async def scan_wrongly(work: Work, station: Station, item: Item, scans: Mapping[str, str], incident: Incident) -> None:
    """Scan a wrong label first, where the incident is of that kind; the service refuses it."""
    match incident.what:
        case "wrong-part":
            wrong = work.plant.serial(incident.part, item.number).scan
        case "check-character-wrong":
            right = scans[incident.position]
            wrong = right[:-1] + ("7" if right[-1] != "7" else "1")
        case "already-installed":
            before = work.units[incident.line, item.ordinal - 1].inside[incident.position]
            wrong = work.scan(station, before)
        case _:
            return
    when = work.when(station, item, 0.2)
    tried = work.marriage(station, item, {**scans, incident.position: wrong})
    answer = await station.ask("marriage", when, refused=incident.what, **tried)
    work.floor.tell_refused(station, item, when, answer, incident.what)


async def try_test(work: Work, item: Item, code: str, reason: str) -> None:
    """Bring a unit to a test before its time; the service refuses it."""
    station = work.floor.station(code)
    plan = next(iter(work.story.tests[code]))
    async with station.busy:
        when = work.when(station, item, 0.2)
        answer = await station.ask("test-run", when, refused=reason, **work.test_run(item, plan, station))
    work.floor.tell_refused(station, item, when, answer, reason)


async def miss_test(work: Work, item: Item, incident: Incident) -> None:
    """Notice at a later station that a test was left out, and go back for it."""
    await try_test(work, item, incident.ahead, incident.what)
    await try_packing(work, item, incident.what)
    item.left_out = None
    await work.test(incident.at, item, incident.plan)


async def try_packing(work: Work, item: Item, reason: str) -> None:
    """Try to pack a unit that may not leave; the service refuses it."""
    station = work.pack_point(item)
    async with station.busy:
        await try_packing_at(work, station, item, reason)


async def try_packing_at(work: Work, station: Station, item: Item, reason: str) -> None:
    """The same at a pack point that works on nothing else."""
    when = work.when(station, item, 0.1)
    members: Members = {"packaging": work.story.dispatch.cartons[item.part], "contents": [work.scan(station, item)]}
    answer = await station.ask("packing", when, refused=reason, **members)
    work.floor.tell_refused(station, f"{item} into a carton", when, answer, reason)


async def repeat(work: Work, station: Station, item: Item, first: Answer) -> None:
    """Send a message again, as a station does whose connection broke before the answer came."""
    again = await work.floor.post(first.message)
    if (again.status, again.body) != (first.status, first.body):
        raise DemoFailed(f"the repeat of {first.message} was answered with {again.status} {again.content}")
    words = f"{item}: the answer got lost, the same message again: the same {len(again.body)} bytes, recorded once"
    work.floor.tell(item.ready, station.code, words)


# -- a label that was taken for another one, and noticed later


def mistaken(work: Work, item: Item, position: str) -> Label:
    """The component beside the one that goes in, which is scanned in its place: that of the next number."""
    place = next(one for one in work.plant.positions(item.part) if one.position == position)
    return work.plant.component(place, item.number + 1)


def note_mistake(item: Item, position: str, wrong: Label, answer: Answer) -> None:
    """Keep what was recorded wrongly, until somebody finds it."""
    number = answer.fact("married", child={"part": wrong.part, "serial": wrong.code})["number"]
    item.misread[position] = (wrong, number)


async def correct_mistake(work: Work, bench: Station, unit: Item, holder: Item, position: str) -> None:
    """Find at a bench that another component is in there than the books say, and correct them."""
    true = holder.inside[position]
    wrong, number = holder.misread.pop(position)
    tried = {"unit": work.scan(bench, holder), "component": work.scan(bench, true), "reason": "To be replaced"}
    when = work.when(bench, unit, 0.1)
    answer = await bench.ask("removal", when, refused="not-installed", **tried)
    work.floor.tell_refused(bench, f"{holder}, removal of {true.part} {true.code}", when, answer, "not-installed")
    correction = {"component": work.scan(bench, true), "reason": "The label of the motor beside it was read"}
    await bench.ask("correction", work.when(bench, unit, 0.1), wrong=number, **correction)
    words = f"{holder}: corrected, {position} is {true.part} {true.code} and never was {wrong.code}"
    work.floor.tell(unit.ready, bench.code, words)
