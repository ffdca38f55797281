"""Suspects as they are named on the command line: options of several words, and what is wrong in them."""

from __future__ import annotations

import json
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import typer
from typer.core import TyperCommand

from partkin.command_line.asking import BadInput, moment_asked

if TYPE_CHECKING:
    from partkin.rules.suspects import Alarm


class Words(tuple[str, ...]):
    """The words of one option."""


class WideOptions(TyperCommand):
    """A command whose options take as many words each as their metavars name."""

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        for parameter in self.params:
            parameter.nargs = len((parameter.metavar or "").split()) or 1


def words(metavar: str, said: str) -> Any:
    """An option of several words, which may be given several times."""
    return typer.Option(metavar=metavar, help=said, parser=Words, show_default=False)


@dataclass
class Criteria:
    """Suspects as an alarm names them, and the option that named each."""

    suspects: dict[str, list[dict[str, Any]]] = field(default_factory=dict)
    options: dict[str, list[str]] = field(default_factory=dict)

    def add(self, kind: str, option: str, given: Iterable[Words] | None, *names: str, **more: str) -> None:
        """Take what an option was given: its words are the named members. Times are read; BadInput where that fails."""
        for said in given or ():
            members = dict(zip(names, said, strict=True))
            if kind in ("received", "worked"):
                members |= {name: _time(members[name], option) for name in ("from", "to")}
            self.suspects.setdefault(kind, []).append(members | more)
            self.options.setdefault(kind, []).append(f"{option} {' '.join(said)}")

    def alarm(self, as_of: str | None) -> Alarm:
        """The question. Raises BadInput where a criterion has not its form."""
        from pydantic import TypeAdapter, ValidationError

        from partkin.rules.suspects import Alarm

        asked = {"suspects": self.suspects, "as_of": None if as_of is None else _time(as_of, "--as-of")}
        try:
            return TypeAdapter(Alarm).validate_json(json.dumps(asked))
        except ValidationError as error:
            first = error.errors()[0]
            raise BadInput(f"{self._option(first['loc'])}{first['msg'].removeprefix('Value error, ')}") from error

    def at(self, pointer: str, detail: str) -> str:
        """A mistake at a place in the alarm, said of the option that named it."""
        return self._option(pointer.split("/")[1:]) + detail

    def _option(self, place: Iterable[int | str]) -> str:
        steps = list(place)
        return f"{self.options[str(steps[1])][int(steps[2])]}: " if len(steps) > 2 else ""


def _time(text: str, option: str) -> str:
    from partkin.rules.moments import text_of

    return text_of(moment_asked(text, option))
