"""The answer to where the pieces of a lot are, for the documentation, and as CSV columns."""

from __future__ import annotations

from datetime import datetime

from pydantic import BaseModel, ConfigDict

from partkin.store.genealogy.mass_balance import Bucket, LeadKind, RecordKind
from partkin.web.schemas.genealogy import ItemName


class _Described(BaseModel):
    model_config = ConfigDict(use_attribute_docstrings=True)


class Pieces(_Described):
    """Pieces of a lot."""

    pieces: int
    per_cent: float | None
    """Of those received; null where none were."""


class BalanceRecord(_Described):
    """A record behind a number of a balance. The pieces of all records of a bucket add up to its number."""

    bucket: Bucket
    """The number that the record counts for. `in_stock` has the last count, and what came and went since."""
    record: RecordKind
    number: int | None
    """Number of the record; null for a difference."""
    entry: int | None
    """The journal entry that says so."""
    pieces: int
    """Fewer than none: they left this bucket."""
    at: datetime | None
    """When it happened; null: as it is now."""
    item: ItemName | None
    """The lot, or a serial item of it; of `possibly_elsewhere` the lot that was booked."""
    parent: ItemName | None
    """The unit, or the container or lot, that the pieces went into or came out of."""
    where: str | None
    """The scan point at which it was recorded."""


class BalanceLead(_Described):
    """Where pieces that are unaccounted for may be."""

    lead: LeadKind
    """`left over differs`: of a counted container that was taken down, pieces that were neither drawn nor returned.
    `no lot known`: drawn at a point of use where this was the last lot up, while none was. `may be of this lot`: drawn
    within the slack of a lot change, or from several feeders, and booked on another lot. `told late`: a disposition or
    removal from before the last count, recorded after it."""
    record: RecordKind
    number: int
    entry: int
    """The journal entry that says so."""
    pieces: int
    at: datetime
    item: ItemName | None
    """The lot; of `may be of this lot` the one that was booked; null where none was known."""
    parent: ItemName | None
    """The unit that the pieces went into or came out of."""
    where: str | None
    """The scan point at which it was recorded."""


class MassBalance(_Described):
    """The mass balance of a lot or container: `received` is the sum of all lines down to `unaccounted`."""

    part: str
    lot: str
    counted_at: datetime | None
    """When its stock was counted last; null: never, and the stock is what is left by the books."""
    received: Pieces
    """By receipts, and from other lots into this container."""
    in_units_certain: Pieces
    in_units_possible: Pieces
    """The records cannot tell whether these are of this lot: drawn next to a lot change or from several feeders, or
    contradicted by other records."""
    in_containers: Pieces
    """Moved into containers with their own labels, which have balances of their own."""
    scrapped: Pieces
    returned: Pieces
    """Sent back to the supplier."""
    in_analysis: Pieces
    """In failure analysis."""
    in_stock: Pieces
    """In stock and at points of use: as counted, with what came and went since."""
    unaccounted: Pieces
    """Fewer than none: more was used than was received."""
    possibly_elsewhere: Pieces
    """Booked on other lots, but possibly of this one; not part of the sum."""
    accounted: Pieces
    """All that was received but the unaccounted."""
    leads: list[BalanceLead]
    """Where to look for pieces that are unaccounted for."""
