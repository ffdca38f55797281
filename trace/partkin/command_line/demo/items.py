"""A unit or module while it is built."""

from __future__ import annotations

import random
from dataclasses import dataclass, field
from datetime import datetime

from partkin.command_line.demo.plant import Label
from partkin.command_line.demo.story import Fault, Incident


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
    ordinal: int = 0
    """Of a unit: its place among those of its line, from 1."""
    code: str = ""
    """Serial number, from its start on."""
    inside: dict[str, Label | Item] = field(default_factory=dict)
    """Position to serial-numbered component."""
    passed: set[str] = field(default_factory=set)
    """Test plans."""
    fault: Fault | None = None
    """A test that it will fail once."""
    left_out: Incident | None = None
    """How a test was forgotten, until it is run."""

    def __str__(self) -> str:
        return f"{self.part} {self.code}"
