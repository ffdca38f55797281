"""Problem details (RFC 9457): one shape for every error, and a page that explains each type."""

from __future__ import annotations

import logging
import re
from collections.abc import Mapping, Sequence
from typing import Any

from fastapi import FastAPI, Request, Response
from fastapi.exceptions import RequestValidationError
from pydantic import BaseModel, ConfigDict, ValidationError
from sqlalchemy.exc import SQLAlchemyError
from starlette.exceptions import HTTPException

from partkin.rules.canonical_json import canonical
from partkin.rules.reasons import REASON_TYPES, WARNING_TYPES, ReasonType
from partkin.store.errors import is_too_long, is_unreachable
from partkin.store.journal.journal_codec import BrokenEntry

log = logging.getLogger(__name__)

MEDIA_TYPE = "application/problem+json"

PROBLEM_TYPES: Mapping[str, ReasonType] = {
    "refused": ReasonType(
        "Refused",
        "The message asks for something that must not be done now; `reasons` names every reason at once.",
        "Do what the reasons say and post again under a new message_id.",
    ),
    "message-id-reused": ReasonType(
        "The message_id was used before for another message",
        "A repeat of a message gets the first answer; a different message needs an id of its own.",
        "Give every message its own id, a UUID for choice.",
    ),
    "message-id-missing": ReasonType(
        "No message_id",
        "Every message carries its identifier, in the body or in the Idempotency-Key header.",
        "Give one.",
    ),
    "not-json": ReasonType("Not JSON", "The body cannot be decoded as JSON in UTF-8.", "Send valid JSON."),
    "invalid": ReasonType(
        "The request does not have the right form",
        "`errors` names each place (JSON pointer, or the parameter) and what was expected there.",
        "Correct the request.",
    ),
    "too-large": ReasonType(
        "The body is too large", "Bodies are limited.", "Split it into several messages, or attach a smaller file."
    ),
    "wrong-media-type": ReasonType(
        "Wrong media type", "The body must be declared as JSON (or NDJSON).", "Set Content-Type."
    ),
    "not-found": ReasonType("Not found", "There is nothing here.", "Check the address."),
    "method-not-allowed": ReasonType(
        "Method not allowed", "The address does not take this method.", "See the Allow header."
    ),
    "unknown-item": REASON_TYPES["unknown-item"],
    "ambiguous-serial": ReasonType(
        "The serial number is not unique", "Items of several parts carry it.", "Name the part number too."
    ),
    "busy": ReasonType("Too busy to record", "Other processes were faster each time.", "Send the same message again."),
    "store-unreachable": ReasonType(
        "The store cannot be reached", "Nothing was recorded.", "Send the same message again."
    ),
    "question-too-long": ReasonType(
        "The question takes too long",
        "The service stops what its database works at for longer than PARTKIN_QUESTION_SECONDS.",
        "Ask for less at a time: a shorter time, fewer suspects, one part; or let the limit be raised.",
    ),
    "internal": ReasonType("Internal error", "A fault of the service; its log says more.", "Report it."),
    **REASON_TYPES,
    **WARNING_TYPES,
}


class Problem(Exception):
    """An error that is answered as problem details."""

    def __init__(self, type_: str, detail: str, status: int, **extensions: Any) -> None:
        super().__init__(detail)
        self.status = status
        self.body: dict[str, Any] = {
            "type": f"/problems/{type_}",
            "title": PROBLEM_TYPES[type_].title,
            "status": status,
            "detail": detail,
            **extensions,
        }


class ProblemDetails(BaseModel):
    """Problem details as documented; some types have further members."""

    model_config = ConfigDict(extra="allow")

    type: str
    title: str
    status: int
    detail: str
    instance: str | None = None


class ReasonDetails(BaseModel):
    """A reason why something may not be done."""

    type: str
    title: str
    detail: str


def problem_response(body: Mapping[str, Any], headers: Mapping[str, str] | None = None) -> Response:
    """An answer with problem details."""
    return Response(canonical(body), body["status"], dict(headers or {}), MEDIA_TYPE)


