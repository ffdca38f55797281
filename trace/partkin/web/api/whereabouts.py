"""Where an item is now."""

from __future__ import annotations

from fastapi import APIRouter, Request, Response

from partkin.questions.whereabouts import where_is
from partkin.web.asking import ITEM_PROBLEMS, Lot, OfPart, RawScan, Serial, Sscc, answered, asked_item
from partkin.web.formats import json_response
from partkin.web.schemas.whereabouts import Whereabouts

router = APIRouter(tags=["whereabouts"])


@router.get(
    "/where",
    summary="Where an item is now",
    operation_id="where",
    response_model=Whereabouts,
    responses=ITEM_PROBLEMS,
)
def where(
    request: Request,
    serial: Serial = None,
    lot: Lot = None,
    sscc: Sscc = None,
    scan: RawScan = None,
    part: OfPart = None,
) -> Response:
    """The item, named by one of serial, lot, sscc and scan: what it stands in, up to the top, and what stops it.

    Also its shipment, where it was last seen, and where it went if it was taken out or disposed of. Of a lot: where it
    is up, the containers it went into or came from, and how many units hold it.
    """
    asked = asked_item(request, serial=serial, lot=lot, sscc=sscc, scan=scan, part=part)
    return json_response(answered(lambda: where_is(request.app.state.database, asked)))
