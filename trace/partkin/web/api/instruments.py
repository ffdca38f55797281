"""Instruments: when they are due, and what was tested on them."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Annotated

from fastapi import APIRouter, Path, Query, Request, Response

from partkin.questions.instrument_use import FIRST, NoSuchInstrument, list_instruments, tested_page, tested_rows
from partkin.rules.messages import Code
from partkin.web.asking import date_of_query, line_forms, moment_of_query
from partkin.web.formats import Format, format_of, json_response, rows_response
from partkin.web.problems import Problem, ProblemDetails
from partkin.web.schemas.instruments import Instruments, InstrumentUse, RunOnInstrument

router = APIRouter(tags=["instruments"])


@router.get("/instruments", summary="Instruments", operation_id="instruments", response_model=Instruments)
def instruments(
    request: Request,
    on: Annotated[
        str | None,
        Query(description="Overdue on this day; today (UTC), if left out", json_schema_extra={"format": "date"}),
    ] = None,
) -> Response:
    """All instruments of the catalogue with their last calibrations, and which of them are overdue."""
    day = datetime.now(UTC).date() if on is None else date_of_query("on", on)
    return json_response({"items": list_instruments(request.app.state.database, day)})


@router.get(
    "/instruments/{code:path}/tested",
    summary="What was tested on an instrument",
    operation_id="tested",
    response_model=InstrumentUse,
    responses={
        **line_forms(RunOnInstrument),
        404: {"model": ProblemDetails, "description": "No such instrument"},
        422: {"model": ProblemDetails, "description": "Not the right form"},
    },
)
def runs(
    request: Request,
    code: Annotated[Code, Path(description="The instrument")],
    since: Annotated[
        str | None,
        Query(
            description="Runs from this moment on; if left out, from its last good calibration on",
            json_schema_extra={"format": "date-time"},
        ),
    ] = None,
    limit: Annotated[int, Query(ge=1, le=1000, description="Runs on a page")] = 100,
    cursor: Annotated[
        str, Query(pattern="^(-?[0-9]{1,18}_[0-9]{1,18})?$", description="`next` of the page before")
    ] = "",
    format: Annotated[Format | None, Query(description="Instead of an Accept header")] = None,  # noqa: A002
) -> Response:
    """All test runs on an instrument since its last good calibration, each with where the item is now.

    That is what has to be looked at when it is found to measure wrongly. As JSON it comes in pages, with all
    calibrations; as NDJSON and CSV all runs, one a line.
    """
    moment = None if since is None else moment_of_query("since", since)
    database = request.app.state.database
    wanted = format_of(request, format, *Format)
    try:
        if wanted != Format.JSON:
            return rows_response(tested_rows(database, code, since=moment), wanted, list(RunOnInstrument.model_fields))
        at, _, number = cursor.partition("_")
        after = (int(at), int(number)) if cursor else FIRST
        found, last = tested_page(database, code, since=moment, after=after, limit=limit)
    except NoSuchInstrument as error:
        raise Problem("not-found", str(error), 404) from error
    return json_response({**found, "next": None if last is None else f"{last[0]}_{last[1]}"})
