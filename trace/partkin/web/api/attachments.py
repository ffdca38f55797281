"""Attachments of test runs, such as waveforms and pictures: kept once, by the hash of their content."""

from __future__ import annotations

import mimetypes
import re
import time
from typing import Annotated, Any

import anyio.to_thread
from fastapi import APIRouter, Path, Request, Response
from fastapi.responses import StreamingResponse
from pydantic import BaseModel, ConfigDict
from sqlalchemy.exc import DBAPIError
from starlette.requests import ClientDisconnect

from partkin.actions.keep_attachment import AttachmentTooLarge, Incoming, incoming, keep_attachment
from partkin.questions.attachments import attachment_of, content_of
from partkin.store.attachments import Attachment
from partkin.store.database import Database
from partkin.store.errors import is_conflict
from partkin.web.formats import json_response
from partkin.web.problems import Problem, ProblemDetails
from partkin.web.reading import media_type

router = APIRouter(tags=["attachments"])

Sha256 = Annotated[str, Path(pattern="^[0-9a-f]{64}$", description="SHA-256 of the content, hexadecimal")]

_TOKEN = r"[!#$%&'*+.^_`|~0-9A-Za-z-]+"  # noqa: S105 - RFC 9110, 5.6.2
_MEDIA_TYPE = re.compile(rf'(?=.{{3,200}}$){_TOKEN}/{_TOKEN}([ \t]*;[ \t]*{_TOKEN}=({_TOKEN}|"[ !#-\[\]-~]*"))*')
_FORMS = ("application/x-www-form-urlencoded", "multipart/form-data")
"""What programs declare, or wrap a file in, unless they are told what it is."""


class KeptAttachment(BaseModel):
    """A kept attachment; test runs name it by `sha256`."""

    model_config = ConfigDict(use_attribute_docstrings=True)

    sha256: str
    size: int
    """Bytes."""
    media_type: str
    """As declared when it was kept first."""


# -- in


def _problems(*statuses: int) -> dict[int | str, dict[str, Any]]:
    descriptions = {
        404: "No such attachment",
        413: "Too large",
        415: "No media type of a valid form, or that of a web form",
        422: "No SHA-256, or not that of the content",
        503: "Nothing was kept: send it again",
    }
    return {status: {"model": ProblemDetails, "description": descriptions[status]} for status in statuses}


_BODY = {
    "requestBody": {
        "required": True,
        "description": "The bytes themselves, under their own media type",
        "content": {"application/octet-stream": {}},
    }
}
_KEPT: dict[int | str, dict[str, Any]] = {
    200: {"model": KeptAttachment, "description": "It was known before"},
    201: {"model": KeptAttachment, "description": "It is kept"},
}


@router.put(
    "/attachments/{sha256}",
    summary="Keep an attachment whose hash is known",
    operation_id="put_attachment",
    status_code=201,
    openapi_extra=_BODY,
    responses={**_KEPT, **_problems(413, 415, 422, 503)},
)
async def put_attachment(request: Request, sha256: Sha256) -> Response:
    """Refused unless the content has this hash: so it arrived whole. May be repeated."""
    return await _keep(request, sha256)


@router.post(
    "/attachments",
    summary="Keep an attachment",
    operation_id="post_attachment",
    status_code=201,
    openapi_extra=_BODY,
    responses={**_KEPT, **_problems(413, 415, 503)},
)
async def post_attachment(request: Request) -> Response:
    """Its hash, which test runs name it by, is computed. May be repeated."""
    return await _keep(request, None)


async def _keep(request: Request, sha256: str | None) -> Response:
    declared = _declared(request)
    state = request.app.state
    with incoming(state.settings.attachment_limit_bytes) as content:
        try:
            await _take_in(request, content)
        except ClientDisconnect:
            return Response(status_code=400)  # nobody is there to read it
        if sha256 not in (None, content.sha256):
            raise _other_content(content)
        attachment, new = await anyio.to_thread.run_sync(_kept, state.database, content, declared)
    response = json_response({name: getattr(attachment, name) for name in KeptAttachment.model_fields})
    response.status_code = 201 if new else 200
    response.headers["Location"] = f"/v1/attachments/{attachment.sha256}"
    return response


