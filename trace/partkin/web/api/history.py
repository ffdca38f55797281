"""What happened to an item."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Query, Request, Response

from partkin.questions.item_history import history, history_page
from partkin.store.genealogy.item_history import FIRST, After
from partkin.web.asking import ITEM_PROBLEMS, Lot, OfPart, RawScan, Serial, Sscc, answered, asked_item, line_forms
from partkin.web.formats import Format, format_of, json_response, rows_response
from partkin.web.schemas.history import History, HistoryEntry

CURSOR = "^(-?[0-9]{1,18}_[0-9]{1,15})?$"
"""A moment, and the number of an entry."""

router = APIRouter(tags=["whereabouts"])


@router.get(
    "/history",
    summary="What happened to an item",
    operation_id="history",
    response_model=History,
    responses={**line_forms(HistoryEntry), **ITEM_PROBLEMS},
)
def item_history(
    request: Request,
    serial: Serial = None,
    lot: Lot = None,
    sscc: Sscc = None,
    scan: RawScan = None,
    part: OfPart = None,
    inside: Annotated[bool, Query(description="Also what happened to what was in it, while it was in there")] = False,
    limit: Annotated[int, Query(ge=1, le=1000, description="Entries on a page")] = 100,
    cursor: Annotated[str, Query(pattern=CURSOR, description="`next` of the page before")] = "",
    format: Annotated[Format | None, Query(description="Instead of an Accept header")] = None,  # noqa: A002
) -> Response:
    """Every recorded entry that touched a unit, a component or a lot, in order of occurred_at, in sentences.

    Name the item by one of serial, lot, sscc and scan. As JSON it comes in pages; as NDJSON and CSV all of it.
    """
    asked = asked_item(request, serial=serial, lot=lot, sscc=sscc, scan=scan, part=part)
    database = request.app.state.database
    wanted = format_of(request, format, *Format)
    if wanted != Format.JSON:
        rows = history(database, asked, inside=inside)
        return answered(lambda: rows_response(rows, wanted, list(HistoryEntry.model_fields)))
    after = After(*map(int, cursor.split("_"))) if cursor else FIRST
    found, last = answered(lambda: history_page(database, asked, inside=inside, after=after, limit=limit))
    return json_response({"items": found, "next": None if last is None else f"{last.occurred_at}_{last.entry}"})
