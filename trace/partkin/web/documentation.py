"""The documentation's schemas of messages and answers, which FastAPI does not find by itself."""

from __future__ import annotations

from typing import Any

from partkin.rules.reasons import REASON_TYPES, WARNING_TYPES
from partkin.web.api.messages import FORMS
from partkin.web.problems import MEDIA_TYPE, ProblemDetails

_REFERENCE = "#/components/schemas/{model}"


def add_schemas(document: dict[str, Any]) -> dict[str, Any]:
    """The OpenAPI document with the schemas that its routes refer to."""
    schemas = document.setdefault("components", {}).setdefault("schemas", {})
    for name, form in FORMS.items():
        schema = form.json_schema(ref_template=_REFERENCE)
        schemas.update(schema.pop("$defs", {}))
        schemas[name] = schema
    schemas["ProblemDetails"] = ProblemDetails.model_json_schema(ref_template=_REFERENCE)
    schemas["Reason"] = _REASON
    schemas["Recorded"] = _RECORDED
    for operations in document["paths"].values():
        for operation in operations.values():
            _say_problems(operation["responses"])
    for name in ("HTTPValidationError", "ValidationError"):  # the framework's, which we answer otherwise
        schemas.pop(name, None)
    return document


def _say_problems(responses: dict[str, Any]) -> None:
    """Every error is answered as problem details, whatever the framework supposes."""
    for status, response in responses.items():
        if status >= "400":
            response["content"] = {MEDIA_TYPE: {"schema": {"$ref": _REFERENCE.format(model="ProblemDetails")}}}


_REASON = {
    "type": "object",
    "required": ["type", "title", "detail"],
    "properties": {
        "type": {"type": "string", "enum": [f"/problems/{name}" for name in (*REASON_TYPES, *WARNING_TYPES)]},
        "title": {"type": "string"},
        "detail": {"type": "string", "description": "A sentence for the operator"},
        "pointer": {"type": "string", "description": "The part of the message that it is about (RFC 6901)"},
    },
}

_RECORDED = {
    "type": "object",
    "required": ["entry", "message_id", "outcome", "recorded_at", "unit", "facts", "discrepancies", "warnings"],
    "properties": {
        "entry": {"type": "integer", "description": "Number of the journal entry"},
        "message_id": {"type": "string"},
        "outcome": {"const": "recorded"},
        "recorded_at": {"type": "string", "format": "date-time"},
        "unit": {
            "type": ["object", "null"],
            "description": "The unit or subassembly worked on, and its state afterwards",
        },
        "facts": {
            "type": "array",
            "description": "All that became true, in order",
            "items": {"type": "object", "required": ["fact"], "properties": {"fact": {"type": "string"}}},
        },
        "discrepancies": {
            "type": "array",
            "description": "What in a `tell` contradicts the books; the unit is on hold then",
            "items": {"$ref": "#/components/schemas/Reason"},
        },
        "warnings": {
            "type": "array",
            "description": "What the operator should know, though nothing speaks against the message",
            "items": {"$ref": "#/components/schemas/Reason"},
        },
    },
}
