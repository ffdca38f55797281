"""Shipments, and what is on them."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Path, Query, Request, Response

from partkin.questions.shipments import NoSuchShipment, list_shipments, shipment_content
from partkin.rules.messages import Code
from partkin.web.formats import json_response
from partkin.web.paging import page_of
from partkin.web.problems import Problem, ProblemDetails
from partkin.web.schemas.whereabouts import ShipmentContent, Shipments

router = APIRouter(tags=["whereabouts"])


@router.get("/shipments", summary="Shipments", operation_id="shipments", response_model=Shipments)
def shipments(
    request: Request,
    consignee: Annotated[Code | None, Query(description="Only to this consignee")] = None,
    despatched: Annotated[bool | None, Query(description="Only those despatched, or not yet; all, if left out")] = None,
    cursor: Annotated[str, Query(pattern="^[ -~]*$", description="`next` of the page before")] = "",
    limit: Annotated[int, Query(ge=1, le=1000, description="Shipments on a page")] = 100,
) -> Response:
    """Shipments in the order of their codes."""
    rows = list_shipments(
        request.app.state.database, consignee=consignee, despatched=despatched, after=cursor, limit=limit + 1
    )
    return page_of(rows, limit, lambda last: str(last["shipment"]))


@router.get(
    "/shipments/{code:path}",
    summary="What is on a shipment",
    operation_id="shipment",
    response_model=ShipmentContent,
    responses={404: {"model": ProblemDetails, "description": "No such shipment"}},
)
def shipment(request: Request, code: Annotated[Code, Path(description="The plant's code for it")]) -> Response:
    """Pallets, cartons and units on it, down to units; of one that was despatched, what was on it then."""
    try:
        return json_response(shipment_content(request.app.state.database, code))
    except NoSuchShipment as error:
        raise Problem("not-found", str(error), 404) from error
