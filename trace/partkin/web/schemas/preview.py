"""The answer to what a freeze would stop, for the documentation."""

from __future__ import annotations

from datetime import datetime
from typing import Literal

from pydantic import BaseModel, ConfigDict

from partkin.web.schemas.genealogy import AffectedUnit, Counted, Note


class _Described(BaseModel):
    model_config = ConfigDict(use_attribute_docstrings=True)


class Group(Counted):
    """Numbers of things, and some of them: of units one, of what is still in the plant none."""

    examples: list[AffectedUnit]
    """Certain ones first, each with the way from a suspect to it; empty where it is suspect itself."""


class Things(Group):
    """Affected things that are no units."""

    by_part: dict[str, Group]


class UnitGroups(Group):
    """Affected units, by their state and despatches of now."""

    by_part: dict[str, Group]
    by_state: dict[str, Group]
    by_day: dict[str, Group]
    """By the day (UTC) on which they were started; `unknown`: never here."""
    by_consignee: dict[str, Group]
    """By all that they were ever despatched to, so that one can count several times; `in the plant`: to nobody."""


class LotInStock(_Described):
    """A suspect lot, or a container that some of one went into, with pieces in stock."""

    part: str
    lot: str
    certainty: Literal["certain", "possible"]
    pieces: int
    """By its mass balance."""
    counted_at: datetime | None
    """When they were counted; null: by difference."""


class PointUp(_Described):
    """A point of use where a suspect lot, or a container of one, is up."""

    scan_point: str
    position: str
    feeder: str
    part: str
    lot: str


class Preview(_Described):
    """What a freeze would stop or list."""

    as_of: datetime | None
    in_words: list[str]
    """What is suspected, a sentence a line; two blanks before it for each level."""
    notes: list[Note]
    """Criteria that find nothing in the books."""
    counts: UnitGroups
    subassemblies_waiting: Things
    """Affected, built, not sold, and in nothing."""
    components_in_stock: Things
    """Suspect serial components that are usable and never were in anything."""
    components_removed: Things
    """Suspect serial components that are usable and were taken out of something."""
    lots_in_stock: list[LotInStock]
    points_of_use: list[PointUp]
