"""The journal, to read."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Path, Query, Request, Response

from partkin.questions.entries import entry_json, find_entry, list_entries
from partkin.rules.canonical_json import canonical
from partkin.rules.messages import LARGEST_WHOLE
from partkin.web.paging import Page, page_of
from partkin.web.problems import Problem, ProblemDetails

router = APIRouter(tags=["journal"])


@router.get("/entries", summary="Entries of the journal, in order", response_model=Page)
def entries(
    request: Request,
    cursor: Annotated[int, Query(ge=0, le=LARGEST_WHOLE, description="`next` of the page before")] = 0,
    limit: Annotated[int, Query(ge=1, le=1000)] = 100,
) -> Response:
    """Every post and its answer, refusals and what could not be read included.

    After a post, in entries of kind `case-list` which nobody posted: what containment cases list, drop, stop or let go
    because of it. Their message says which entry that is; their answer holds the facts.
    """
    rows = list_entries(request.app.state.database, after=cursor, limit=limit + 1)
    return page_of([entry_json(row) for row in rows], limit, lambda last: last["entry"])


@router.get(
    "/entries/{number}",
    summary="One entry",
    responses={404: {"model": ProblemDetails, "description": "No such entry"}},
)
def entry(request: Request, number: Annotated[int, Path(ge=1, le=LARGEST_WHOLE)]) -> Response:
    """One post and its answer."""
    found = find_entry(request.app.state.database, number)
    if found is None:
        raise Problem("not-found", f"The journal has no entry {number}.", 404)
    return Response(canonical(entry_json(found)), media_type="application/json")
