"""Building: units start, components go in and come out, orders and numbers ahead of them."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import Annotated, ClassVar, Literal

from annotated_types import Ge, Le, MaxLen, MinLen

from partkin.rules.facts import Destination
from partkin.rules.messages.forms import (
    FORM,
    LARGEST_WHOLE,
    MOST_COMPONENTS,
    AtScanPoint,
    Code,
    Envelope,
    ItemName,
    Quantity,
    Scan,
    Words,
)

MOST_NUMBERS = 1000
MOST_ORDERS = 1000


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitStart(AtScanPoint):
    """A unit, or a subassembly, comes into being under its serial number."""

    part: Code
    """Part number of what is built."""
    serial: Scan | None = None
    """Its serial number as scanned or written; left out, the next number is issued with its check character."""
    kind: Literal["unit-start"] = "unit-start"


@dataclass(frozen=True, slots=True, kw_only=True)
class Component:
    """One scanned component."""

    __pydantic_config__: ClassVar = FORM

    item: ItemName
    """What was scanned."""
    position: Code | None = None
    """Position that it goes to; left out, the first one here that takes it and has room."""
    slot: Quantity | None = None
    """Slot within the position, from 1; left out, the first free one."""
    quantity: Quantity | None = None
    """Pieces of a lot; left out, as many as the position still lacks. A serial item is always one."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Marriage(AtScanPoint):
    """Components go into a unit: all of them, or none. Lots loaded at the scan point go in without a scan."""

    unit: ItemName
    """The unit or subassembly that receives them."""
    components: Annotated[tuple[Component, ...], MaxLen(MOST_COMPONENTS)] = ()
    """What was scanned into it; may be empty where the scan point only fills positions from loaded lots."""
    kind: Literal["marriage"] = "marriage"


@dataclass(frozen=True, slots=True, kw_only=True)
class Removal(AtScanPoint):
    """A component comes out of a unit."""

    unit: ItemName
    """The unit or subassembly that it comes out of."""
    component: ItemName | None = None
    """What comes out; either this or a position."""
    position: Code | None = None
    """Position that is emptied; together with a component it says from which of several."""
    slot: Quantity | None = None
    """Slot within the position."""
    reason: Words
    """Why, in a few words or a code of the plant."""
    destination: Destination = "stock"
    """Where it goes."""
    replacement: Component | None = None
    """What goes in instead, at once; left out, the position stays empty."""
    kind: Literal["removal"] = "removal"

    def __post_init__(self) -> None:
        Envelope.__post_init__(self)
        if self.component is None and self.position is None:
            raise ValueError("say what comes out: a component, a position, or both")


@dataclass(frozen=True, slots=True, kw_only=True)
class OrderedPart:
    """Which of the parts that a position takes is ordered."""

    __pydantic_config__: ClassVar = FORM

    position: Code
    """Position of the unit."""
    part: Code
    """Part number."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Order:
    """Units to be built: one of a serial number, or some of a part."""

    __pydantic_config__: ClassVar = FORM

    order: Code
    """The plant's code for it; posted again, it replaces what was said before."""
    sequence: Annotated[int, Ge(0), Le(LARGEST_WHOLE)]
    """The lower comes first."""
    part: Code
    """Part number of the model."""
    serial: Code | None = None
    """Serial number that the unit will bear, where it is known ahead."""
    quantity: Annotated[int, Ge(0), Le(1_000_000)] = 1
    """Units; 0 cancels what has not been started."""
    due: date | None = None
    """Day on which it is due."""
    parts: Annotated[tuple[OrderedPart, ...], MaxLen(MOST_COMPONENTS)] = ()
    """Positions that take one part only in these units."""

    def __post_init__(self) -> None:
        if self.serial is not None and self.quantity > 1:
            raise ValueError(f"serial is of one unit, but quantity is {self.quantity}")


@dataclass(frozen=True, slots=True, kw_only=True)
class BuildOrder(Envelope):
    """What a line builds next, posted ahead."""

    scan_point: Code | None = None
    """Where it was said."""
    line: Code
    """The line."""
    orders: Annotated[tuple[Order, ...], MinLen(1), MaxLen(MOST_ORDERS)]
    """The orders that are new or have changed; the others stay as they are."""
    kind: Literal["build-order"] = "build-order"

    def __post_init__(self) -> None:
        Envelope.__post_init__(self)
        if len({order.order for order in self.orders}) != len(self.orders):
            raise ValueError("an order stands twice in orders")


@dataclass(frozen=True, slots=True, kw_only=True)
class NumberBlock(Envelope):
    """Serial numbers are reserved: for a line that must go on offline, or for labels that are printed ahead."""

    scan_point: Code | None = None
    """For which scan point."""
    part: Code
    """Part number of what will bear them."""
    count: Annotated[int, Ge(1), Le(MOST_NUMBERS)]
    """How many."""
    reason: Words
    """What for."""
    kind: Literal["number-block"] = "number-block"
