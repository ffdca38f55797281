"""The papers of containment cases: made from the books when they are asked for."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime
from typing import Annotated, Any
from urllib.parse import quote

from fastapi import APIRouter, Path, Request, Response

from partkin.exports.papers.model import CaseReport, ConsigneeUnits
from partkin.exports.papers.of_case import CONSIGNEE_PAPERS, PAPERS, file_name, plant_of
from partkin.questions.containment.papers import case_report
from partkin.rules.messages import Code
from partkin.web.api.cases import NO_SUCH_CASE, CaseCode, of_case
from partkin.web.formats import json_response
from partkin.web.problems import Problem
from partkin.web.schemas.papers import CasePapers

router = APIRouter(tags=["containment"])

ConsigneeCode = Annotated[Code, Path(description="The consignee")]


def _content(*media_types: str) -> dict[int | str, dict[str, Any]]:
    binary = {"schema": {"type": "string", "format": "binary"}}
    return {200: {"content": {media_type.partition(";")[0]: binary for media_type in media_types}}, **NO_SUCH_CASE}


def _report(request: Request, case: str) -> CaseReport:
    state = request.app.state
    return of_case(lambda: case_report(state.database, case, plant_of(state.settings), datetime.now(UTC)))


def _attached(content: bytes, media_type: str, name: str) -> Response:
    """A file to be kept under this name (RFC 6266); codes are ASCII, and what a name cannot have is percent-encoded."""
    return Response(content, media_type=media_type, headers={"Content-Disposition": f'attachment; filename="{name}"'})


@router.get(
    "/cases/{case:path}/papers",
    summary="Which papers of a case there are",
    operation_id="case_papers",
    response_model=CasePapers,
    responses=NO_SUCH_CASE,
)
def papers(request: Request, case: CaseCode) -> Response:
    """The report, the workbook, what a regulator's form asks, and for each consignee a letter and the list of units.

    All are made from the records as they are when they are asked for. A paper decides and sends nothing.
    """
    report = _report(request, case)
    head = report.head
    listed = list(_listed(quote(request.url.path), report))
    return json_response({"case": head.case, "status": head.status, "revision": head.revision, "papers": listed})


def _listed(address: str, report: CaseReport) -> Iterator[dict[str, Any]]:
    for name, paper in PAPERS.items():
        yield _row(f"{address}/{name}", paper.about, paper.media_type, None)
    for units in report.consignees:
        for ending, of_consignee in CONSIGNEE_PAPERS.items():
            href = f"{address}/consignees/{quote(units.consignee, safe='')}.{ending}"
            yield _row(href, of_consignee.about, of_consignee.media_type, units)


def _row(href: str, about: str, media_type: str, units: ConsigneeUnits | None) -> dict[str, Any]:
    return {
        "href": href,
        "about": about,
        "media_type": media_type,
        "consignee": None if units is None else units.consignee,
        "units": None if units is None else len(units.units),
    }


@router.get(
    "/cases/{case:path}/papers/consignees/{consignee:path}.pdf",
    summary="The letter to a consignee",
    operation_id="case_letter",
    response_class=Response,
    responses=_content(CONSIGNEE_PAPERS["pdf"].media_type),
)
def letter(request: Request, case: CaseCode, consignee: ConsigneeCode) -> Response:
    """The letter with the units that the consignee was sent, and a reply form: a draft for whoever answers for it."""
    return _for_consignee(request, case, consignee, "pdf")


@router.get(
    "/cases/{case:path}/papers/consignees/{consignee:path}.csv",
    summary="The units that a consignee was sent",
    operation_id="case_letter_units",
    response_class=Response,
    responses=_content(CONSIGNEE_PAPERS["csv"].media_type),
)
def letter_units(request: Request, case: CaseCode, consignee: ConsigneeCode) -> Response:
    """The list of the letter as CSV (RFC 4180)."""
    return _for_consignee(request, case, consignee, "csv")


def _for_consignee(request: Request, case: str, consignee: str, ending: str) -> Response:
    report = _report(request, case)
    units = next((one for one in report.consignees if one.consignee == consignee), None)
    if units is None:
        raise Problem("not-found", f"No affected unit of case {case} was despatched to a consignee {consignee}.", 404)
    paper = CONSIGNEE_PAPERS[ending]
    name = f"{file_name(case)}-{file_name(consignee)}.{ending}"
    return _attached(paper.make(report, units), paper.media_type, name)


@router.get(
    "/cases/{case:path}/papers/{paper}",
    summary="A paper of a case",
    operation_id="case_paper",
    response_class=Response,
    responses=_content(*(paper.media_type for paper in PAPERS.values())),
)
def paper_of_case(
    request: Request, case: CaseCode, paper: Annotated[str, Path(description=f"One of {', '.join(PAPERS)}")]
) -> Response:
    """The report, the workbook, or what a regulator's form asks, as PDF or JSON."""
    known = PAPERS.get(paper)
    if known is None:
        raise Problem("not-found", f"There is no paper {paper}; there are {', '.join(PAPERS)}.", 404)
    report = _report(request, case)
    try:
        content = known.make(report)
    except ValueError as error:  # more rows than a sheet of the workbook can have
        raise Problem("cannot-print", str(error), 422) from error
    return _attached(content, known.media_type, f"{file_name(case)}-{paper}")
