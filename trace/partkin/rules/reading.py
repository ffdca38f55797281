"""Reading a message against the catalogue: which items it names, and so what must be known to judge it."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from datetime import date
from functools import cached_property

from partkin.rules.catalogue import Catalogue, Part
from partkin.rules.facts import ItemKey
from partkin.rules.identification import Labels, Named, ScanError, name_item, read_scan
from partkin.rules.messages import (
    Hold,
    ItemName,
    LotLoading,
    Marriage,
    Message,
    NamedItem,
    Receipt,
    Removal,
    TestRun,
    UnitStart,
    printable,
)
from partkin.rules.moments import Moment
from partkin.rules.reasons import Reason


@dataclass(frozen=True)
class Rulebook:
    """The catalogue, and its labels ready for reading."""

    catalogue: Catalogue

    @cached_property
    def labels(self) -> Labels:
        """The label rules of all parts."""
        return Labels(self.catalogue.parts)


@dataclass(frozen=True, slots=True)
class Item:
    """An item that a message names."""

    key: ItemKey
    of_lot: str | None
    produced_on: date | None
    expires_on: date | None
    quantity: int | None


@dataclass(frozen=True, slots=True)
class ReadMessage:
    """A message with what each of its item names may stand for: several where labels of several parts look alike."""

    message: Message
    revision: int
    """Of the catalogue that it was read against."""
    items: dict[str, tuple[Item, ...] | Reason]
    """By JSON pointer."""


def item_names(message: Message) -> Iterator[tuple[str, ItemName]]:
    """The item names of a message, with their JSON pointers."""
    match message:
        case UnitStart(serial=serial) if serial is not None:
            yield "/serial", serial
        case Marriage(unit=unit, components=components):
            yield "/unit", unit
            for place, component in enumerate(components):
                yield f"/components/{place}/item", component.item
        case Removal(unit=unit, component=taken):
            yield "/unit", unit
            if taken is not None:
                yield "/component", taken
        case LotLoading(lot=lot) if lot is not None:
            yield "/lot", lot
        case TestRun(unit=unit):
            yield "/unit", unit
        case Hold(item=item) if item is not None:
            yield "/item", item
        case _:
            return


def read_message(message: Message, rulebook: Rulebook) -> ReadMessage:
    """Read every item name of a message."""
    today = message.occurred_at.date()
    items = {pointer: _read(name, pointer, rulebook, today) for pointer, name in item_names(message)}
    if isinstance(message, UnitStart) and message.serial is not None:
        items["/serial"] = _serial(message, items["/serial"], rulebook)
    return ReadMessage(message, rulebook.catalogue.revision, items)


def _serial(message: UnitStart, read: tuple[Item, ...] | Reason, rulebook: Rulebook) -> tuple[Item, ...] | Reason:
    """The serial number of a unit that starts: by its label rule, or as written where the part has none."""
    part = rulebook.catalogue.part.get(message.part)
    if isinstance(read, Reason):
        plain = part is not None and part.label_pattern is None and read.type == "unknown-part"
        return (_bare(ItemKey(message.part, "serial", str(message.serial))),) if plain else read
    fitting = tuple(item for item in read if item.key.part == message.part)
    if fitting:
        return fitting
    return Reason(
        "wrong-part", f"This is a label of {read[0].key.part}, but {message.part} is started here.", "/serial"
    )


def _bare(key: ItemKey) -> Item:
    return Item(key, None, None, None, None)


def _read(name: ItemName, pointer: str, rulebook: Rulebook, today: date) -> tuple[Item, ...] | Reason:
    if isinstance(name, NamedItem):
        return _written(name, pointer, rulebook.catalogue)
    try:
        named = name_item(read_scan(name), rulebook.labels, today=today)
    except ScanError as error:
        return Reason(error.reason, error.detail, pointer)
    items = tuple(item for one in named if (item := _labelled(one, rulebook.catalogue)) is not None)
    if items:
        return items
    part = rulebook.catalogue.part[named[0].part]
    return Reason("unreadable", f"The label is of {_title(part)}, but {lacks_code(part)}.", pointer)


def _written(name: NamedItem, pointer: str, catalogue: Catalogue) -> tuple[Item, ...] | Reason:
    part = catalogue.part.get(name.part)
    if part is None:
        return Reason("unknown-part", f"The catalogue has no part {name.part}.", pointer)
    key = _key(part, name.serial, name.lot)
    if key is None:
        return Reason("unreadable", f"{_title(part)} is given, but {lacks_code(part)}.", pointer)
    return (_bare(key),)


def _labelled(named: Named, catalogue: Catalogue) -> Item | None:
    key = _key(catalogue.part[named.part], named.serial, named.lot)
    of_lot = named.lot if key is not None and key.kind == "serial" else None
    if key is None or not (printable(key.code) and printable(of_lot or "")):
        return None
    return Item(key, of_lot, named.produced_on, named.expires_on, named.quantity)


def _key(part: Part, serial: str | None, lot: str | None) -> ItemKey | None:
    """The item by its part's trace level; a lot of serial-numbered items is one too, though no component by itself."""
    if part.trace == "serial" and serial is not None:
        return ItemKey(part.part, "serial", serial)
    if part.trace != "none" and lot is not None:
        return ItemKey(part.part, "lot", lot)
    return None


