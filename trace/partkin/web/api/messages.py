"""Posts: one address for each kind of message, and one for many messages."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Awaitable, Callable
from typing import Any

from fastapi import APIRouter, Request, Response
from fastapi.responses import StreamingResponse
from pydantic import TypeAdapter
from starlette.requests import ClientDisconnect
from starlette.types import ASGIApp, Receive, Scope, Send

from partkin.actions.record_messages import Outcome, Post
from partkin.actions.recorder import Recorder
from partkin.rules import messages
from partkin.settings import Settings
from partkin.web.examples import EXAMPLES, Example
from partkin.web.problems import MEDIA_TYPE as PROBLEM
from partkin.web.problems import Problem, ProblemDetails
from partkin.web.reading import BodyTooLarge, idempotency_key, media_type, read_body, read_post, unreadable

NDJSON = "application/x-ndjson"

router = APIRouter(tags=["recording"])

ADDRESSES: dict[str, tuple[str, type[Any], str]] = {
    "/units": ("unit-start", messages.UnitStart, "Start a unit or a subassembly"),
    "/marriages": ("marriage", messages.Marriage, "Marry components with a unit"),
    "/removals": ("removal", messages.Removal, "Take a component out"),
    "/lot-loadings": ("lot-loading", messages.LotLoading, "Load a lot at a point of use, or empty it"),
    "/receipts": ("receipt", messages.Receipt, "Book parts in"),
    "/test-runs": ("test-run", messages.TestRun, "Record a test run"),
    "/holds": ("hold", messages.Hold, "Place or release a hold"),
    "/number-blocks": ("number-block", messages.NumberBlock, "Reserve serial numbers"),
    "/labels": ("label-print", messages.LabelPrint, "Print labels"),
    "/dispositions": ("disposition", messages.Disposition, "Scrap something, send it away, or take it back to stock"),
    "/corrections": ("correction", messages.Correction, "Correct a wrong record"),
    "/lot-transfers": ("lot-transfer", messages.LotTransfer, "Split a lot, or merge lots"),
    "/calibrations": ("calibration", messages.Calibration, "Record the calibration of an instrument"),
    "/build-orders": ("build-order", messages.BuildOrder, "Say what a line builds next"),
    "/packings": ("packing", messages.Packing, "Pack units into cartons, and cartons onto pallets"),
    "/shipments": ("shipment", messages.Shipment, "Load a shipment, unload it, or despatch it"),
    "/customer-returns": ("customer-return", messages.CustomerReturn, "Take a unit back from a customer"),
    "/stock-counts": ("stock-count", messages.StockCount, "Count the pieces of a lot"),
    "/cases": ("containment", messages.Containment, "Open, freeze, close or reopen a containment case"),
    "/case-decisions": ("case-decision", messages.CaseDecision, "Decide what becomes of what a case lists"),
    "/sortings": ("sorting", messages.Sorting, "Draw units for inspection"),
    "/inspections": ("inspection", messages.Inspection, "Record the inspection of what was drawn"),
    "/notices": ("notice", messages.Notice, "Record notices to consignees, and checks of them"),
    "/drills": ("drill", messages.Drill, "Record the rehearsal of a recall"),
}
"""Address to kind, form and summary."""

FORMS = {form.__name__: TypeAdapter(form) for _, form, _ in ADDRESSES.values()}
"""The forms of all messages, for the documentation."""


def _response(outcome: Outcome) -> Response:
    return Response(outcome.answer, outcome.status, media_type="application/json" if outcome.status < 400 else PROBLEM)


def _recorder(kind: str) -> Callable[[Request], Awaitable[Response]]:
    async def record(request: Request) -> Response:
        state = request.app.state
        recorder: Recorder = state.recorder
        settings: Settings = state.settings
        raw = b""
        try:
            raw = await read_body(request, settings.body_limit_bytes)
            if media_type(request) not in ("application/json", ""):
                detail = f"The body must be application/json, not {media_type(request)}."
                raise Problem("wrong-media-type", detail, 415)
            post = read_post(raw, state.rulebooks.newest, kind=kind, key=idempotency_key(request))
        except ClientDisconnect:
            return Response(status_code=400)  # nobody is there to read it
        except BodyTooLarge as error:
            detail = f"The body is larger than {error.limit} bytes."
            post = unreadable(error.start, Problem("too-large", detail, 413))
        except Problem as problem:
            post = unreadable(raw, problem)
        return _response(await recorder.submit(post))

    return record


RECORDERS = {path: _recorder(kind) for path, (kind, _, _) in ADDRESSES.items()}
"""What takes the posts of an address."""


class Posts:
    """Takes posts before the framework looks for their route, which would cost more than reading them."""

    def __init__(self, app: ASGIApp, *, prefix: str) -> None:
        self._app = app
        self._recorders = {prefix + path: record for path, record in RECORDERS.items()}

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """What is no post goes on to the application."""
        record = self._recorders.get(scope["path"]) if scope.get("method") == "POST" else None
        if record is None:
            await self._app(scope, receive, send)
        else:
            response = await record(Request(scope, receive))
            await response(scope, receive, send)


def _documented(form: type[Any], example: Example) -> dict[str, Any]:
    return {
        "requestBody": {
            "required": True,
            "content": {
                "application/json": {
                    "schema": {"$ref": f"#/components/schemas/{form.__name__}"},
                    "examples": {"accepted": {"value": example.message}},
                }
            },
        },
        "parameters": [
            {
                "name": "Idempotency-Key",
                "in": "header",
                "required": False,
                "schema": {"type": "string"},
                "description": "The message_id as a structured-field string, where the body does not carry it.",
                "example": '"8e03978e-40d5-43e8-bc93-6894a57f9324"',
            }
        ],
    }


def _problems(*statuses: int) -> dict[int | str, dict[str, Any]]:
    descriptions = {
        400: "No JSON, or no message_id",
        409: "Refused: every reason is named",
        413: "Too large",
        415: "Not declared as JSON",
        422: "Not the form of this message, or a message_id used before",
        503: "Nothing was recorded: send the same message again",
    }
    return {
        status: {
            "description": descriptions[status],
            "content": {PROBLEM: {"schema": {"$ref": "#/components/schemas/ProblemDetails"}}},
        }
        for status in statuses
    }


for _path, (_kind, _form, _summary) in ADDRESSES.items():
    router.add_api_route(
        _path,
        RECORDERS[_path],
        methods=["POST"],
        status_code=201,
        summary=_summary,
        description=_form.__doc__,
        operation_id=f"record_{_kind.replace('-', '_')}",
        openapi_extra=_documented(_form, EXAMPLES[_kind]),
        responses={
            201: {
                "description": "Recorded; a repeat gets this answer again",
                "content": {
                    "application/json": {
                        "schema": {"$ref": "#/components/schemas/Recorded"},
                        "example": EXAMPLES[_kind].answer,
                    }
                },
            },
            **_problems(400, 409, 413, 415, 422, 503),
        },
    )


# -- many messages


async def _lines(request: Request, settings: Settings) -> AsyncIterator[bytes]:
    """The lines of a body as they arrive, without empty ones. A line beyond its limit is cut to just over it.

    Raises BodyTooLarge when all lines together are beyond theirs.
    """
    rest = b""
    skipping, total = False, 0
    async for chunk in request.stream():
        total += len(chunk)
        if total > settings.lines_limit_bytes:
            raise BodyTooLarge(rest, settings.lines_limit_bytes)
        *whole, rest = (rest + chunk).split(b"\n")
        for line in whole:
            if not skipping and line.strip():
                yield line
            skipping = False
        if skipping:
            rest = b""
        elif len(rest) > settings.body_limit_bytes:
            yield rest
            rest, skipping = b"", True
    if rest.strip():
        yield rest


@router.post(
    "/messages",
    summary="Record many messages",
    operation_id="record_messages",
    response_class=StreamingResponse,
    openapi_extra={
        "requestBody": {
            "required": True,
            "content": {
                NDJSON: {"schema": {"type": "string", "description": "one message a line, each with its kind"}}
            },
        }
    },
    responses={
        200: {
            "description": "One line a message, in order: its status and the answer that it would have had alone",
            "content": {NDJSON: {"schema": {"type": "string"}}},
        },
        415: {"model": ProblemDetails, "description": "Not declared as NDJSON"},
    },
)
async def record_messages(request: Request) -> Response:
    """Messages of any kind, one JSON object a line, to catch up or to backfill: recorded in order, each for itself."""
    settings: Settings = request.app.state.settings
    if media_type(request) not in (NDJSON, "application/jsonl", "application/ndjson"):
        problem = Problem(
            "wrong-media-type", f"The body must be {NDJSON}, not {media_type(request) or 'undeclared'}.", 415
        )
        start = await anext(request.stream(), b"")
        return _response(await request.app.state.recorder.submit(unreadable(start, problem)))
    return _TwoWay(_outcomes(request, settings), media_type=NDJSON)


class _TwoWay(StreamingResponse):
    """Answers while the request is still being read; the usual one would read it too, waiting for its end."""

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:  # noqa: ARG002 - as called by ASGI
        await self.stream_response(send)


async def _outcomes(request: Request, settings: Settings) -> AsyncIterator[str]:
    recorder: Recorder = request.app.state.recorder
    waiting: list[asyncio.Future[Outcome]] = []
    try:
        async for line in _lines(request, settings):
            waiting.append(recorder.submit(_post_of_line(request, line, settings.body_limit_bytes)))
            if len(waiting) >= 2 * settings.batch_limit:
                first, waiting = waiting[: settings.batch_limit], waiting[settings.batch_limit :]
                yield _answers(await asyncio.gather(*first))
    except BodyTooLarge as error:
        problem = Problem("too-large", f"All lines together have over {error.limit} bytes.", 413)
        waiting.append(recorder.submit(unreadable(error.start, problem)))
    except ClientDisconnect:
        return  # what was queued is recorded; a repeat gets its answers
    if waiting:
        yield _answers(await asyncio.gather(*waiting))


def _post_of_line(request: Request, line: bytes, limit: int) -> Post:
    if len(line) > limit:
        return unreadable(line, Problem("too-large", f"The line is larger than {limit} bytes.", 413))
    return read_post(line, request.app.state.rulebooks.newest)


def _answers(outcomes: list[Outcome]) -> str:
    return "".join(f'{{"answer":{outcome.answer},"status":{outcome.status}}}\n' for outcome in outcomes)
