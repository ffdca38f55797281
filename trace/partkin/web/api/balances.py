"""Mass balances: where the pieces of a lot are."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Query, Request, Response

from partkin.questions.birth_record import NoSuchItem
from partkin.questions.mass_balance import balance_records, mass_balance
from partkin.rules.messages import Code
from partkin.web.asking import line_forms
from partkin.web.formats import Format, format_of, json_response, rows_response
from partkin.web.problems import Problem, ProblemDetails
from partkin.web.schemas.balances import BalanceRecord, MassBalance

router = APIRouter(tags=["mass balance"])


@router.get(
    "/mass-balance",
    summary="The mass balance of a lot",
    operation_id="mass_balance",
    response_model=MassBalance,
    responses={
        **line_forms(BalanceRecord),
        404: {"model": ProblemDetails, "description": "No such lot"},
        422: {"model": ProblemDetails, "description": "Not the right form"},
    },
)
def balance(
    request: Request,
    part: Annotated[Code, Query(description="Part number")],
    lot: Annotated[Code, Query(description="The lot, or a container of it")],
    format: Annotated[Format | None, Query(description="Instead of an Accept header")] = None,  # noqa: A002
) -> Response:
    """Where the pieces went that were received: into units, to scrap, back to the supplier, or still in stock.

    The lines add up to what was received, to the piece. As JSON it comes with leads to what is unaccounted for; as
    NDJSON and CSV the records behind each number, one a line, each of them in its bucket.
    """
    database = request.app.state.database
    wanted = format_of(request, format, *Format)
    try:
        if wanted != Format.JSON:
            return rows_response(balance_records(database, part, lot), wanted, list(BalanceRecord.model_fields))
        return json_response(mass_balance(database, part, lot))
    except NoSuchItem as error:
        raise Problem("unknown-item", str(error), 404) from error
