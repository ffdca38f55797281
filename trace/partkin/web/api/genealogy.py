"""Genealogy: what is in a unit, and which units are affected by what is suspected."""

from __future__ import annotations

import base64
import json
from collections.abc import Mapping
from typing import Annotated, Any, cast

from fastapi import APIRouter, Depends, Query, Request, Response
from pydantic import BaseModel, TypeAdapter, ValidationError

from partkin.questions.as_known import AsKnown, UnknownSeal
from partkin.questions.birth_record import birth_record, birth_records, flat
from partkin.questions.units_affected import UnknownSuspects, affected_page, affected_rows
from partkin.rules.messages import LARGEST_WHOLE, Code
from partkin.rules.suspects import Alarm
from partkin.store.database import Readable
from partkin.store.exposure import Cursor
from partkin.store.seals import BrokenSeal
from partkin.web.asking import answered, invalid, line_forms, moment_of_query
from partkin.web.formats import Format, format_of, json_response, rows_response
from partkin.web.problems import Problem, ProblemDetails, form_errors
from partkin.web.reading import BodyTooLarge, media_type, read_body
from partkin.web.schemas.genealogy import Affected, AffectedUnit, Tree, TreeLine

router = APIRouter(tags=["genealogy"])

ALARM: TypeAdapter[Alarm] = TypeAdapter(Alarm)


def _time(description: str) -> Any:
    return Query(
        description=description,
        json_schema_extra={"format": "date-time"},
        openapi_examples={"time": {"value": "2026-03-02T14:00:00+01:00"}},
    )


AsOf = Annotated[str | None, _time("As it was built then; now, if left out")]
AsKnownAt = Annotated[
    int | None,
    Query(
        ge=1,
        le=LARGEST_WHOLE,
        description="As the books knew it at the seal of this number, whatever was recorded since; by all that is "
        "recorded now, if left out. The first question about a seal takes as long as `partkin check`",
    ),
]
Removed = Annotated[bool, Query(description="Also what has been taken out")]


def _asked(request: Request, seal: int | None) -> Readable:
    """What the question is asked of. Raises Problem where there is no such seal, or the books cannot be rebuilt."""
    database, folder = request.app.state.database, request.app.state.settings.cache_folder
    if seal is None:
        return cast(Readable, database)
    try:
        return AsKnown(database, seal, folder, lambda _done, _of: None)
    except UnknownSeal as error:
        raise invalid({"/query/as_known_at": f"{error} GET /v1/seals lists them."}) from error
    except BrokenSeal as error:
        raise Problem("internal", f"{error} Run `partkin check`, and compare with what auditors have.", 500) from error
    except OSError as error:
        detail = f"The books as known then cannot be kept: {error}. PARTKIN_CACHE_FOLDER names a folder for them."
        raise Problem("store-unreachable", detail, 503) from error


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
    store = _asked(request, as_known_at)
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
    records = birth_records(_asked(request, as_known_at), part, since, until, as_of=moment, removed=removed)
    chunks = ([line for record in some for line in flat(record)] for some in records)
    return rows_response(chunks, wanted, list(TreeLine.model_fields))


# -- upwards


def _inlined(schema: Any, definitions: Mapping[str, Any]) -> Any:
    """A JSON schema with its definitions in the places that refer to them."""
    if isinstance(schema, dict):
        if "$ref" in schema:
            return _inlined(definitions[schema["$ref"].removeprefix("#/$defs/")], definitions)
        return {name: _inlined(value, definitions) for name, value in schema.items() if name != "$defs"}
    return [_inlined(value, definitions) for value in schema] if isinstance(schema, list) else schema


_FORM = ALARM.json_schema()
_EXAMPLES = {
    "a lot": {"suspects": {"items": [{"part": "BR-120", "lot": "A2291"}]}},
    "a delivery and a serial range, as of a moment": {
        "suspects": {
            "received": [{"supplier": "QUILLFORD", "from": "2026-03-01T00:00:00Z", "to": "2026-03-09T00:00:00Z"}],
            "serial_ranges": [{"part": "MO-310", "from": "M100200", "to": "M100399"}],
        },
        "as_of": "2026-03-09T14:00:00+01:00",
    },
}


async def _alarm(request: Request) -> Alarm:
    """The body of the request."""
    try:
        raw = await read_body(request, request.app.state.settings.body_limit_bytes)
    except BodyTooLarge as error:
        raise Problem("too-large", f"The body is larger than {error.limit} bytes.", 413) from error
    if media_type(request) not in ("application/json", ""):
        raise Problem("wrong-media-type", f"The body must be application/json, not {media_type(request)}.", 415)
    try:
        return ALARM.validate_json(raw)
    except ValidationError as error:
        mistakes = error.errors()
        if mistakes[0]["type"] == "json_invalid":
            raise Problem("not-json", f"The body is not JSON: {mistakes[0]['ctx']['error']}.", 400) from error
        errors = form_errors(error)
        raise invalid({one["pointer"]: one["detail"] for one in errors}) from error


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
    openapi_extra={
        "requestBody": {
            "required": True,
            "content": {
                "application/json": {
                    "schema": _inlined(_FORM, _FORM["$defs"]),
                    "examples": {name: {"value": value} for name, value in _EXAMPLES.items()},
                }
            },
        }
    },
    responses=_answers(
        AffectedUnit,
        problems={
            400: "No JSON",
            413: "Too large",
            415: "Not declared as JSON",
            422: "Not the right form, or something that neither the catalogue nor the books know",
        },
    ),
)
def affected(
    request: Request,
    alarm: Annotated[Alarm, Depends(_alarm)],
    limit: Annotated[int, Query(ge=1, le=5000, description="Units on a page")] = 500,
    cursor: Annotated[str | None, Query(description="`next` of the page before")] = None,
    as_known_at: AsKnownAt = None,
    format: Annotated[Format | None, Query(description="Instead of an Accept header")] = None,  # noqa: A002
) -> Response:
    """Every unit that a suspect is or was in, also where it has been taken out: certainly or possibly, apart.

    A unit was exposed only where a component was in its holder while that was in the unit. As JSON it comes in pages;
    as NDJSON and CSV all of it, one unit a line.
    """
    database = _asked(request, as_known_at)
    wanted = format_of(request, format, *Format)
    try:
        if wanted != Format.JSON:
            return rows_response(affected_rows(database, alarm), wanted, list(AffectedUnit.model_fields))
        page = affected_page(database, alarm, after=None if cursor is None else _cursor(cursor), limit=limit)
    except UnknownSuspects as error:
        raise invalid({mistake.pointer: mistake.detail for mistake in error.mistakes}) from error
    return json_response({**page, "next": None if page["next"] is None else _cursor_text(page["next"])})
