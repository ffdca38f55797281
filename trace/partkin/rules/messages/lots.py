"""Lots: received, split and merged, put up at points of use."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import Annotated, ClassVar, Literal

from annotated_types import Ge, Le, MaxLen, MinLen

from partkin.rules.messages.forms import FORM, MOST_COMPONENTS, AtScanPoint, Code, Envelope, ItemName, Quantity, Words

MOST_SERIALS = 1000


@dataclass(frozen=True, slots=True, kw_only=True)
class Receipt(Envelope):
    """Parts come in from a supplier: a lot with its quantity, or single serial numbers."""

    scan_point: Code | None = None
    """Where they were booked in."""
    part: Code
    """Part number."""
    supplier: Code
    """Who delivered them."""
    lot: Code | None = None
    """Lot; either this, or serial numbers, or both where the serial numbers belong to one lot."""
    serials: Annotated[tuple[Code, ...], MaxLen(MOST_SERIALS)] = ()
    """Serial numbers received."""
    quantity: Quantity | None = None
    """Pieces received; for serial numbers their count."""
    produced_on: date | None = None
    """Day of production by the supplier."""
    expires_on: date | None = None
    """Last day on which it may be used."""
    delivery_note: Words | None = None
    """The supplier's paper."""
    kind: Literal["receipt"] = "receipt"

    def __post_init__(self) -> None:
        Envelope.__post_init__(self)
        if self.lot is None and not self.serials:
            raise ValueError("say what was received: a lot, serials, or both")
        if len(set(self.serials)) != len(self.serials):
            raise ValueError("a serial number stands twice in serials")
        if self.serials and self.quantity not in (None, len(self.serials)):
            raise ValueError(f"quantity is {self.quantity}, but there are {len(self.serials)} serials")
        if not self.serials and self.quantity is None:
            raise ValueError("give the quantity of the lot, in pieces")


@dataclass(frozen=True, slots=True, kw_only=True)
class Portion:
    """Pieces of a lot."""

    __pydantic_config__: ClassVar = FORM

    lot: ItemName
    """The lot, or a container of it."""
    quantity: Quantity
    """Pieces."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LotTransfer(Envelope):
    """Pieces go from lots into a container with its own label: a lot is split, or lots are merged."""

    scan_point: Code | None = None
    """Where."""
    sources: Annotated[tuple[Portion, ...], MinLen(1), MaxLen(MOST_COMPONENTS)]
    """What goes in."""
    into: ItemName
    """The container: a lot of the same part, new or with something in it."""
    kind: Literal["lot-transfer"] = "lot-transfer"


@dataclass(frozen=True, slots=True, kw_only=True)
class LotLoading(AtScanPoint):
    """A lot is put up at a feeder of a point of use in place of what was there, or the feeder is emptied."""

    lot: ItemName | None = None
    """The lot put up; left out, the point of use is emptied, and the position must be named."""
    position: Code | None = None
    """Position that it feeds; left out, the only one here that takes this part."""
    feeder: Code = "1"
    """Which of several feeders; a unit may have taken its pieces from any that is loaded."""
    quantity: Quantity | None = None
    """Pieces in the container that is put up; left out, nobody counts them."""
    returned: Annotated[int, Ge(0), Le(1_000_000_000)] | None = None
    """Pieces that were left in what was there, and went back to stock."""
    kind: Literal["lot-loading"] = "lot-loading"

    def __post_init__(self) -> None:
        Envelope.__post_init__(self)
        if self.lot is None and self.position is None:
            raise ValueError("to empty a point of use, name its position; to load it, name the lot")
        if self.lot is None and self.quantity is not None:
            raise ValueError("quantity is of the lot that is put up, but there is none; what was left is returned")
