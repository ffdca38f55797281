"""What a line builds next."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Query, Request, Response

from partkin.questions.build_orders import list_open_orders
from partkin.rules.messages import Code
from partkin.web.paging import page_of
from partkin.web.schemas.whereabouts import OpenOrders

router = APIRouter(tags=["whereabouts"])


@router.get("/orders", summary="Open orders of a line", operation_id="orders", response_model=OpenOrders)
def orders(
    request: Request,
    line: Annotated[Code, Query(description="The line")],
    cursor: Annotated[str, Query(pattern="^([0-9]{1,16} [ -~]*)?$", description="`next` of the page before")] = "",
    limit: Annotated[int, Query(ge=1, le=1000, description="Orders on a page")] = 100,
) -> Response:
    """Orders of which units are still to be started, in the order in which they are to be built."""
    sequence, _, code = cursor.partition(" ")
    after = (int(sequence), code) if cursor else (-1, "")
    rows = list_open_orders(request.app.state.database, line=line, after=after, limit=limit + 1)
    return page_of(rows, limit, lambda last: f"{last['sequence']} {last['order']}")