def form_errors(error: ValidationError | RequestValidationError) -> list[dict[str, str]]:
    """Every mistake in the form of a request, with its place."""
    found = error.errors()
    return [{"detail": _sentence(one), "pointer": _pointer(one["loc"])} for one in found if not _is_echo(one, found)]


def _is_echo(one: Any, found: Sequence[Any]) -> bool:
    """Whether the library says it only because of another mistake.

    It counts the members of a list without the mistaken ones, and tries an object as a text and a text as an object.
    """
    place, given = one["loc"], one["input"]
    if one["type"] == "too_short":
        return any(other["loc"][: len(place)] == place for other in found if other is not one)
    return place[-1:] == (("constrained-str",) if isinstance(given, dict) else ("NamedItem",)) and isinstance(
        given, dict | str
    )


def _sentence(error: Any) -> str:
    match error["type"]:
        case "missing" | "missing_argument" | "missing_keyword_only_argument":
            return "Missing."
        case "unexpected_keyword_argument" | "extra_forbidden":
            return "Not a member of this message."
        case "predicate_failed":
            return "Printable characters are expected, in codes only ASCII without blanks at the ends."
        case "value_error":
            return str(error["ctx"]["error"]) + "."
        case _:
            return str(error["msg"]) + "."


_ALTERNATIVES = ("constrained-str", "NamedItem")


def _pointer(location: tuple[int | str, ...]) -> str:
    """A JSON pointer; names of alternatives that were tried are left out."""
    steps = [str(step) for step in location if step not in _ALTERNATIVES]
    return "".join("/" + step.replace("~", "~0").replace("/", "~1") for step in steps)


def _methods(app: FastAPI, path: str) -> list[str]:
    """All methods of an address; the framework names only those of the first route that it finds."""
    templates = (
        (re.sub(r"\\{[^}]*\\}", "[^/]+", re.escape(template)), methods)
        for template, methods in app.openapi()["paths"].items()
    )
    return sorted(method.upper() for pattern, methods in templates if re.fullmatch(pattern, path) for method in methods)


def add_handlers(app: FastAPI) -> None:
    """Answer every error of the application as problem details."""

    @app.exception_handler(Problem)
    def problem(_: Request, error: Problem) -> Response:
        return problem_response(error.body)

    @app.exception_handler(RequestValidationError)
    def invalid(_: Request, error: RequestValidationError) -> Response:
        errors = form_errors(error)
        detail = "; ".join(f"{one['pointer']}: {one['detail']}" for one in errors)
        return problem_response(Problem("invalid", detail, 422, errors=errors).body)

    @app.exception_handler(HTTPException)
    def http(request: Request, error: HTTPException) -> Response:
        path = request.url.path
        match error.status_code:
            case 404:
                found = Problem("not-found", f"There is nothing at {path}.", 404)
            case 405:
                allowed = ", ".join(_methods(app, path))
                found = Problem("method-not-allowed", f"{path} takes {allowed}, not {request.method}.", 405)
                return problem_response(found.body, {"Allow": allowed})
            case _:
                found = Problem("internal", str(error.detail), error.status_code)
        return problem_response(found.body, error.headers)

    @app.exception_handler(BrokenEntry)
    def broken(_: Request, error: BrokenEntry) -> Response:
        log.error("%s", error)
        return problem_response(Problem("internal", f"{error} `partkin check` lists all such entries.", 500).body)

    @app.exception_handler(SQLAlchemyError)
    def store(request: Request, error: SQLAlchemyError) -> Response:
        problem = _store_problem(error)
        return fault(request, error) if problem is None else problem_response(problem.body)

    @app.exception_handler(Exception)
    def fault(request: Request, error: Exception) -> Response:
        log.error("%s %s failed", request.method, request.url.path, exc_info=error)
        return problem_response(Problem("internal", "The service's log says why.", 500).body)


def _store_problem(error: SQLAlchemyError) -> Problem | None:
    """What is the matter with the store; None where it is the service's own fault."""
    if is_too_long(error):
        reason = PROBLEM_TYPES["question-too-long"]
        return Problem("question-too-long", f"{reason.meaning} {reason.mend}", 503)
    if not is_unreachable(error):
        return None
    log.error("the store cannot be reached: %s", error)
    return Problem("store-unreachable", "Nothing was found out. Ask again.", 503)