def _declared(request: Request) -> str:
    """The media type with its parameters. Raises Problem where it has no valid form, or says nothing of the content."""
    declared = request.headers.get("content-type", "application/octet-stream").strip()
    if not _MEDIA_TYPE.fullmatch(declared):
        detail = f"Content-Type must be a media type of up to 200 characters, such as image/png, not {declared!r}."
        raise Problem("wrong-media-type", detail, 415)
    if media_type(request) in _FORMS:
        detail = f"Send the bytes themselves with their own Content-Type, such as image/png, not {declared}."
        raise Problem("wrong-media-type", detail, 415)
    return declared


async def _take_in(request: Request, content: Incoming) -> None:
    try:
        async for chunk in request.stream():
            await anyio.to_thread.run_sync(content.add, chunk)
    except AttachmentTooLarge as error:
        detail = f"An attachment may have {error.limit} bytes, and this one has more. Nothing was kept."
        raise Problem("too-large", detail, 413) from error


def _other_content(content: Incoming) -> Problem:
    detail = (
        f"The {content.size} bytes that arrived have the SHA-256 {content.sha256}, not that of the address. "
        "Nothing was kept: send the whole, unchanged content."
    )
    return Problem("invalid", detail, 422, errors=[{"pointer": "/path/sha256", "detail": detail}])


def _kept(database: Database, content: Incoming, declared: str) -> tuple[Attachment, bool]:
    try:
        return keep_attachment(database, content, declared, now=time.time_ns() // 1000)
    except DBAPIError as error:
        if is_conflict(error):
            raise Problem("busy", "Nothing was kept. Send it again.", 503) from error
        raise


# -- out

_CONTENT: dict[int | str, dict[str, Any]] = {
    200: {"content": {"*/*": {}}, "description": "The content, under the media type that was declared for it"},
    304: {"content": {}, "description": "If-None-Match has its ETag"},
}


@router.get(
    "/attachments/{sha256}",
    summary="The content of an attachment",
    operation_id="get_attachment",
    response_class=Response,
    responses={**_CONTENT, **_problems(404, 422)},
)
def get_attachment(request: Request, sha256: Sha256) -> Response:
    """To be saved, never to be shown in the browser: it is what a tester sent."""
    attachment = _found(request, sha256)
    if _is_known(request, attachment):
        return _not_modified(attachment)
    content = content_of(request.app.state.database, attachment)
    return StreamingResponse(content, headers=_headers(attachment))


@router.head(
    "/attachments/{sha256}",
    summary="Whether an attachment is kept",
    operation_id="head_attachment",
    response_class=Response,
    responses={**_CONTENT, **_problems(404, 422)},
)
def head_attachment(request: Request, sha256: Sha256) -> Response:
    """The headers of its content."""
    attachment = _found(request, sha256)
    return _not_modified(attachment) if _is_known(request, attachment) else Response(headers=_headers(attachment))


def _found(request: Request, sha256: str) -> Attachment:
    attachment = attachment_of(request.app.state.database, sha256)
    if attachment is None:
        raise Problem("not-found", f"No attachment has the SHA-256 {sha256}.", 404)
    return attachment


def _is_known(request: Request, attachment: Attachment) -> bool:
    """Whether who asks has it already (RFC 9110, 13.1.2)."""
    tags = request.headers.get("if-none-match", "")
    return tags.strip() == "*" or _tag(attachment) in tags


def _not_modified(attachment: Attachment) -> Response:
    return Response(status_code=304, headers={"ETag": _tag(attachment)})


def _tag(attachment: Attachment) -> str:
    return f'"{attachment.sha256}"'


def _headers(attachment: Attachment) -> dict[str, str]:
    ending = mimetypes.guess_extension(attachment.media_type.partition(";")[0].strip()) or ""
    return {
        "Content-Type": attachment.media_type,
        "Content-Length": str(attachment.size),
        "Content-Disposition": f'attachment; filename="{attachment.sha256}{ending}"',
        "ETag": _tag(attachment),
        "X-Content-Type-Options": "nosniff",
    }
