"""Genealogy: what is in a unit, and which units are affected by what is suspected."""

from __future__ import annotations

import base64
import json
from collections.abc import Mapping
from typing import Annotated, Any

from fastapi import APIRouter, Query, Request, Response
from pydantic import BaseModel

from partkin.questions.birth_record import birth_record, birth_records, flat
from partkin.questions.units_affected import UnknownSuspects, affected_page, affected_rows
from partkin.rules.messages import Code
from partkin.store.genealogy.exposure import Cursor
from partkin.web.alarms import ALARM_BODY, ALARM_PROBLEMS, AskedAlarm
from partkin.web.as_known import AsKnownAt, store_asked
from partkin.web.asking import answered, invalid, line_forms, moment_of_query
from partkin.web.formats import Format, format_of, json_response, rows_response
from partkin.web.problems import ProblemDetails
from partkin.web.schemas.genealogy import Affected, AffectedUnit, Tree, TreeLine

router = APIRouter(tags=["genealogy"])


def _time(description: str) -> Any:
    return Query(
        description=description,
        json_schema_extra={"format": "date-time"},
        openapi_examples={"time": {"value": "2026-03-02T14:00:00+01:00"}},
    )


AsOf = Annotated[str | None, _time("As it was built then; now, if left out")]
Removed = Annotated[bool, Query(description="Also what has been taken out")]


def _answers(line: type[BaseModel], *, problems: Mapping[int, str]) -> dict[int | str, dict[str, Any]]:
    """The documentation of an answer whose rows can be asked for one a line."""
    forms = line_forms(line)
    forms |= {status: {"model": ProblemDetails, "description": words} for status, words in problems.items()}
    return forms


# -- downwards


@router.get(
    "/tree",
    summary="What is in a unit",
    operation_id="tree",
    response_model=Tree,
    responses=_answers(
        TreeLine,
        problems={404: "No such item", 409: "Items of several parts: give the part too", 422: "Not the right form"},
    ),
)
def tree(
    request: Request,
    serial: Annotated[Code | None, Query(description="Serial number; either this or a lot")] = None,
    lot: Annotated[Code | None, Query(description="Lot")] = None,
    part: Annotated[Code | None, Query(description="Part number, where several parts have this number")] = None,
    as_of: AsOf = None,
    as_known_at: AsKnownAt = None,
    removed: Removed = False,
    format: Annotated[Format | None, Query(description="Instead of an Accept header")] = None,  # noqa: A002
) -> Response:
    """The birth record: everything in a unit, a subassembly or a component, at every level, with its tests and holds.

    As JSON the items hold each other (`content`); as NDJSON and CSV there is one item a line.
    """
    if (serial is None) == (lot is None):
        raise invalid({"/query/serial": "Give either a serial or a lot."})
    moment = None if as_of is None else moment_of_query("as_of", as_of)
    store = store_asked(request, as_known_at)
    record = answered(lambda: birth_record(store, part, serial, lot=lot, as_of=moment, removed=removed))
    wanted = format_of(request, format, *Format)
    if wanted == Format.JSON:
        return json_response(record)
    return rows_response((lines for lines in [list(flat(record))]), wanted, list(TreeLine.model_fields))


@router.get(
    "/trees",
    summary="What is in all units started in a time",
    operation_id="trees",
    response_class=Response,
    responses=_answers(TreeLine, problems={422: "Not the right form"}),
)
def trees(
    request: Request,
    started_from: Annotated[str, _time("Started at this moment or later")],
    started_to: Annotated[str, _time("Started before this moment")],
    part: Annotated[Code | None, Query(description="Only this part; subassemblies too. All units, if left out")] = None,
    as_of: AsOf = None,
    as_known_at: AsKnownAt = None,
    removed: Removed = False,
    format: Annotated[Format | None, Query(description="Instead of an Accept header")] = None,  # noqa: A002
) -> Response:
    """The birth records of many units, one item a line, in the order in which the units were started."""
    since, until = moment_of_query("started_from", started_from), moment_of_query("started_to", started_to)
    moment = None if as_of is None else moment_of_query("as_of", as_of)
    wanted = format_of(request, format, Format.NDJSON, Format.CSV)
    if wanted == Format.JSON:
        raise invalid({"/query/format": "Many records come as ndjson or csv, not as json."})
    records = birth_records(store_asked(request, as_known_at), part, since, until, as_of=moment, removed=removed)
    chunks = ([line for record in some for line in flat(record)] for some in records)
    return rows_response(chunks, wanted, list(TreeLine.model_fields))


# -- upwards


def _cursor(text: str) -> Cursor:
    """The cursor that `_cursor_text` wrote."""
    try:
        possible, part, serial = json.loads(base64.urlsafe_b64decode(text))
        return Cursor(int(possible), str(part), str(serial))
    except (ValueError, TypeError) as error:
        raise invalid({"/query/cursor": "cursor is the `next` of the page before."}) from error


def _cursor_text(cursor: Cursor) -> str:
    return base64.urlsafe_b64encode(json.dumps(cursor).encode()).decode()


@router.post(
    "/affected",
    summary="Which units are affected",
    operation_id="affected",
    response_model=Affected,
    openapi_extra=ALARM_BODY,
    responses={**_answers(AffectedUnit, problems={}), **ALARM_PROBLEMS},
)
def affected(
    request: Request,
    alarm: AskedAlarm,
    limit: Annotated[int, Query(ge=1, le=5000, description="Units on a page")] = 500,
    cursor: Annotated[str | None, Query(description="`next` of the page before")] = None,
    as_known_at: AsKnownAt = None,
    format: Annotated[Format | None, Query(description="Instead of an Accept header")] = None,  # noqa: A002
) -> Response:
    """Every unit that a suspect is or was in, also where it has been taken out: certainly or possibly, apart.

    A unit was exposed only where a component was in its holder while that was in the unit. As JSON it comes in pages;
    as NDJSON and CSV all of it, one unit a line.
    """
    database = store_asked(request, as_known_at)
    wanted = format_of(request, format, *Format)
    try:
        if wanted != Format.JSON:
            return rows_response(affected_rows(database, alarm), wanted, list(AffectedUnit.model_fields))
        after = None if cursor is None else _cursor(cursor)
        held = request.app.state.held if as_known_at is None else None
        page = affected_page(database, alarm, after=after, limit=limit, held=held)
    except UnknownSuspects as error:
        raise invalid({mistake.pointer: mistake.detail for mistake in error.mistakes}) from error
    return json_response({**page, "next": None if page["next"] is None else _cursor_text(page["next"])})
