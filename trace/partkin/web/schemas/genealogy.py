"""The answers to genealogy questions, for the documentation, and as the columns of CSV."""

from __future__ import annotations

from datetime import date, datetime
from typing import Literal

from pydantic import BaseModel, ConfigDict

from partkin.rules.facts import Destination, ItemState, Verdict


class _Described(BaseModel):
    model_config = ConfigDict(use_attribute_docstrings=True)


class ItemName(_Described):
    """An item: its part number, and its serial number or lot."""

    part: str
    serial: str = ""
    lot: str = ""


class TestResult(_Described):
    """One result of a test run."""

    characteristic: str
    description: str | None
    value: float | None
    """In `unit`."""
    good: bool | None
    """The judgement, of an attribute."""
    unit: str | None
    lower: float | None
    """Lower limit, included."""
    upper: float | None
    """Upper limit, included."""
    within: bool
    """Within its limits, or judged good."""


class TestOutcome(_Described):
    """A run of a test plan."""

    plan: str
    instrument: str
    occurred_at: datetime
    verdict: Verdict
    tester: Verdict | None
    """The tester's own verdict, if it gave one."""
    revision: str | None
    """Of the plan, if the tester said so."""
    counts: bool | None
    """It is the last run of its plan, and nothing that it covers was changed after it; null where that is no longer
    known of the moment asked for."""
    measurements: list[TestResult]


class OpenHold(_Described):
    """A hold in force on the item, or on the lot that a serial item belongs to."""

    hold: int
    item: ItemName
    reason: str
    discrepancy: bool
    """Placed by the service on a contradiction in the records."""
    placed_at: datetime
    placed_by: str


class Visit(_Described):
    """Work at a scan point."""

    scan_point: str
    first_at: datetime
    last_at: datetime | None
    """Null where it was after the moment asked for."""


class SourceLot(_Described):
    """A lot that went into a container."""

    part: str
    lot: str
    certain: bool
    """Nothing else was in the container."""


class TreeItem(_Described):
    """An item in a tree. What says how it is in its holder is null for the item at the top."""

    part: str | None
    """Null, like serial and lot: pieces taken while no lot was known to be loaded."""
    description: str | None
    supplier: str | None
    """Who delivered it, else who delivers the part."""
    serial: str | None
    lot: str | None
    """The lot; of a serial item the lot that its label or receipt names."""
    position: str | None
    """Empty: in none of the bill's positions."""
    slot: int | None
    """The first of its slots; 0: in no slot of its own."""
    quantity: int | None
    started: datetime | None
    ended: datetime | None
    """Null: in there still, at the moment asked for."""
    certain: bool | None
    """Not disputed, and not within the slack of a lot change."""
    disputed: bool | None
    """Said, but against what the books hold."""
    or_lot: list[ItemName]
    """Other lots that it may be of: it was taken next to a lot change."""
    from_lots: list[SourceLot]
    """Of a container: the lots that went into it before, at every level."""
    scan_point: str | None
    """Where it was put in."""
    operator: str | None
    occurred_at: datetime | None
    """When it was put in, by the station's clock."""
    recorded_at: datetime | None
    """When that was recorded, by the service's clock."""
    entry: int | None
    """The journal entry that says so."""
    reason: str | None
    """Why it was taken out."""
    destination: Destination | None
    """Where it went then."""
    state: ItemState | None
    """Now, whatever moment is asked for."""
    started_at: datetime | None
    """Of what is built here: when its building started."""
    produced_on: date | None
    expires_on: date | None
    tests: list[TestOutcome]
    holds: list[OpenHold]
    visits: list[Visit]


class Tree(TreeItem):
    """An item, and all that it holds."""

    content: list[Tree]


class Place(_Described):
    """Where on a tree an item stands."""

    unit_part: str
    """Part number of the item at the top."""
    unit_serial: str | None
    """Its serial number."""
    level: int
    """0 for the item at the top, 1 for what it holds, and so on."""
    path: str
    """Positions and slots on the way from the top: `PUMP.1/ROTOR.1`."""


class TreeLine(TreeItem, Place):
    """An item on a line of NDJSON or CSV: the item at the top first, then what it holds, depth first."""


class Step(_Described):
    """One step from a suspect up to a unit."""

    part: str
    serial: str = ""
    lot: str = ""
    """Either this or a serial number."""
    position: str
    into: ItemName
    started: datetime
    ended: datetime | None
    certain: bool
    """Not disputed, and not within the slack of a lot change."""
    booked_as: ItemName | None
    """What its pieces are booked as, where that is another lot or a container: the suspect lot is or may be in it."""


class AffectedUnit(_Described):
    """A unit that a suspect is or was in."""

    certainty: Literal["certain", "possible"]
    """Certain when one way from a suspect to the unit is certain at each step."""
    part: str
    serial: str
    state: ItemState
    """Now."""
    inside: bool
    """A suspect is in it still, at the moment asked for."""
    where: str | None
    """Scan point where it was last worked on, now."""
    where_at: datetime | None
    exposed_from: datetime | None
    """Since when, by `path`."""
    exposed_to: datetime | None
    """Until when, by the last of all ways; null: still."""
    path: list[Step]
    """The best way from a suspect to the unit: certain rather than possible, then the earliest. Empty where the unit
    itself is suspect."""


class Counted(_Described):
    """Numbers of units."""

    certain: int
    possible: int


class Counts(Counted):
    """All affected units, also on other pages."""

    by_state: dict[str, Counted]
    by_part: dict[str, Counted]


class Note(_Described):
    """What to know about a criterion."""

    pointer: str
    """The criterion, as a JSON pointer."""
    detail: str


class Affected(_Described):
    """A page of affected units, in order of part and serial number, the certain ones first."""

    as_of: datetime | None
    notes: list[Note]
    """Criteria that find nothing in the books."""
    counts: Counts
    certain: list[AffectedUnit]
    possible: list[AffectedUnit]
    next: str | None
    """Give it as `cursor` to get the next page; null on the last one."""
