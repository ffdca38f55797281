"""What stations ask: what comes next here, and what may be done with a unit."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Annotated, Any

from fastapi import APIRouter, Path, Query, Request, Response

from partkin.questions.asked_items import AskedItem
from partkin.questions.clearance import NotBuiltHere, clearance
from partkin.questions.next_here import NoSuchScanPoint, next_here
from partkin.rules.messages import Code
from partkin.web.asking import ITEM_PROBLEMS, OfPart, answered
from partkin.web.formats import json_response
from partkin.web.problems import Problem, ProblemDetails
from partkin.web.schemas.stations import Clearance, NextHere

router = APIRouter(tags=["stations"])

_NO_POINT: dict[int | str, dict[str, Any]] = {404: {"model": ProblemDetails, "description": "No such scan point"}}


@router.get(
    "/units/{serial}/clearance",
    summary="What may be done with a unit",
    operation_id="clearance",
    response_model=Clearance,
    responses=ITEM_PROBLEMS,
)
def unit_clearance(
    request: Request,
    serial: Annotated[Code, Path(description="Serial number of a unit or subassembly")],
    part: OfPart = None,
    scan_point: Annotated[
        Code | None, Query(description="Only work at this scan point; all on its route, else")
    ] = None,
) -> Response:
    """Whether it may be worked on, packed and shipped now, and every reason why not."""
    asked = AskedItem(serial, part=part)
    try:
        told = answered(lambda: clearance(request.app.state.database, asked, scan_point, now=datetime.now(UTC)))
    except NotBuiltHere as error:
        raise Problem("unknown-item", str(error), 404) from error
    return json_response(told)


@router.get(
    "/scan-points/{code}/next",
    summary="What comes next at a scan point",
    operation_id="next_here",
    response_model=NextHere,
    responses=_NO_POINT,
)
def next_unit(request: Request, code: Annotated[Code, Path(description="Code of the scan point")]) -> Response:
    """The unit or model that comes next, what to scan into it, and what the last one here still lacks.

    That is the unit on its way here that comes first by the sequence of the orders, then by time; where units start
    here, the first open order of the line.
    """
    try:
        return json_response(next_here(request.app.state.database, code, now=datetime.now(UTC)))
    except NoSuchScanPoint as error:
        raise Problem("unknown-scan-point", str(error), 404) from error
