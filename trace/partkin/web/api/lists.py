"""Lists: units and holds."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Query, Request, Response

from partkin.questions.holds import list_holds
from partkin.questions.units import list_units
from partkin.rules.facts import ItemState
from partkin.rules.messages import LARGEST_WHOLE, Code
from partkin.web.paging import Page, page_of

router = APIRouter()

Limit = Annotated[int, Query(ge=1, le=1000)]


@router.get("/units", tags=["genealogy"], summary="Units", response_model=Page)
def units(
    request: Request,
    part: Annotated[Code | None, Query(description="only this part; subassemblies too")] = None,
    state: Annotated[ItemState | None, Query()] = None,
    cursor: Annotated[str, Query(pattern="^[!-~]* [ -~]*$", description="`next` of the page before")] = " ",
    limit: Limit = 100,
) -> Response:
    """Units in order of part number and serial number."""
    after_part, _, after_serial = cursor.partition(" ")
    rows = list_units(
        request.app.state.database, part=part, state=state, after=(after_part, after_serial), limit=limit + 1
    )
    return page_of(rows, limit, lambda last: f"{last['part']} {last['serial']}")


@router.get("/holds", tags=["recording"], summary="Holds", response_model=Page)
def holds(
    request: Request,
    released: Annotated[bool, Query(description="with the released ones")] = False,
    cursor: Annotated[int, Query(ge=0, le=LARGEST_WHOLE, description="`next` of the page before")] = 0,
    limit: Limit = 100,
) -> Response:
    """Holds in the order they were placed."""
    rows = list_holds(request.app.state.database, released=released, after=cursor, limit=limit + 1)
    return page_of(rows, limit, lambda last: int(last["hold"]))
