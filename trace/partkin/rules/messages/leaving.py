"""Labels, packing, shipping, and what comes back."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, Literal

from annotated_types import MaxLen, MinLen

from partkin.rules.facts import LabelKind, Symbol
from partkin.rules.messages.forms import MOST_COMPONENTS, AtScanPoint, Code, Envelope, ItemName, Words

MOST_LABELS = 100


@dataclass(frozen=True, slots=True, kw_only=True)
class LabelPrint(Envelope):
    """Labels are printed. Whoever prints one again says why."""

    scan_point: Code | None = None
    """Where the printer is."""
    items: Annotated[tuple[ItemName, ...], MinLen(1), MaxLen(MOST_LABELS)]
    """What the labels are of: one each."""
    label: LabelKind
    """Rating plate of a unit, label of a component or container, of a carton, of a pallet."""
    symbol: Symbol | None = None
    """How the code is printed; left out, as is usual for this label."""
    reason: Words | None = None
    """Why it is printed again."""
    kind: Literal["label-print"] = "label-print"


@dataclass(frozen=True, slots=True, kw_only=True)
class Packing(AtScanPoint):
    """Units, cartons or accessories go into packaging: all of them, or none."""

    into: ItemName | None = None
    """The carton or pallet; left out, a new one is begun under the next number."""
    packaging: Code | None = None
    """Part number of the packaging that is begun."""
    contents: Annotated[tuple[ItemName, ...], MinLen(1), MaxLen(MOST_COMPONENTS)]
    """What goes in."""
    kind: Literal["packing"] = "packing"

    def __post_init__(self) -> None:
        Envelope.__post_init__(self)
        if (self.into is None) == (self.packaging is None):
            raise ValueError("name either the carton or pallet (into), or what to begin (packaging)")


@dataclass(frozen=True, slots=True, kw_only=True)
class Shipment(AtScanPoint):
    """Units, cartons and pallets are loaded for a consignee, taken off again, and in the end despatched."""

    action: Literal["load", "unload", "despatch"]
    """Load or unload contents, or despatch all that is loaded."""
    shipment: Code
    """The plant's code for the shipment."""
    consignee: Code | None = None
    """Who receives it; to load."""
    contents: Annotated[tuple[ItemName, ...], MaxLen(MOST_COMPONENTS)] = ()
    """What is loaded or taken off."""
    delivery_note: Words | None = None
    """The paper; to despatch."""
    reason: Words | None = None
    """Why it is taken off."""
    kind: Literal["shipment"] = "shipment"

    def __post_init__(self) -> None:
        Envelope.__post_init__(self)
        if (self.action == "despatch") == bool(self.contents):
            raise ValueError("to load or unload, name the contents; despatch takes all that is loaded")
        if (self.action == "load") != (self.consignee is not None):
            raise ValueError("to load, name the consignee; the others go by the shipment alone")
        if (self.action == "unload") != (self.reason is not None):
            raise ValueError("to unload, give the reason")


@dataclass(frozen=True, slots=True, kw_only=True)
class CustomerReturn(AtScanPoint):
    """A unit that was shipped comes back."""

    unit: ItemName
    """The unit."""
    consignee: Code | None = None
    """Who sent it back."""
    reason: Words
    """Why."""
    kind: Literal["customer-return"] = "customer-return"
