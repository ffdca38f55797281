"""A unit or module while it is built, and afterwards."""

from __future__ import annotations

import random
from dataclasses import dataclass, field
from datetime import datetime

from partkin.command_line.demo.plant import Label
from partkin.command_line.demo.told import Fault, Incident


@dataclass(eq=False)
class Item:
    """A unit or module, and what the floor knows of it."""

    part: str
    number: int
    """Number of what is scanned into it; of a module, of itself, too."""
    ready: datetime
    """When the next station can begin with it."""
    chance: random.Random
    line: str | None = None
    """Of a unit."""
    of_line: str = ""
    """Line of the unit, or of the unit that a module is built for."""
    ordinal: int = 0
    """The place of that unit among those of its line, from 1; 0: built for stock."""
    code: str = ""
    """Serial number, from its start on."""
    inside: dict[str, Label | Item] = field(default_factory=dict)
    """Position to serial-numbered component."""
    misread: dict[str, tuple[Label, int]] = field(default_factory=dict)
    """Position to what was scanned in place of what is there, and the number of that marriage, till it is corrected."""
    passed: set[str] = field(default_factory=set)
    """Test plans."""
    fault: Fault | None = None
    """A test that it will fail until something is replaced."""
    left_out: Incident | None = None
    """How a test was forgotten, until it is run."""
    seen: str = ""
    """Scan point where it was worked on last."""
    packed_in: Packed | None = None
    """Its carton."""
    scrapped: bool = False

    def __str__(self) -> str:
        return f"{self.part} {self.code}"


@dataclass(eq=False)
class Packed:
    """A carton or a pallet."""

    part: str
    code: str
    ready: datetime
    contents: list[Item | Packed] = field(default_factory=list)
    packed_in: Packed | None = None
    shipment: str = ""
    consignee: str = ""
    """Once it was despatched, or is loaded."""

    def __str__(self) -> str:
        return f"{self.part} {self.code}"
