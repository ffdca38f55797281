"""Alarms as the bodies of questions: what is suspected, and as of when."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Any

from fastapi import Depends, Request
from pydantic import TypeAdapter, ValidationError

from partkin.rules.messages.criteria import Alarm
from partkin.web.asking import invalid
from partkin.web.problems import Problem, ProblemDetails, form_errors
from partkin.web.reading import BodyTooLarge, media_type, read_body

ALARM: TypeAdapter[Alarm] = TypeAdapter(Alarm)


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
ALARM_BODY: dict[str, Any] = {
    "requestBody": {
        "required": True,
        "content": {
            "application/json": {
                "schema": _inlined(_FORM, _FORM["$defs"]),
                "examples": {name: {"value": value} for name, value in _EXAMPLES.items()},
            }
        },
    }
}
"""The documentation of the body."""

ALARM_PROBLEMS: dict[int | str, dict[str, Any]] = {
    400: {"model": ProblemDetails, "description": "No JSON"},
    413: {"model": ProblemDetails, "description": "Too large"},
    415: {"model": ProblemDetails, "description": "Not declared as JSON"},
    422: {
        "model": ProblemDetails,
        "description": "Not the right form, or something that neither the catalogue nor the books know",
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


AskedAlarm = Annotated[Alarm, Depends(_alarm)]
