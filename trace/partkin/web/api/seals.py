"""Seals, to read and to make."""

from __future__ import annotations

import time
from datetime import datetime
from typing import Annotated

from fastapi import APIRouter, Query, Request, Response
from pydantic import BaseModel, ConfigDict

from partkin.actions.seal_journal import NotSealed, seal_journal
from partkin.actions.train_dictionary import train_dictionary
from partkin.questions.seals import list_seals, seal_json
from partkin.rules.canonical_json import canonical
from partkin.rules.messages import LARGEST_WHOLE
from partkin.web.paging import Page, page_of
from partkin.web.problems import Problem, ProblemDetails

router = APIRouter(tags=["journal"])


class Seal(BaseModel):
    """What the entries of the journal up to here were when it was made."""

    model_config = ConfigDict(use_attribute_docstrings=True)

    seal: int
    last_entry: int
    """It covers the entries after those of the seal before, up to this one."""
    entries: int
    """How many it covers."""
    sealed_at: datetime
    root: str
    """Root of the Merkle tree (RFC 9162, 2.1.1, SHA-256) over its entries, each as a line of the night's export
    without its line end; hexadecimal."""
    chained: str
    """SHA-256 of the bytes chained of the seal before (32 zero bytes at the first) and those of this root;
    hexadecimal."""


@router.get("/seals", summary="Seals, in order", response_model=Page)
def seals(
    request: Request,
    cursor: Annotated[int, Query(ge=0, le=LARGEST_WHOLE, description="`next` of the page before")] = 0,
    limit: Annotated[int, Query(ge=1, le=1000)] = 100,
) -> Response:
    """Who keeps one of them elsewhere can prove later that no entry up to it was changed."""
    rows = list_seals(request.app.state.database, after=cursor, limit=limit + 1)
    return page_of(rows, limit, lambda last: int(last["seal"]))


@router.post(
    "/seals",
    summary="Seal the journal",
    response_model=Seal,
    responses={
        201: {"model": Seal, "description": "A new seal"},
        404: {"model": ProblemDetails, "description": "The journal has no entry"},
        503: {"model": ProblemDetails, "description": "Others were in the way: try again"},
    },
)
def seal(request: Request) -> Response:
    """Seal all entries that no seal covers; where there are none, the answer is the last seal."""
    database, now = request.app.state.database, time.time_ns() // 1000
    try:
        sealed = seal_journal(database, now=now)
    except NotSealed as error:
        raise Problem("busy", str(error), 503) from error
    if sealed.seal is None:
        raise Problem("not-found", "The journal has no entry, so there is nothing to seal.", 404)
    if sealed.new:
        train_dictionary(database, sealed.seal, now=now)
    return Response(canonical(seal_json(sealed.seal)), 201 if sealed.new else 200, media_type="application/json")
