"""What people decide: holds, dispositions, corrections."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, Literal

from annotated_types import Ge, Le

from partkin.rules.facts import Destination
from partkin.rules.messages.forms import LARGEST_WHOLE, Code, Envelope, ItemName, Number, Quantity, Words


@dataclass(frozen=True, slots=True, kw_only=True)
class Hold(Envelope):
    """A named stop on an item or a lot, or its release."""

    scan_point: Code | None = None
    """Where, if it was at a scan point."""
    action: Literal["place", "release"]
    """Place a hold on an item, or release one."""
    item: ItemName | None = None
    """What is stopped; to place."""
    hold: Annotated[int, Ge(1), Le(LARGEST_WHOLE)] | None = None
    """Number of the hold; to release."""
    reason: Words
    """Why it is stopped, or why it may go on."""
    kind: Literal["hold"] = "hold"

    def __post_init__(self) -> None:
        Envelope.__post_init__(self)
        if (self.action == "place") != (self.item is not None) or (self.action == "release") != (self.hold is not None):
            raise ValueError("to place a hold, give the item; to release one, give the number of the hold")


@dataclass(frozen=True, slots=True, kw_only=True)
class Disposition(Envelope):
    """Where something goes that is in nothing: scrapped, back to its supplier, to failure analysis, back to stock."""

    scan_point: Code | None = None
    """Where it was decided."""
    item: ItemName
    """A unit, a subassembly, a component, or a lot."""
    quantity: Quantity | None = None
    """Pieces; of a lot only, and always."""
    destination: Destination
    """Where it goes."""
    reason: Words
    """Why."""
    kind: Literal["disposition"] = "disposition"


@dataclass(frozen=True, slots=True, kw_only=True)
class Correction(Envelope):
    """A record is wrong. It stays in the journal; from now on answers are as if the truth had been recorded."""

    scan_point: Code | None = None
    """Where it was found."""
    wrong: Number
    """Number of the marriage, the removal, the lot loading or the test run that is wrong."""
    unit: ItemName | None = None
    """The unit that it truly was, of a marriage or a test run; left out, the one recorded."""
    component: ItemName | None = None
    """What truly went in, of a marriage."""
    lot: ItemName | None = None
    """What truly was put up, of a lot loading."""
    reason: Words
    """What went wrong."""
    kind: Literal["correction"] = "correction"
