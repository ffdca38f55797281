"""The answers to where items are, and to what is on shipments, for the documentation."""

from __future__ import annotations

from datetime import date, datetime
from typing import Literal

from pydantic import BaseModel, ConfigDict

from partkin.rules.facts import Destination, ItemState
from partkin.web.schemas.genealogy import ItemName, OpenHold


class _Described(BaseModel):
    model_config = ConfigDict(use_attribute_docstrings=True)


class ItemSaid(_Described):
    """An item with its lot: of a serial item the lot that its label or receipt names."""

    part: str
    serial: str | None
    lot: str | None


class Holder(ItemSaid):
    """What an item stands in."""

    description: str | None
    state: ItemState
    position: str
    """Where in it; empty: in none of the bill's positions."""
    slot: int
    since: datetime
    marriage: int
    """Number of the marriage, for corrections."""
    entry: int
    """The journal entry that says so."""
    holds: ItemName
    """What stands in it: the item itself, or what the item stands in."""


class ShipmentHead(_Described):
    """A shipment."""

    shipment: str
    consignee: str
    name: str | None
    """Of the consignee."""
    despatched_at: datetime | None
    """Null: not despatched yet."""
    delivery_note: str | None


class OnShipment(ShipmentHead):
    """The shipment that an item, or what it stands in, is on."""

    loaded_at: datetime


class LastSeen(ItemSaid):
    """Where it, or what it stands in, was last worked on."""

    scan_point: str
    description: str | None
    """Of the scan point."""
    at: datetime


Place = Literal[
    "on a shipment",
    "despatched",
    "inside",
    "at a scan point",
    "in stock",
    "scrapped",
    "returned",
    "in analysis",
    "came back",
]


class Standing(ItemSaid):
    """An item, and where it is now."""

    description: str | None
    state: ItemState
    place: Place | None
    """Null for a lot, which may be in many places."""
    shipment: OnShipment | None
    last_seen: LastSeen | None
    inside: list[Holder]
    """What it stands in, from there upwards."""
    said_to_be_in: list[Holder]
    """Against what else the books hold: disputed."""


class Departure(_Described):
    """Where something went that was taken out or disposed of."""

    out_of: ItemName | None
    """What it was taken out of; null: it was in nothing."""
    destination: Destination
    reason: str
    at: datetime
    scan_point: str | None
    operator: str | None
    entry: int


class LotDisposition(Departure):
    """Where pieces of a lot went."""

    quantity: int


class ReturnFromCustomer(_Described):
    """It came back from a customer."""

    consignee: str | None
    name: str | None
    reason: str
    at: datetime
    entry: int


class LotUp(_Described):
    """Where a lot is up now."""

    scan_point: str
    position: str
    feeder: str
    since: datetime
    quantity: int | None
    """Pieces in the container; null: nobody counted them."""
    left: int | None
    """Of those."""


class Moved(_Described):
    """Pieces that went from one lot into another one, or into a container."""

    item: ItemName
    quantity: int
    at: datetime
    entry: int


class HoldersCounted(_Described):
    """How many items of a part and state hold pieces of a lot now."""

    part: str
    description: str | None
    state: ItemState
    items: int


class Pieces(_Described):
    """Where the pieces of a lot are."""

    received: int | None
    """By receipts and transfers; null: by none."""
    built_in: int
    """In something now, also where that is disputed."""
    disposed: int
    """Scrapped, back to the supplier, or in analysis, without having been in anything."""
    back_to_stock: int
    """Of those, by a later disposition."""
    transferred: int
    """Into other containers."""
    taken_out: int | None
    """Were in something, and went elsewhere than to stock; null: the lot is not counted."""
    left: int | None
    """Can still be used; null: the lot is not counted."""
    opened_at: datetime | None
    expires_on: date | None
    loaded: list[LotUp]
    split_into: list[Moved]
    came_from: list[Moved]
    dispositions: list[LotDisposition]
    units: list[HoldersCounted]
    """Units that hold some, at any level."""
    in_stock_subassemblies: list[HoldersCounted]
    """Other built items that hold some and are in no unit."""


class Whereabouts(Standing):
    """Where an item is now, and what else is to be known of it."""

    left: Departure | None
    """Where it went last, if it is in nothing now."""
    customer_return: ReturnFromCustomer | None
    """The last one."""
    order: str | None
    """The order that it was started for."""
    holds: list[OpenHold]
    pieces: Pieces | None
    """Of a lot."""


# -- shipments


class ShipmentLine(ShipmentHead):
    """A shipment in a list."""

    opened_at: datetime
    lines: int
    """Units, cartons and pallets that are loaded by themselves."""


class Shipments(_Described):
    """A page of shipments, in order of their codes."""

    items: list[ShipmentLine]
    next: str | None
    """Give it as `cursor` to get the next page; null on the last one."""


class Shipped(ItemSaid):
    """What is on a shipment, with what it holds down to units."""

    description: str | None
    state: ItemState
    """Now."""
    unit: bool
    position: str | None
    """Where in its carton or pallet; null: loaded by itself."""
    quantity: int
    """Pieces; of a lot it may be several."""
    since: datetime
    content: list[Shipped]


class ShipmentContent(ShipmentHead):
    """A shipment, and what is on it; of one that was despatched, what was on it then."""

    opened_at: datetime
    units: int
    """At every level."""
    content: list[Shipped]


# -- orders


class OpenOrder(_Described):
    """An order of which units are still to be started."""

    order: str
    line: str
    sequence: int
    part: str
    description: str | None
    serial: str | None
    quantity: int
    started: int
    due: date | None
    parts: dict[str, str]
    """Position to the one part ordered there."""


class OpenOrders(_Described):
    """A page of open orders, in the order in which they are to be built."""

    items: list[OpenOrder]
    next: str | None
    """Give it as `cursor` to get the next page; null on the last one."""
