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
    BuildOrder,
    CaseDecision,
    Containment,
    Correction,
    CustomerReturn,
    Disposition,
    Hold,
    Inspection,
    ItemName,
    LabelPrint,
    LotLoading,
    LotTransfer,
    Marriage,
    Message,
    NamedItem,
    Notice,
    NumberBlock,
    Packing,
    Receipt,
    Removal,
    Shipment,
    Sorting,
    StockCount,
    TestRun,
    UnitStart,
    printable,
)
from partkin.rules.moments import Moment
from partkin.rules.numbering import period
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


def item_names(message: Message) -> Iterator[tuple[str, ItemName]]:  # noqa: C901 - one case a kind of message
    """The item names of a message, with their JSON pointers."""
    match message:
        case UnitStart(serial=serial):
            yield from _given(("/serial", serial))
        case Marriage(unit=unit, components=components):
            yield "/unit", unit
            yield from _each("/components", (component.item for component in components), "/item")
        case Removal(unit=unit, component=taken, replacement=replacement):
            yield "/unit", unit
            yield from _given(
                ("/component", taken), ("/replacement/item", None if replacement is None else replacement.item)
            )
        case LotLoading(lot=lot):
            yield from _given(("/lot", lot))
        case LotTransfer(sources=sources, into=into):
            yield from _each("/sources", (source.lot for source in sources), "/lot")
            yield "/into", into
        case TestRun(unit=unit) | CustomerReturn(unit=unit):
            yield "/unit", unit
        case Hold(item=item) | Disposition(item=item) | Inspection(item=item):
            yield from _given(("/item", item))
        case StockCount(lot=lot):
            yield "/lot", lot
        case CaseDecision(items=items):
            yield from _each("/items", items)
        case Correction(unit=unit, component=component, lot=lot):
            yield from _given(("/unit", unit), ("/component", component), ("/lot", lot))
        case LabelPrint(items=items):
            yield from _each("/items", items)
        case Packing(into=into, contents=contents):
            yield from _given(("/into", into))
            yield from _each("/contents", contents)
        case Shipment(contents=contents):
            yield from _each("/contents", contents)
        case _:
            return


def _given(*names: tuple[str, ItemName | None]) -> Iterator[tuple[str, ItemName]]:
    for pointer, name in names:
        if name is not None:
            yield pointer, name


def _each(pointer: str, names: Iterable[ItemName], member: str = "") -> Iterator[tuple[str, ItemName]]:
    for place, name in enumerate(names):
        yield f"{pointer}/{place}{member}", name


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
    stopped: set[ItemKey] = field(default_factory=set)
    """Items on which a hold is placed: what leaves meanwhile must see it."""
    wrong: set[int] = field(default_factory=set)
    """Rows that a correction names: marriages, removals, loadings, test runs."""
    numbered: Counter[tuple[str, str]] = field(default_factory=Counter)
    """Schemes and periods of which numbers are issued, and how many at most."""
    receipts: set[ItemKey] = field(default_factory=set)
    """Lots that a receipt names."""
    instruments: set[str] = field(default_factory=set)
    attachments: set[str] = field(default_factory=set)
    printed: set[ItemKey] = field(default_factory=set)
    """Items whose labels are printed."""
    orders: set[str] = field(default_factory=set)
    lines: Counter[str] = field(default_factory=Counter)
    """Lines on which units are started, and how many."""
    shipments: set[str] = field(default_factory=set)
    despatched: set[str] = field(default_factory=set)
    """Shipments of which everything that is on them must be known."""
    shipment_lines: set[int] = field(default_factory=set)
    beside: bool = False
    """Whether the content of what holds them is asked about too."""
    shipping: set[ItemKey] = field(default_factory=set)
    """Items of which it matters whether they are on a shipment."""
    cases: set[str] = field(default_factory=set)
    case_items: set[int] = field(default_factory=set)
    sortings: set[str] = field(default_factory=set)
    watching: bool = False
    """Whether it matters what frozen cases list."""


def what_is_wanted(messages: Iterable[ReadMessage], catalogue: Catalogue) -> Wanted:
    """All that judging these messages may look at."""
    wanted = Wanted(watching=True)
    moments = []
    for read in messages:
        moments.append(read.message.moment)
        for pointer, items in read.items.items():
            if not isinstance(items, Reason):
                whole = pointer != "/unit" or _whole_unit(read.message, items, catalogue)
                _want_items(wanted, items, catalogue, whole=whole)
        _want(wanted, read, catalogue)
    wanted.since = min(moments)
    return wanted


