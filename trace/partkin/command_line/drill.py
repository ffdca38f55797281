"""`partkin drill` and `partkin drills`."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Annotated, Any

import typer

from partkin.command_line.asking import AsJson, BadInput, StoreUrl, open_store
from partkin.command_line.posting import Operator, record

Json = Mapping[str, Any]

ALL = 1_000_000_000


def drill(
    operator: Operator,
    part: Annotated[
        str | None, typer.Option(metavar="PART", help="Draw of this part; else the part is drawn too.")
    ] = None,
    seed: Annotated[str | None, typer.Option(metavar="TEXT", help="What is drawn from; else one is made.")] = None,
    as_json: AsJson = False,
    store: StoreUrl = None,
) -> None:
    """Rehearse a recall: draw a suspect at random, trace it, and journal how long each step took.

    Nothing is stopped, and no case is opened.
    """
    import secrets

    from partkin.questions.drills import NothingToDraw, list_drills, rehearse

    with open_store(store) as database:
        try:
            made = rehearse(database, seed or secrets.token_hex(16), part)
        except NothingToDraw as error:
            raise BadInput(str(error)) from error
        answer = record(database, "drill", {**made.said(), "operator": operator})
        number = next(fact["number"] for fact in answer["facts"] if fact["fact"] == "drilled")
        (told,) = list_drills(database, after=number - 1, limit=1)
    if as_json:
        print(json.dumps(told))
    else:
        _show(told)


def _show(told: Json) -> None:
    from partkin.command_line.terminal import console, shown, table

    printer = console()
    printer.print(shown(f"Drawn: {_suspect(told)} (seed {told['seed']}). Nothing was stopped."))
    rows = ((step["step"], f"{step['milliseconds']:.1f}") for step in told["steps"])
    printer.print(table("step", "#ms", rows=rows))
    units = f"{told['certain']} units certainly and {told['possible']} possibly affected"
    printer.print(f"{units}, {told['consignees']} consignees to tell.")
    if told["received"] is not None:
        printer.print(f"{told['accounted']} of {told['received']} pieces received are accounted for.")
    printer.print(f"All of it in {_seconds(told['milliseconds'])}; {_goal(told)}.")


def _goal(told: Json) -> str:
    return f"trace tests of food certification schemes have {told['goal_milliseconds'] // 3_600_000} h as their goal"


def drills(as_json: AsJson = False, store: StoreUrl = None) -> None:
    """List the rehearsals of recalls that were, and how long each took."""
    from partkin.command_line.terminal import console, local, table
    from partkin.questions.drills import list_drills

    with open_store(store) as database:
        found = list_drills(database, after=0, limit=ALL)
    if as_json:
        print(json.dumps(found))
        return
    rows = (
        (
            local(one["at"]),
            one["by"],
            _suspect(one),
            *(str(one[name]) for name in ("certain", "possible", "consignees")),
            _seconds(one["milliseconds"]),
        )
        for one in found
    )
    columns = ("when", "by", "drawn", "#certain", "#possible", "#consignees", "#took")
    console().print(table(*columns, rows=rows))
    if found:
        console().print(f"Beside it: {_goal(found[-1])}.")


def _suspect(told: Json) -> str:
    from partkin.command_line.terminal import item_name

    return ", ".join(map(item_name, told["suspects"].get("items", ()))) or "other criteria"


def _seconds(milliseconds: float) -> str:
    return f"{milliseconds / 1000:.2f} s"
