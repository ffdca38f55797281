"""Suspects as they are named on the command line: options of several words, or a file; and what is wrong in them."""

from __future__ import annotations

import inspect
import json
import sys
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from functools import wraps
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, get_type_hints

import typer
from typer.core import TyperCommand

from partkin.command_line.asking import BadInput, date_asked, moment_asked

if TYPE_CHECKING:
    from partkin.rules.messages.criteria import Alarm

OPEN = "-"
"""Stands in place of a limit or an end that there is not."""


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
    """Suspects as an alarm names them, and where each was named: an option, or the file of all."""

    suspects: dict[str, Any] = field(default_factory=dict)
    options: dict[str, list[str]] = field(default_factory=dict)
    file: Path | None = None

    def add(self, kind: str, option: str, given: Iterable[Words] | None, *names: str, **more: Any) -> None:
        """Take what an option was given: its words are the named members, read by what these are.

        Raises BadInput where that fails.
        """
        for said in given or ():
            members = {name: _read(kind, name, word, option) for name, word in zip(names, said, strict=True)}
            stated = {name: value for name, value in members.items() if value is not None}
            self.suspects.setdefault(kind, []).append(stated | more)
            self.options.setdefault(kind, []).append(f"{option} {' '.join(said)}")

    def alarm(self, as_of: str | None) -> Alarm:
        """The question. Raises BadInput where a criterion has not its form."""
        from pydantic import TypeAdapter, ValidationError

        from partkin.rules.messages.criteria import Alarm

        asked = {"suspects": self.suspects, "as_of": None if as_of is None else _time(as_of, "--as-of")}
        try:
            return TypeAdapter(Alarm).validate_json(json.dumps(asked))
        except ValidationError as error:
            found = [(one["loc"], one["msg"].removeprefix("Value error, ")) for one in error.errors()]
            raise refused([f"{self._place(place)}{said}" for place, said in found]) from error

    def at(self, pointer: str, detail: str) -> str:
        """A mistake at a place in the alarm, said of the option that named it, or of its place in the file."""
        return self._place(pointer.split("/")[1:]) + detail

    def _place(self, place: Iterable[int | str]) -> str:
        _, *steps = place
        if self.file is not None:
            return f"{self.file}: {''.join(f'/{step}' for step in steps)}{': ' if steps else ''}"
        return f"{self.options[str(steps[0])][int(steps[1])]}: " if len(steps) > 1 else ""


def refused(mistakes: Sequence[str]) -> BadInput:
    """What to raise for mistakes: one is said itself; several are printed, a line each."""
    if len(mistakes) == 1:
        return BadInput(mistakes[0])
    for mistake in mistakes:
        print(mistake, file=sys.stderr)
    return BadInput(f"nothing was looked up: {len(mistakes)} mistakes")


def _read(kind: str, name: str, word: str, option: str) -> Any:
    """A word as a member of a criterion; None for one that is left open."""
    if word == OPEN and (kind, name) in _MAY_BE_OPEN:
        return None
    match kind, name:
        case (("received" | "worked" | "measured"), ("from" | "to")):
            return _time(word, option)
        case "produced", ("from" | "to"):
            return date_asked(word, option).isoformat()
        case "built_under", _:
            return _number(word, int, "the number of a catalogue entry", option)
        case "measured", ("at_least" | "at_most"):
            return _number(word, float, f"a number, or {OPEN} for no limit,", option)
    return word


_MAY_BE_OPEN = {("measured", "at_least"), ("measured", "at_most"), ("built_under", "to")}


def _number(text: str, kind: Callable[[str], float], wanted: str, option: str) -> float:
    try:
        return kind(text)
    except ValueError as error:
        raise BadInput(f"{option} takes {wanted} where it has {text!r}") from error


def _time(text: str, option: str) -> str:
    from partkin.rules.moments import text_of

    return text_of(moment_asked(text, option))


def _of_file(file: Path) -> Criteria:
    """Whole criteria, as a request names them. Raises BadInput where they are no JSON object."""
    try:
        suspects = json.loads(file.read_text(encoding="utf-8"))
    except ValueError as error:  # no JSON, or no UTF-8
        raise BadInput(f"{file} is not JSON: {error}") from error
    if not isinstance(suspects, dict):
        raise BadInput(f"{file}: criteria are a JSON object, such as {{'items': [{{'part': …, 'lot': …}}]}}")
    return Criteria(suspects, file=file)


