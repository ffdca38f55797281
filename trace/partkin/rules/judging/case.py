"""One message being judged: what it says, what is known, and what is found."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field

from partkin.rules.catalogue import Bill, Catalogue, Part, ScanPoint
from partkin.rules.facts import FACTS_PER_ENTRY, Fact, ItemKey, ItemKnown, LotNamed
from partkin.rules.known import Known
from partkin.rules.labels import Label
from partkin.rules.messages import Message
from partkin.rules.moments import Moment, day_of
from partkin.rules.reading import Item, ReadMessage, lacks_code
from partkin.rules.reasons import Reason
from partkin.rules.rows import ItemRow


@dataclass(slots=True)
class Case:
    """The facts found are those that hold if the message is accepted; `known` is not changed by finding them."""

    read: ReadMessage
    known: Known
    catalogue: Catalogue
    now: Moment
    entry: int
    clock_slack: Moment
    lay_out: Callable[[Label], object]
    """Raises LabelError where what is on a label does not fit it."""
    facts: list[Fact] = field(default_factory=list)
    reasons: list[Reason] = field(default_factory=list)
    warnings: list[Reason] = field(default_factory=list)
    """What the operator should know, though nothing speaks against the message."""
    subject: ItemKey | None = None
    """The unit or subassembly that the message is about."""
    doubtful: list[ItemKey] = field(default_factory=list)
    """What goes on hold for the reasons of a told message; the subject, where nothing is named."""
    leaving: set[int] = field(default_factory=set)
    """Marriages that this message ends or corrects: they no longer stand in its way."""
    listing: list[Fact] = field(default_factory=list)
    """What a containment case lists, drops, stops or lets go: facts for the entries that follow."""
    message: Message = field(init=False)
    """What was posted."""
    at: Moment = field(init=False)
    """When it happened, by the station."""
    scan_point: ScanPoint | None = field(init=False)
    """Where it happened; None where the catalogue does not know it."""
    _new: dict[ItemKey, ItemKnown] = field(default_factory=dict)
    _numbers: int = 0

    def __post_init__(self) -> None:
        self.message = self.read.message
        self.at = self.message.moment
        self.scan_point = self.catalogue.scan_point.get(self.message.scan_point or "")

    @property
    def at_rework(self) -> bool:
        """Whether it happens at a rework point."""
        return self.scan_point is not None and self.scan_point.kind == "rework"

    @property
    def at_packing(self) -> bool:
        """Whether it happens where packaging may be opened: at a pack point, or at a rework point."""
        return self.scan_point is not None and self.scan_point.kind in ("pack", "rework")

    def number(self) -> int:
        """The next number for a row made by this entry."""
        number = self.entry * FACTS_PER_ENTRY + self._numbers
        self._numbers += 1
        return number

    def because(self, type_: str, detail: str, pointer: str | None = None) -> None:
        """Note a reason; the same words once."""
        reason = Reason(type_, detail, pointer)
        if reason not in self.reasons:
            self.reasons.append(reason)

    def warn(self, type_: str, detail: str, pointer: str | None = None) -> None:
        """Note a warning."""
        self.warnings.append(Reason(type_, detail, pointer))

    def because_of(self, reasons: Iterable[Reason], pointer: str | None) -> None:
        """Note reasons that were found about an item, at the place where the message names it."""
        for reason in reasons:
            self.because(reason.type, reason.detail, pointer)

    # -- items

    def item(
        self, pointer: str, expected: frozenset[str] = frozenset(), *, also_whole_lots: bool = False
    ) -> Item | None:
        """The item named at a pointer. Notes why when there is none.

        Where labels of several parts look alike, the expected parts decide, then what the books know. A lot of
        serial-numbered items is one only where whole lots are meant too.
        """
        read = self.read.items[pointer]
        if isinstance(read, Reason):
            self.reasons.append(read)
            return None
        if len(read) > 1:
            read = tuple(item for item in read if item.key.part in expected) or read
        if len(read) > 1:
            read = tuple(item for item in read if item.key in self.known.items) or read
        if len(read) > 1:
            parts = ", ".join(sorted(item.key.part for item in read))
            self.because("unreadable", f"The label may be of any of these parts: {parts}.", pointer)
            return None
        part = self.part(read[0].key)
        if read[0].key.kind != part.trace and not also_whole_lots:
            self.because("unreadable", f"This is {self.title(part.part)}, but {lacks_code(part)}.", pointer)
            return None
        return read[0]

    def part(self, key: ItemKey) -> Part:
        """The part of an item."""
        return self.catalogue.part[key.part]

    def row(self, key: ItemKey) -> ItemRow | None:
        """The item in the books."""
        return self.known.items.get(key)

    def know(self, item: Item) -> None:
        """See to it that an item is in the books, and the lot that is named for it, by the first that names one."""
        row = self.row(item.key)
        if item.key in self._new or (row is not None and (item.of_lot is None or row.lot_id is not None)):
            return
        if item.of_lot is not None:
            self.know(Item(ItemKey(item.key.part, "lot", item.of_lot), None, item.produced_on, item.expires_on, None))
        if row is not None and item.of_lot is not None:
            self.facts.append(LotNamed(item.key, item.of_lot))
            return
        made = self.part(item.key).made
        fact = ItemKnown(
            self.number(),
            item.key,
            "in work" if made else "usable",
            item.of_lot,
            item.produced_on,
            item.expires_on,
            self.at if made else None,
        )
        self._new[item.key] = fact
        self.facts.append(fact)

    def is_new(self, key: ItemKey) -> bool:
        """Whether this message is the first to name an item."""
        return key in self._new or key not in self.known.items

    def bill(self, key: ItemKey) -> Bill:
        """The bill of materials of a built item: that of the (UTC) day on which it was started."""
        row = self.row(key)
        started = self.at if row is None or row.started_at is None else row.started_at
        return self.catalogue.bill(key.part, day_of(started))

    def title(self, part: str) -> str:
        """A part number with its description."""
        known = self.catalogue.part.get(part)
        return part if known is None else f"{part} ({known.description})"

    def name_of(self, item_id: int | None) -> str:
        """An item in words."""
        row = None if item_id is None else self.known.item.get(item_id)
        return "an unknown lot" if row is None else str(row.key)
