"""The answer to what happened to an item, for the documentation, and as the columns of CSV."""

from __future__ import annotations

from datetime import datetime
from typing import Any, Literal

from pydantic import BaseModel, ConfigDict


class _Described(BaseModel):
    model_config = ConfigDict(use_attribute_docstrings=True)


class CorrectedRecord(_Described):
    """A record of an entry that was found to be wrong."""

    wrong: int
    """Number of the record."""
    entry: int
    """The journal entry that corrects it."""
    reason: str


class HistoryEntry(_Described):
    """A recorded entry of the journal, as far as it is about the item."""

    entry: int
    kind: str
    """Of message; `case-list` for what containment cases listed, dropped, stopped or let go because of a message."""
    mode: Literal["ask", "tell"] | None
    occurred_at: datetime
    """By the station's clock; of a `case-list`, as of the message that it is because of."""
    recorded_at: datetime
    """By the service's clock."""
    scan_point: str | None
    operator: str | None
    """Badge code."""
    sentences: list[str]
    """What became true, of this item."""
    discrepancies: list[dict[str, Any]]
    """What in the message contradicted the books."""
    corrected: list[CorrectedRecord]
    """What of it was later found to be wrong."""


class History(_Described):
    """A page of entries, in order of occurred_at and entry."""

    items: list[HistoryEntry]
    next: str | None
    """Give it as `cursor` to get the next page; null on the last one."""
