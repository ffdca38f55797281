"""Parameters that questions about items have alike."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import UTC, date, datetime
from typing import Annotated, Any, TypeVar

from fastapi import Query, Request
from pydantic import BaseModel

from partkin.questions.asked_items import Asked, AskedItem, scanned_item
from partkin.questions.birth_record import AmbiguousItem, NoSuchItem
from partkin.rules.identification import ScanError
from partkin.rules.messages import Code, Scan
from partkin.rules.moments import Moment, moment_of_text
from partkin.web.formats import MEDIA_TYPES, Format
from partkin.web.problems import Problem, ProblemDetails

T = TypeVar("T")

Serial = Annotated[Code | None, Query(description="Serial number")]
Lot = Annotated[Code | None, Query(description="Lot")]
Sscc = Annotated[
    str | None, Query(pattern="^[0-9]{18}$", description="Serial shipping container code of a carton or pallet")
]
RawScan = Annotated[Scan | None, Query(description="The text of its label as the reader sends it, GS as %1D")]
OfPart = Annotated[Code | None, Query(description="Part number, where several parts have this number")]

ITEM_PROBLEMS: dict[int | str, dict[str, Any]] = {
    404: {"model": ProblemDetails, "description": "No such item"},
    409: {"model": ProblemDetails, "description": "Items of several parts: give the part too"},
    422: {"model": ProblemDetails, "description": "Not the right form"},
}


def line_forms(line: type[BaseModel]) -> dict[int | str, dict[str, Any]]:
    """The documentation of an answer whose rows can be asked for one a line."""
    forms = {
        Format.NDJSON: f"one {line.__name__} a line",
        Format.CSV: f"RFC 4180, with these columns: {', '.join(line.model_fields)}",
    }
    content = {MEDIA_TYPES[name]: {"schema": {"type": "string", "description": form}} for name, form in forms.items()}
    return {200: {"content": content}}


def invalid(mistakes: Mapping[str, str]) -> Problem:
    """The problem with parameters, each named by its pointer."""
    errors = [{"pointer": pointer, "detail": detail} for pointer, detail in mistakes.items()]
    return Problem("invalid", " ".join(mistakes.values()), 422, errors=errors)


def moment_of_query(name: str, text: str) -> Moment:
    """The moment of a parameter. Raises Problem where it is no RFC 3339 date and time with offset."""
    try:
        return moment_of_text(text)
    except ValueError as error:
        detail = f"{name} takes a date and time with its offset from UTC, not {text!r} (in an address, + is %2B)."
        raise invalid({f"/query/{name}": detail}) from error


def date_of_query(name: str, text: str) -> date:
    """The date of a parameter. Raises Problem for any other text."""
    try:
        return date.fromisoformat(text)
    except ValueError as error:
        raise invalid({f"/query/{name}": f"{name} takes a date, such as 2026-03-02, not {text!r}."}) from error


def asked_item(
    request: Request, *, serial: str | None, lot: str | None, sscc: str | None, scan: str | None, part: str | None
) -> Asked:
    """The item that the parameters ask for. Raises Problem unless exactly one of them names it."""
    if sum(value is not None for value in (serial, lot, sscc, scan)) != 1:
        raise invalid({"/query/serial": "Give one of serial, lot, sscc and scan."})
    if scan is not None:
        return _of_scan(request, scan)
    if sscc is not None:
        return AskedItem(sscc, part=part, packaging=True)
    return AskedItem(lot or "", ("lot",), part) if serial is None else AskedItem(serial, part=part)


def _of_scan(request: Request, scan: str) -> Asked:
    state = request.app.state
    with state.database.read() as connection:
        rulebook = state.rulebooks.now(connection)
    try:
        return scanned_item(scan, rulebook, datetime.now(UTC).date())
    except ScanError as error:
        errors = [{"pointer": "/query/scan", "detail": error.detail}]
        raise Problem(error.reason, error.detail, 422, errors=errors) from error


def answered(question: Callable[[], T]) -> T:
    """The answer to a question about an item. Raises Problem where there is none, or several."""
    try:
        return question()
    except NoSuchItem as error:
        raise Problem("unknown-item", str(error), 404) from error
    except AmbiguousItem as error:
        raise Problem("ambiguous-serial", f"{error} Name one with part.", 409, parts=error.parts) from error
