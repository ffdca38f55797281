"""Pages of a list: rows, and the cursor of the next page."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

from fastapi import Response
from pydantic import BaseModel

from partkin.rules.canonical_json import canonical


class Page(BaseModel):
    """A page of a list."""

    items: list[dict[str, Any]]
    next: str | int | None
    """Give it as `cursor` to get the next page; null on the last one."""


def page_of(rows: Sequence[dict[str, Any]], limit: int, cursor: Callable[[dict[str, Any]], str | int]) -> Response:
    """A page from up to `limit` + 1 rows; the row too many says that there is a next page."""
    shown = rows[:limit]
    more = cursor(shown[-1]) if len(rows) > limit else None
    return Response(canonical({"items": list(shown), "next": more}), media_type="application/json")
