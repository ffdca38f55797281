"""Drills: rehearsals of a recall, run here, and those that were."""

from __future__ import annotations

import json
import secrets
from functools import partial
from typing import Annotated, Any

from anyio.to_thread import run_sync
from fastapi import APIRouter, Query, Request, Response

from partkin.questions.drills import NothingToDraw, answered_before, list_drills, rehearse
from partkin.rules.messages import LARGEST_WHOLE
from partkin.rules.moments import moment_of
from partkin.web.paging import page_of
from partkin.web.problems import MEDIA_TYPE, Problem, ProblemDetails
from partkin.web.reading import read_post
from partkin.web.schemas.cases import DrillLines, DrillRun

router = APIRouter(tags=["containment"])


def _problems(**descriptions: str) -> dict[int | str, dict[str, Any]]:
    return {
        int(status.removeprefix("_")): {"model": ProblemDetails, "description": words}
        for status, words in descriptions.items()
    }


@router.get("/drills", summary="Drills that were", operation_id="drills", response_model=DrillLines)
def drills(
    request: Request,
    cursor: Annotated[int, Query(ge=0, le=LARGEST_WHOLE, description="`next` of the page before")] = 0,
    limit: Annotated[int, Query(ge=1, le=1000, description="Drills on a page")] = 100,
) -> Response:
    """Drills in the order in which they were recorded, each with what its steps took."""
    rows = list_drills(request.app.state.database, after=cursor, limit=limit + 1)
    return page_of(rows, limit, lambda last: int(last["drill"]))


@router.post(
    "/drills/run",
    status_code=201,
    summary="Rehearse a recall",
    operation_id="run_drill",
    responses={
        201: {
            "description": "Rehearsed and recorded; a repeat gets this answer again",
            "content": {"application/json": {"schema": {"$ref": "#/components/schemas/Recorded"}}},
        },
        **_problems(
            _400="No JSON",
            _404="Nothing stands in a unit that could be drawn",
            _409="Refused: every reason is named",
            _422="Not the right form, or a message_id used before",
            _503="Nothing was recorded: send the same again",
        ),
    },
)
async def run(request: Request, wanted: DrillRun) -> Response:
    """A suspect is drawn at random, every step of a recall is taken and timed, and that is journalled as a drill.

    Nothing is stopped, and no case is opened.
    """
    state = request.app.state
    asked = (wanted.message_id, wanted.operator, moment_of(wanted.occurred_at), wanted.seed, wanted.part)
    before = await run_sync(answered_before, state.database, *asked)
    if before is not None:
        return _answer(*before)
    seed = wanted.seed or secrets.token_hex(16)
    try:
        drill = await run_sync(partial(rehearse, state.database, seed, wanted.part))
    except NothingToDraw as error:
        raise Problem("not-found", str(error), 404) from error
    head = {"message_id": wanted.message_id, "operator": wanted.operator, "occurred_at": wanted.occurred_at.isoformat()}
    post = read_post(json.dumps({**head, **drill.said()}).encode(), state.rulebooks.newest, kind="drill")
    outcome = await state.recorder.submit(post)
    return _answer(outcome.status, outcome.answer)


def _answer(status: int, text: str) -> Response:
    return Response(text, status, media_type="application/json" if status < 400 else MEDIA_TYPE)