def _criteria(
    lot: Annotated[list[Words] | None, words("PART LOT", "A lot, with the serial items that belong to it.")] = None,
    serial: Annotated[list[Words] | None, words("PART SERIAL", "A serial item.")] = None,
    serial_range: Annotated[
        list[Words] | None, words("PART FROM TO", "Serial numbers of one length, both ends included.")
    ] = None,
    received: Annotated[list[Words] | None, words("SUPPLIER FROM TO", "What a supplier delivered in a time.")] = None,
    part: Annotated[str | None, typer.Option(metavar="PART", help="With --received: only this part.")] = None,
    produced: Annotated[
        list[Words] | None, words("PART FROM TO", "What was produced on some days, both included.")
    ] = None,
    supplier: Annotated[
        str | None, typer.Option(metavar="SUPPLIER", help="With --produced: only what this one delivered.")
    ] = None,
    scan_point: Annotated[list[Words] | None, words("CODE FROM TO", "What was worked on there in a time.")] = None,
    operator: Annotated[list[Words] | None, words("BADGE FROM TO", "What a person worked on in a time.")] = None,
    instrument: Annotated[list[Words] | None, words("CODE FROM TO", "What was tested on it in a time.")] = None,
    instrument_since: Annotated[list[Words] | None, words("CODE FROM", "What was tested on it since then.")] = None,
    measured: Annotated[
        list[Words] | None,
        words("PLAN CHARACTERISTIC AT-LEAST AT-MOST FROM", "What measured so since then; - for no limit."),
    ] = None,
    built_under: Annotated[
        list[Words] | None, words("FROM TO", "What was worked on under these catalogue entries; - for no end.")
    ] = None,
    criteria: Annotated[
        Path | None, typer.Option(metavar="FILE", help="All criteria as JSON, as POST /v1/affected takes suspects.")
    ] = None,
) -> Criteria:
    named = Criteria()
    named.add("items", "--lot", lot, "part", "lot")
    named.add("items", "--serial", serial, "part", "serial")
    named.add("serial_ranges", "--serial-range", serial_range, "part", "from", "to")
    named.add("received", "--received", received, "supplier", "from", "to", **({} if part is None else {"part": part}))
    by = {} if supplier is None else {"supplier": supplier}
    named.add("produced", "--produced", produced, "part", "from", "to", **by)
    for name, given in {"scan_point": scan_point, "operator": operator, "instrument": instrument}.items():
        named.add("worked", f"--{name.replace('_', '-')}", given, name, "from", "to")
    named.add("worked", "--instrument-since", instrument_since, "instrument", "from")
    named.add("measured", "--measured", measured, "plan", "characteristic", "at_least", "at_most", "from")
    named.add("built_under", "--built-under", built_under, "from", "to")
    if part is not None and not received:
        raise BadInput(
            "--part goes with --received; for a part's lot or serial numbers: --lot, --serial, --serial-range"
        )
    if supplier is not None and not produced:
        raise BadInput("--supplier goes with --produced; for all that one delivered in a time: --received")
    if criteria is None:
        return named
    if named.suspects:
        raise BadInput("--criteria names all that is suspected: put the other criteria into the file too")
    return _of_file(criteria)


def by_criteria(command: Callable[..., None]) -> Callable[..., None]:
    """A command that takes the options of criteria before its own, and is given them as `suspects`."""
    own = dict(inspect.signature(command).parameters)
    del own["suspects"]
    options = inspect.signature(_criteria).parameters
    hints = {**get_type_hints(_criteria, include_extras=True), **get_type_hints(command, include_extras=True)}

    @wraps(command)
    def asked(**given: Any) -> None:
        suspects = _criteria(**{name: given.pop(name) for name in options})
        command(suspects, **given)

    every = {**options, **own}
    typed = [one.replace(annotation=hints[name]) for name, one in every.items()]
    asked.__signature__ = inspect.Signature(typed)  # type: ignore[attr-defined]  # where inspect looks for it
    asked.__annotations__ = {name: hints[name] for name in every}
    return asked
