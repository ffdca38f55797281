"""The form of what stations are told, for the documentation."""

from __future__ import annotations

from datetime import date

from pydantic import BaseModel

from partkin.web.problems import ReasonDetails


class Clear(BaseModel):
    """Whether something may be done, and every reason why not."""

    clear: bool
    reasons: list[ReasonDetails]


class ClearAt(Clear):
    """Whether the unit may be worked on at a scan point."""

    scan_point: str


class UnitName(BaseModel):
    """A unit or subassembly."""

    part: str
    serial: str


class Clearance(BaseModel):
    """What may be done with a unit or subassembly now."""

    unit: UnitName
    state: str
    work: list[ClearAt]
    """At the scan point that was asked for, or at each on its route."""
    pack: Clear | None
    """Of units only."""
    ship: Clear | None
    """Of units only."""


class NextPart(BaseModel):
    """A part that a position takes."""

    part: str
    description: str
    trace: str
    """`serial`: scan each; `lot`: taken from what is loaded."""


class LoadedHere(BaseModel):
    """A lot that is up."""

    part: str
    lot: str
    feeder: str
    left: int | None
    """Pieces, where they are counted."""


class NextPosition(BaseModel):
    """A position that is filled here."""

    position: str
    description: str
    quantity: int
    lacking: int
    parts: list[NextPart]
    """Of these any; where the order names one, that one."""
    loaded: list[LoadedHere]
    """The one that pieces are booked on first."""


class NextUnit(BaseModel):
    """The unit that comes next, or the model where it has not been started."""

    part: str
    description: str
    serial: str | None
    started: bool
    order: str | None
    due: date | None
    left_of_order: int | None
    """Units of the order that are still to be started, where it starts here."""
    positions: list[NextPosition]


class Lacking(BaseModel):
    """A position that lacks pieces."""

    position: str
    description: str
    lacking: int


class LastUnit(BaseModel):
    """The last unit here, and what it lacks of all that comes up to here."""

    part: str
    serial: str
    state: str
    positions: list[Lacking]
    tests: list[str]


class NextHere(BaseModel):
    """What a station should do next."""

    scan_point: str
    line: str
    next: NextUnit | None
    last: LastUnit | None
