"""What a freeze would stop, before anything is done."""

from __future__ import annotations

from fastapi import APIRouter, Request, Response

from partkin.questions.preview import preview
from partkin.questions.units_affected import UnknownSuspects
from partkin.web.alarms import ALARM_BODY, ALARM_PROBLEMS, AskedAlarm
from partkin.web.as_known import AsKnownAt, store_asked
from partkin.web.asking import invalid
from partkin.web.formats import json_response
from partkin.web.schemas.preview import Preview

router = APIRouter(tags=["containment"])


@router.post(
    "/preview",
    summary="What a freeze would stop",
    operation_id="preview",
    response_model=Preview,
    openapi_extra=ALARM_BODY,
    responses=ALARM_PROBLEMS,
)
def preview_of(request: Request, alarm: AskedAlarm, as_known_at: AsKnownAt = None) -> Response:
    """What is suspected in words, and all that is affected in numbers, with some of each group.

    Nothing is recorded or stopped. Affected is what is so as of the moment of the alarm; states, stock and despatches
    are those of now.
    """
    database = store_asked(request, as_known_at)
    held = request.app.state.held if as_known_at is None else None
    try:
        return json_response(preview(database, alarm, held))
    except UnknownSuspects as error:
        raise invalid({mistake.pointer: mistake.detail for mistake in error.mistakes}) from error
