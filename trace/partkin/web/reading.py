"""From the bytes of a request to a message, or to the problem with it."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Annotated, Any, cast

from fastapi import Request
from pydantic import Field, TypeAdapter, ValidationError
from starlette.requests import ClientDisconnect

from partkin.actions.record_messages import MessagePost, Post, UnreadablePost
from partkin.rules.canonical_json import canonical
from partkin.rules.messages import Message
from partkin.rules.reading import Rulebook, read_message
from partkin.web.problems import Problem, form_errors

MESSAGE: TypeAdapter[Message] = TypeAdapter(Annotated[Message, Field(discriminator="kind")])

KEPT_OF_UNREADABLE = 65_536
"""Characters kept in the journal of what cannot be read as a message."""


@dataclass(frozen=True, slots=True)
class BodyTooLarge(Exception):
    """More bytes than allowed; with the ones read so far."""

    start: bytes
    limit: int


async def read_body(request: Request, limit: int) -> bytes:
    """The body, as long as it is not larger than the limit in bytes."""
    body = b""
    while True:  # as the request's own stream does, at a fraction of its cost
        event = await request.receive()
        if event["type"] == "http.disconnect":
            raise ClientDisconnect
        body += cast(bytes, event.get("body", b""))
        if len(body) > limit:
            raise BodyTooLarge(body, limit)
        if not event.get("more_body", False):
            return body


def media_type(request: Request) -> str:
    """The declared media type, without parameters."""
    return request.headers.get("content-type", "").partition(";")[0].strip().lower()


def idempotency_key(request: Request) -> str | None:
    """The Idempotency-Key header: a structured-field string (RFC 8941), in double quotes.

    Raises Problem for a header of another form.
    """
    values = request.headers.getlist("idempotency-key")
    if not values:
        return None
    value = ", ".join(values)  # several headers of one name are one list, which is no string
    text = value.strip(" ")
    inner = text[1:-1]
    plain = inner.replace("\\\\", "").replace('\\"', "")
    if len(text) < 3 or text[0] != '"' or text[-1] != '"' or '"' in plain or "\\" in plain:
        raise Problem("invalid", f"The Idempotency-Key header must be a string in double quotes, not {value}.", 400)
    return inner.replace('\\"', '"').replace("\\\\", "\\")


def unreadable(raw: bytes, problem: Problem) -> UnreadablePost:
    """What cannot be read as a message, as the journal keeps it."""
    return UnreadablePost(raw[:KEPT_OF_UNREADABLE].decode("utf-8", "backslashreplace"), problem.body)


def read_post(raw: bytes, rulebook: Rulebook, *, kind: str | None = None, key: str | None = None) -> Post:
    """A message from its JSON text; `kind` and message_id may be given from outside of it."""
    try:
        return _read(raw, rulebook, kind, key)
    except Problem as problem:
        return unreadable(raw, problem)


def _read(raw: bytes, rulebook: Rulebook, kind: str | None, key: str | None) -> MessagePost:
    try:
        value = json.loads(raw, object_pairs_hook=_each_once)
    except (UnicodeDecodeError, json.JSONDecodeError, RecursionError) as error:
        raise Problem("not-json", f"The body is not JSON: {error}.", 400) from error
    except _Twice as error:
        detail = f"A member stands twice: {error}."
        raise Problem("invalid", detail, 422, errors=[_error("", detail)]) from error
    except ValueError as error:  # more digits than Python reads
        detail = "A number has too many digits."
        raise Problem("invalid", detail, 422, errors=[_error("", detail)]) from error
    if not isinstance(value, dict):
        raise Problem("invalid", "A message is a JSON object.", 422, errors=[_error("", "An object is expected.")])
    value = _with_outside(value, kind, key)
    try:
        text = canonical(value)
        message = MESSAGE.validate_json(text)
    except ValidationError as error:
        errors = [{**one, "pointer": _without_kind(one["pointer"], value)} for one in form_errors(error)]
        detail = "; ".join(f"{one['pointer'] or 'the message'}: {one['detail']}" for one in errors)
        raise Problem("invalid", detail, 422, errors=errors) from error
    except (
        ValueError,
        RecursionError,
    ) as error:  # no canonical form: NaN, integers beyond 2^53, lone surrogates
        raise Problem("invalid", f"{error}.", 422, errors=[_error("", str(error))]) from error
    return MessagePost(read_message(message, rulebook), text)


class _Twice(Exception):
    """An object has two members of one name; the argument is the name."""


def _each_once(members: list[tuple[str, Any]]) -> dict[str, Any]:
    """An object; nothing of what was said may be lost by a second member of the same name."""
    value = dict(members)
    if len(value) < len(members):
        names = [name for name, _ in members]
        raise _Twice(next(name for name in names if names.count(name) > 1))
    return value


def _with_outside(value: Mapping[str, Any], kind: str | None, key: str | None) -> dict[str, Any]:
    if kind is not None and value.get("kind", kind) != kind:
        detail = f"This address takes messages of kind {kind}, not {value['kind']!r}."
        raise Problem("invalid", detail, 422, errors=[_error("/kind", detail)])
    if key is not None and value.get("message_id", key) != key:
        detail = "message_id and the Idempotency-Key header differ."
        raise Problem("invalid", detail, 422, errors=[_error("/message_id", detail)])
    whole = dict(value)
    if kind is not None:
        whole["kind"] = kind
    if key is not None:
        whole["message_id"] = key
    if whole.get("message_id") is None:
        raise Problem("message-id-missing", "Give message_id in the body, or the Idempotency-Key header.", 400)
    return whole


def _error(pointer: str, detail: str) -> dict[str, str]:
    return {"pointer": pointer, "detail": detail}


def _without_kind(pointer: str, value: Mapping[str, Any]) -> str:
    """The library names the kind as the first step of a place in a message; the message has no such step."""
    return pointer.removeprefix(f"/{value.get('kind')}")