def _title(part: Part) -> str:
    return f"{part.part} ({part.description})"


def lacks_code(part: Part) -> str:
    """What a label lacks that does not name an item of a part, in words."""
    return {"serial": "no serial number is named", "lot": "no lot is named", "none": "it is not traced"}[part.trace]


@dataclass(slots=True)
class Wanted:
    """What must be known to judge a batch of messages."""

    items: set[ItemKey] = field(default_factory=set)
    whole: set[ItemKey] = field(default_factory=set)
    """Built items of which everything inside must be known too."""
    since: Moment = 0
    """Marriages and loadings that ended before this moment do not matter."""
    scan_points: set[str] = field(default_factory=set)
    """Whose points of use must be known."""
    loads: set[str] = field(default_factory=set)
    """Scan points where a lot is loaded: what was drawn there matters too."""
    marriages: set[int] = field(default_factory=set)
    holds: set[int] = field(default_factory=set)
    numbered: Counter[str] = field(default_factory=Counter)
    """Parts of which serial numbers are issued, and how many."""
    receipts: set[ItemKey] = field(default_factory=set)
    """Lots that a receipt names."""


def what_is_wanted(messages: Iterable[ReadMessage], catalogue: Catalogue) -> Wanted:
    """All that judging these messages may look at."""
    wanted = Wanted()
    moments = []
    for read in messages:
        message = read.message
        moments.append(message.moment)
        for pointer, items in read.items.items():
            if not isinstance(items, Reason):
                _want_items(
                    wanted,
                    items,
                    catalogue,
                    whole=pointer != "/unit" or _may_finish(message, items, catalogue),
                )
        match message:
            case UnitStart(serial=None):
                wanted.numbered[message.part] += 1
            case Marriage():
                wanted.scan_points.add(message.scan_point)
            case LotLoading():
                wanted.scan_points.add(message.scan_point)
                wanted.loads.add(message.scan_point)
            case Receipt():
                if message.lot is not None:
                    wanted.items.add(ItemKey(message.part, "lot", message.lot))
                    wanted.receipts.add(ItemKey(message.part, "lot", message.lot))
                wanted.items.update(ItemKey(message.part, "serial", serial) for serial in message.serials)
            case Hold(hold=int() as hold):
                wanted.holds.add(hold)
    wanted.since = min(moments)
    return wanted


def _want_items(wanted: Wanted, items: tuple[Item, ...], catalogue: Catalogue, *, whole: bool) -> None:
    for item in items:
        wanted.items.add(item.key)
        if item.of_lot is not None:
            wanted.items.add(ItemKey(item.key.part, "lot", item.of_lot))
        if whole and catalogue.part[item.key.part].made:
            wanted.whole.add(item.key)


def _may_finish(message: Message, items: tuple[Item, ...], catalogue: Catalogue) -> bool:
    """Whether a message may leave its unit finished, so that all that is inside must be looked at."""
    return any(may_finish_at(catalogue, item.key.part, message.scan_point) for item in items)


def may_finish_at(catalogue: Catalogue, part: str, scan_point: str | None) -> bool:
    """A built item is finished at the last step of its route, or at a rework point."""
    point = catalogue.scan_point.get(scan_point or "")
    if point is None:
        return False
    route = catalogue.route.get(part, ())
    return point.kind == "rework" or any(
        step.scan_point == scan_point and step.step == route[-1].step for step in route
    )
