"""A second case, which is left frozen for whoever tries the service."""

from __future__ import annotations

from datetime import datetime

from partkin.command_line.demo.containment.checks import compare
from partkin.command_line.demo.containment.desk import CaseDesk
from partkin.command_line.demo.floor import Members
from partkin.command_line.demo.items import Item
from partkin.command_line.demo.plant import Label
from partkin.command_line.demo.work import Work


async def leave_open(work: Work, since: datetime) -> None:
    """Freeze a case about some serial numbers of a component, if any such unit is packed."""
    told = work.story.open_case
    components = [component for unit in _packed(work) if (component := _component(work, unit)) is not None]
    if not components:
        return
    first, last = components[-told.units :][0], components[-1]
    desk = CaseDesk(work, told.case, since)
    suspects: Members = {"serial_ranges": [{"part": first.part, "from": first.code, "to": last.code}]}
    await desk.open(told.title, suspects, told.reason, told.hazard, told.action_asked)
    await desk.freeze()
    units = {item.code for item in work.units.values() if _is_between(_component(work, item), first, last)}
    sold = {part for models in work.story.lines.values() for part in models}
    listed = {thing["serial"] for thing in await desk.things() if thing["part"] in sold}
    compare(f"{desk.case}, its units", listed, units)
    desk.tell(
        f"case {desk.case} is opened, frozen and left so: {first.part} {first.code} to {last.code}, "
        f"in {', '.join(sorted(units))}"
    )


def _packed(work: Work) -> list[Item]:
    """The units of the line that are packed and still here, in order."""
    line = work.story.open_case.line
    units = [work.units[line, ordinal] for ordinal in range(1, work.per_line[line] + 1)]
    return [unit for unit in units if unit.packed_in is not None and not _is_despatched(unit)]


def _is_despatched(unit: Item) -> bool:
    packed = unit.packed_in
    while packed is not None and packed.packed_in is not None:
        packed = packed.packed_in
    return packed is not None and bool(packed.shipment)


def _component(work: Work, unit: Item) -> Label | None:
    """What the unit was built with, also where it was replaced."""
    component = unit.inside.get(work.story.open_case.position)
    return work.plant.serial(component.part, unit.number) if isinstance(component, Label) else None


def _is_between(component: Label | None, first: Label, last: Label) -> bool:
    if component is None or component.part != first.part or len(component.code) != len(first.code):
        return False
    return first.code <= component.code <= last.code
