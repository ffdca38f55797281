"""Containment cases: what they list, and how far they are."""

from __future__ import annotations

from collections.abc import Callable
from typing import Annotated, Any, TypeVar

from fastapi import APIRouter, Path, Query, Request, Response

from partkin.questions.containment.cases import list_cases, one_case
from partkin.questions.containment.lists import NeverFrozen, frozen_list
from partkin.questions.containment.things import NoSuchCase, case_things
from partkin.rules.messages import LARGEST_WHOLE, Code
from partkin.rules.rows import CaseStatus
from partkin.store.journal.seals import BrokenSeal
from partkin.web.asking import line_forms
from partkin.web.formats import Format, format_of, json_response, rows_response
from partkin.web.paging import page_of
from partkin.web.problems import Problem, ProblemDetails
from partkin.web.schemas.cases import CaseDetail, CaseLines, CaseThing, CaseThings

router = APIRouter(tags=["containment"])

T = TypeVar("T")

CaseCode = Annotated[Code, Path(description="The case")]
NO_SUCH_CASE: dict[int | str, dict[str, Any]] = {404: {"model": ProblemDetails, "description": "No such case"}}


def of_case(ask: Callable[[], T]) -> T:
    """The answer to a question about a case. Raises Problem where there is none."""
    try:
        return ask()
    except (NoSuchCase, NeverFrozen) as error:
        raise Problem("not-found", str(error), 404) from error


@router.get("/cases", summary="Containment cases", operation_id="cases", response_model=CaseLines)
def cases(
    request: Request,
    status: Annotated[CaseStatus | None, Query(description="Only these; all, if left out")] = None,
    cursor: Annotated[int, Query(ge=0, le=LARGEST_WHOLE, description="`next` of the page before")] = 0,
    limit: Annotated[int, Query(ge=1, le=1000, description="Cases on a page")] = 100,
) -> Response:
    """Cases in the order in which they were opened."""
    rows = list_cases(request.app.state.database, status=status, after=cursor, limit=limit + 1)
    return page_of(rows, limit, lambda last: int(last["number"]))


@router.get(
    "/cases/{case:path}/things",
    summary="What a case lists",
    operation_id="case_things",
    response_model=CaseThings,
    responses={**line_forms(CaseThing), **NO_SUCH_CASE},
)
def things(
    request: Request,
    case: CaseCode,
    format: Annotated[Format | None, Query(description="Instead of an Accept header")] = None,  # noqa: A002
) -> Response:
    """Every thing that a case lists or once listed, in order, each as it is now."""
    chunks = case_things(request.app.state.database, case)
    wanted = format_of(request, format, *Format)
    if wanted == Format.JSON:
        return json_response({"items": of_case(lambda: [row for rows in chunks for row in rows])})
    if wanted == Format.CSV:
        chunks = ([{"serial": "", "lot": "", **row} for row in rows] for rows in chunks)
    return of_case(lambda: rows_response(chunks, wanted, list(CaseThing.model_fields)))


_LINES = {"schema": {"type": "string", "description": "a thing a line, as canonical JSON; each line ends with LF"}}


@router.get(
    "/cases/{case:path}/list",
    summary="The list of a freeze, to the byte",
    operation_id="case_list",
    response_class=Response,
    responses={
        200: {"content": {"text/plain": _LINES}},
        **NO_SUCH_CASE,
        503: {"model": ProblemDetails, "description": "The books as known then cannot be kept"},
    },
)
def frozen(
    request: Request,
    case: CaseCode,
    revision: Annotated[
        int | None, Query(ge=1, le=LARGEST_WHOLE, description="Which freeze; the last one, if left out")
    ] = None,
) -> Response:
    """The lines whose SHA-256 the freeze says, found anew in the books as they were known at its seal.

    To prove that the list was not changed afterwards, an auditor (1) saves this answer and takes its SHA-256, for
    instance with `curl -s …/v1/cases/CODE/list?revision=1 | sha256sum`; (2) compares it with `sha256` of the revision
    in GET /v1/cases/CODE, which stands in the journal entry of the freeze too (GET /v1/entries); (3) compares the seal
    that the freeze names with one that was kept outside, and checks with a night's export that it covers the entries.
    What was recorded since does not matter; the first question about a seal takes as long as `partkin check`.
    """
    state = request.app.state
    folder = state.settings.cache_folder
    try:
        lines = of_case(lambda: frozen_list(state.database, case, revision, folder, lambda _done, _of: None))
    except BrokenSeal as error:
        raise Problem("internal", f"{error} Run `partkin check`, and compare with what auditors have.", 500) from error
    except OSError as error:
        detail = f"The books as known then cannot be kept: {error}. PARTKIN_CACHE_FOLDER names a folder for them."
        raise Problem("store-unreachable", detail, 503) from error
    return Response(lines, media_type="text/plain")


@router.get(
    "/cases/{case:path}",
    summary="A containment case",
    operation_id="case",
    response_model=CaseDetail,
    responses=NO_SUCH_CASE,
)
def case(request: Request, case: CaseCode) -> Response:
    """A case as it is now: what it lists, what was done, and every reason for which it would not be closed."""
    return json_response(of_case(lambda: one_case(request.app.state.database, case)))
