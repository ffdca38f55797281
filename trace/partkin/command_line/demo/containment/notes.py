"""The floor's own notes of the bad lot: what truly holds a piece of it, what may, and what lies where."""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Iterator
from functools import cached_property

from partkin.command_line.demo.alarm import remembered, remembered_modules
from partkin.command_line.demo.items import Item, Packed
from partkin.command_line.demo.plant import Label
from partkin.command_line.demo.shift import Shift


class Notes:
    """What was written down in the shift. Of containers that are up together the first one is used up first."""

    def __init__(self, shift: Shift) -> None:
        self.shift = shift
        self.work = shift.work
        self.alarm = self.work.story.alarm
        self.lot = self.work.plant.lot(self.alarm.part, self.alarm.lot)
        self.containers = [
            container
            for container in self.work.supplies.transferred
            if container.part == self.alarm.part and self.lot in self.work.plant.sources(container)
        ]
        """Those that pieces of the lot were put into."""

    # -- units and modules

    @cached_property
    def items(self) -> dict[str, Item]:
        """Every unit, and every module that takes pieces of the part, by serial number."""
        units = list(self.work.units.values())
        contents = [*(unit.inside for unit in units), *(scanned for _, scanned, _ in self.work.late)]
        inside = [one for inside in contents for one in inside.values() if isinstance(one, Item)]
        return {item.code: item for item in (*units, *inside, *self.shift.stock)}

    def affected(self, lots: Collection[str]) -> dict[str, str]:
        """Serial numbers of units and modules that some lots affect, with their certainty."""
        drawn, holders = self.work.floor.drawn, self.work.floor.holders
        units = remembered(self.work.plant, drawn, holders, lots)
        modules = remembered_modules(self.work.plant, drawn, lots)
        certain, possible = ({code for _, code in units[place]} | modules[place] for place in range(2))
        return {**dict.fromkeys(possible, "possible"), **dict.fromkeys(certain, "certain")}

    def holding(self) -> set[str]:
        """Units and modules that truly hold, or held, a piece of the lot."""
        modules = {module for module, lot in self._true_lot.items() if lot == self.lot}
        return modules | {code for module in modules for _, code in self.work.floor.holders.get(module, ())}

    def has_left(self, code: str) -> bool:
        """Whether a unit or module is no longer in the plant's hands."""
        item = self.items[code]
        around = (unit for _, holder in self.work.floor.holders.get(code, ()) if (unit := self.items[holder]) != item)
        return _has_left(item) or any(_has_left(unit) and item in unit.inside.values() for unit in around)

    def booked_on(self, code: str) -> Label:
        """The container that a module's piece is booked on: the one that was up, or up first."""
        return self._first_up[code]

    def is_of_lot(self, container: Label) -> bool:
        """Whether nothing but the lot was put into a container."""
        return list(self.work.plant.sources(container)) == [self.lot]

    @cached_property
    def _first_up(self) -> dict[str, Label]:
        draws = [draw for of_position in self.work.floor.drawn.values() for draw in of_position]
        return {module: labels[0] for module, labels in draws if labels[0].part == self.alarm.part}

    @cached_property
    def _true_lot(self) -> dict[str, Label]:
        """The lot of the piece in each module: of what was put into a container last, it is taken first."""
        layers: dict[Label, Iterator[Label]] = {}
        lots: dict[str, Label] = {}
        for module, container in self._first_up.items():
            lots[module] = next(layers.setdefault(container, self._layers(container)))
        return lots

    def _layers(self, container: Label) -> Iterator[Label]:
        portions = self.work.supplies.transferred.get(container)
        if portions is None:
            while True:
                yield container
        for lot, pieces in reversed(portions.items()):
            for _ in range(pieces):
                yield lot

    # -- who has them

    def consignees(self, codes: Collection[str]) -> dict[str, list[Item]]:
        """Who received which of some units."""
        items, shipping = self.items, self.shift.shipping
        received: dict[str, list[Item]] = {}
        for shipment, units in shipping.left.items():
            for code in sorted(units & set(codes)):
                received.setdefault(shipping.received_by[shipment], []).append(items[code])
        return received

    # -- pieces

    def missing(self, container: Label) -> int:
        """Pieces that went out of a container without a record, as long as they are not found."""
        return sum(one.pieces for one in self.work.story.missing if one.container == container.code)

    def found(self, container: Label) -> int:
        """Those of them that somebody finds."""
        return sum(one.pieces for one in self.work.story.missing if one.container == container.code and one.found_at)

    def typed_too_many(self, lot: Label) -> int:
        """Pieces that the books have in a container, but that never went in; fewer than none: in the lot."""
        told = self.work.story.miscounted
        if lot == self.lot:
            return -sum(told.fewer for container in self.containers if container.code == told.container)
        return told.fewer if lot.code == told.container else 0

    def lying(self, lot: Label) -> int:
        """Pieces of the lot as it came, or in a container, that lie in stock when they are counted first."""
        if lot == self.lot:
            typed = sum(portions.get(lot, 0) for portions in self.work.supplies.transferred.values())
            return self.work.supplies.pieces[lot] - typed - self.typed_too_many(lot)
        drawn = Counter(self._first_up.values())[lot]
        put_in = sum(self.work.supplies.transferred[lot].values()) - self.typed_too_many(lot)
        return put_in - drawn - self.missing(lot)


def _has_left(item: Item) -> bool:
    top: Packed | None = item.packed_in
    while top is not None and top.packed_in is not None:
        top = top.packed_in
    return item.scrapped or (top is not None and bool(top.shipment))
