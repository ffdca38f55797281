"""What a label names."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date


@dataclass(frozen=True, slots=True)
class Named:
    """A part, with what else its label says."""

    part: str
    serial: str | None = None
    lot: str | None = None
    produced_on: date | None = None
    expires_on: date | None = None
    """Last day of use."""
    quantity: int | None = None
    """Pieces."""
    supplier: str | None = None
    """Our code of the supplier."""
