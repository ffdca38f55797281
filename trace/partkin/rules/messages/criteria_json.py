"""Criteria as JSON, as facts and the books keep them, and back."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import fields
from datetime import date, datetime
from typing import Any, get_args, get_type_hints

from partkin.rules.messages.criteria import AnyOf, Suspects
from partkin.rules.moments import moment_of, text_of


def suspects_json(suspects: AnyOf) -> dict[str, Any]:
    """Criteria as they are posted, without what is left out; moments in UTC."""
    return _object_json(suspects)


def _object_json(value: Any) -> dict[str, Any]:
    return {
        one.name.removesuffix("_"): _json(member)
        for one in fields(value)
        if not ((member := getattr(value, one.name)) is None or member is False or member == ())
    }


def _json(value: Any) -> Any:
    if isinstance(value, tuple):
        return [_json(one) for one in value]
    if isinstance(value, datetime):
        return text_of(moment_of(value))
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, str | int | float):
        return value
    return _object_json(value)


def suspects_of_json(text: str) -> Suspects:
    """The criteria that `suspects_json` wrote, from their JSON text."""
    suspects = _of_json(json.loads(text), Suspects)
    assert isinstance(suspects, Suspects)  # noqa: S101 - for the type checker
    return suspects


def _of_json(value: Mapping[str, Any], kind: type[Any]) -> Any:
    hints = get_type_hints(kind)
    names = {one.name.removesuffix("_"): one.name for one in fields(kind)}
    return kind(**{names[name]: _member(member, hints[names[name]]) for name, member in value.items()})


def _member(value: Any, hint: Any) -> Any:
    kind = _kind(hint)
    if isinstance(value, list):
        return tuple(_member(one, kind) for one in value)
    if isinstance(value, Mapping):
        return _of_json(value, kind)
    if kind is datetime:
        return datetime.fromisoformat(value)
    return date.fromisoformat(value) if kind is date else value


def _kind(hint: Any) -> Any:
    """What a member is, or a tuple of it holds, where it is there."""
    for argument in get_args(hint):
        if argument not in (type(None), Ellipsis):
            return _kind(argument)
    return hint