def _want(wanted: Wanted, read: ReadMessage, catalogue: Catalogue) -> None:  # noqa: C901 - one case a kind of message
    message = read.message
    match message:
        case UnitStart():
            _want_numbers(wanted, message.part, 1, message.occurred_at.date(), catalogue)
            point = catalogue.scan_point.get(message.scan_point)
            if point is not None:
                wanted.lines[point.line] += 1
        case NumberBlock():
            _want_numbers(wanted, message.part, message.count, message.occurred_at.date(), catalogue)
        case Marriage():
            wanted.scan_points.add(message.scan_point)
            wanted.shipping |= _shippable(read, "/components/", catalogue)
        case Removal():
            wanted.shipping |= _shippable(read, "/replacement/", catalogue)
        case LotLoading():
            wanted.scan_points.add(message.scan_point)
            wanted.loads.add(message.scan_point)
        case Receipt():
            if message.lot is not None:
                wanted.items.add(ItemKey(message.part, "lot", message.lot))
                wanted.receipts.add(ItemKey(message.part, "lot", message.lot))
            wanted.items.update(ItemKey(message.part, "serial", serial) for serial in message.serials)
        case TestRun():
            wanted.instruments.add(message.instrument)
            wanted.attachments.update(message.attachments)
        case Hold(hold=int() as hold):
            wanted.holds.add(hold)
        case Hold():
            wanted.stopped |= _keys(read)
        case LabelPrint():
            wanted.printed |= _keys(read)
        case Correction():
            wanted.wrong.add(message.wrong)
        case BuildOrder():
            wanted.orders.update(order.order for order in message.orders)
        case Packing():
            wanted.shipping |= _keys(read)
            if message.packaging is not None:
                _want_numbers(wanted, message.packaging, 1, message.occurred_at.date(), catalogue)
        case Shipment():
            wanted.shipping |= _keys(read)
            wanted.shipments.add(message.shipment)
            if message.action == "despatch":
                wanted.despatched.add(message.shipment)
        case Disposition() | CustomerReturn():
            wanted.shipping |= _keys(read)
        case Containment() | Notice():
            wanted.cases.add(message.case)
        case CaseDecision():
            wanted.cases.add(message.case)
            wanted.stopped |= _keys(read)
            if message.sorting is not None:
                wanted.sortings.add(message.sorting)
        case Sorting():
            wanted.cases.add(message.case)
            wanted.sortings.add(message.sorting)
        case Inspection():
            wanted.cases.add(message.case)
            wanted.sortings.add(message.sorting)
            wanted.attachments.update(message.attachments)


def _keys(read: ReadMessage) -> set[ItemKey]:
    return {item.key for items in read.items.values() for item in _each_of(items)}


def _shippable(read: ReadMessage, place: str, catalogue: Catalogue) -> set[ItemKey]:
    """Units and packaging among the items that are named at a place."""
    named = (item.key for pointer, items in read.items.items() if pointer.startswith(place) for item in _each_of(items))
    return {key for key in named if (part := catalogue.part[key.part]).sold or part.packaging}


def _each_of(items: tuple[Item, ...] | Reason) -> tuple[Item, ...]:
    return () if isinstance(items, Reason) else items


def _want_numbers(wanted: Wanted, part: str, count: int, day: date, catalogue: Catalogue) -> None:
    """A unit that starts under a given number counts too: it may take one of those that come next."""
    numbering = catalogue.numbering_of(part)
    if numbering is not None:
        wanted.numbered[numbering.scheme, period(numbering, day)] += count


def _want_items(wanted: Wanted, items: tuple[Item, ...], catalogue: Catalogue, *, whole: bool) -> None:
    for item in items:
        wanted.items.add(item.key)
        if item.of_lot is not None:
            wanted.items.add(ItemKey(item.key.part, "lot", item.of_lot))
        if whole and catalogue.part[item.key.part].made:
            wanted.whole.add(item.key)


def _whole_unit(message: Message, items: tuple[Item, ...], catalogue: Catalogue) -> bool:
    """Whether all that is inside the unit of a message must be looked at."""
    if isinstance(message, CustomerReturn | Correction):
        return True
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
