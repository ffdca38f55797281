"""`partkin case`: what a quality engineer does about a containment case."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal

import typer

from partkin.command_line.asking import BadInput, StoreUrl, open_store
from partkin.command_line.case_shown import CaseCode, frozen_lines, show, things
from partkin.command_line.criteria import Criteria, WideOptions, Words, words
from partkin.command_line.item_asked import OfPart, asked_of_item
from partkin.command_line.posting import Operator, record
from partkin.rules.facts import Certainty, Decision, EffectivenessLevel, SortingRule

if TYPE_CHECKING:
    from partkin.store.database import Database

case = typer.Typer(no_args_is_help=True, help="A containment case: freeze what is suspected, sort it, decide, close.")

Reason = Annotated[str | None, typer.Option("--reason", metavar="WORDS", help="Why.")]
Found = Annotated[str | None, typer.Option("--found", metavar="WORDS", help="What was found, or said.")]
Seed = Annotated[str | None, typer.Option("--seed", metavar="TEXT", help="What is drawn from; else one is made.")]
Lots = Annotated[list[Words] | None, words("PART LOT", "A lot, with the serial items that belong to it.")]
Serials = Annotated[list[Words] | None, words("PART SERIAL", "A serial item.")]
Ranges = Annotated[list[Words] | None, words("PART FROM TO", "Serial numbers of one length, both ends included.")]
Deliveries = Annotated[list[Words] | None, words("SUPPLIER FROM TO", "What a supplier delivered in a time.")]
CriteriaFile = Annotated[
    Path | None,
    typer.Option("--criteria", metavar="FILE", help="All else: `suspects` as JSON, as POST /v1/affected takes them."),
]


def _example(*lines: str) -> str:
    return "\b\nExamples:\n" + "\n".join(f"  partkin case {line}" for line in lines)


case.command(epilog=_example("show CC-26-004", "show CC-26-004 --json"))(show)
case.command(epilog=_example("things CC-26-004", "things CC-26-004 --csv things.csv"))(things)
case.command("list", epilog=_example("list CC-26-004 --revision 1 | sha256sum"))(frozen_lines)


@case.command(
    "open",
    cls=WideOptions,
    epilog=_example(
        "open CC-26-004 --title 'Cracked drums' --reason 'letter of 4 March' --operator QE-07 --lot BR-120 A2291",
        "open CC-26-005 --title 'Wrong torque' --reason audit --operator QE-07 --criteria suspects.json",
    ),
)
def open_(
    code: CaseCode,
    title: Annotated[str, typer.Option(metavar="WORDS", help="What it is about.")],
    reason: Annotated[str, typer.Option(metavar="WORDS", help="What was heard from whom.")],
    operator: Operator,
    lot: Lots = None,
    serial: Serials = None,
    serial_range: Ranges = None,
    received: Deliveries = None,
    criteria: CriteriaFile = None,
    hazard: Annotated[str | None, typer.Option(metavar="WORDS", help="What may happen to whom.")] = None,
    action: Annotated[str | None, typer.Option(metavar="WORDS", help="What whoever has such a unit is to do.")] = None,
    store: StoreUrl = None,
) -> None:
    """Open a case: say what is suspected. Nothing is stopped before it is frozen."""
    suspects = _suspects(lot, serial, serial_range, received, criteria)
    if suspects is None:
        raise BadInput("name what is suspected: with --lot, --serial, --serial-range, --received or --criteria")
    said = {"title": title, "reason": reason, "suspects": suspects, "hazard": hazard, "action_asked": action}
    _turn(store, code, "open", operator, **said)
    print(f"Case {code} is open. Nothing is stopped yet: `partkin case freeze {code}` does that.")


@case.command(
    cls=WideOptions,
    epilog=_example(
        "freeze CC-26-004 --operator QE-07",
        "freeze CC-26-004 --operator QE-07 --lot BR-120 A2291 --lot BR-120 A2292 --reason 'second letter'",
    ),
)
def freeze(
    code: CaseCode,
    operator: Operator,
    lot: Lots = None,
    serial: Serials = None,
    serial_range: Ranges = None,
    received: Deliveries = None,
    criteria: CriteriaFile = None,
    reason: Annotated[str | None, typer.Option(metavar="WORDS", help="With other suspects: why.")] = None,
    store: StoreUrl = None,
) -> None:
    """List what is affected and stop it; with other suspects than before, as a new revision."""
    suspects = _suspects(lot, serial, serial_range, received, criteria)
    answer = _turn(store, code, "freeze", operator, suspects=suspects, reason=reason)
    fact = next(fact for fact in answer["facts"] if fact["fact"] == "case frozen")
    print(f"Case {code} is frozen: revision {fact['revision']}, {fact['things']} things, at seal {fact['seal']}.")
    print(f"SHA-256 of the list: {fact['sha256']}")


@case.command(epilog=_example("close CC-26-004 --reason 'all accounted for' --operator QE-07"))
def close(
    code: CaseCode,
    reason: Annotated[str, typer.Option(metavar="WORDS", help="Why it can be closed.")],
    operator: Operator,
    unaccounted: Annotated[
        str | None, typer.Option(metavar="WORDS", help="Why pieces that are not accounted for are accepted.")
    ] = None,
    store: StoreUrl = None,
) -> None:
    """Close a case. Where anything is left to do, it stays frozen, and all of that is said."""
    _turn(store, code, "close", operator, reason=reason, unaccounted=unaccounted)
    print(f"Case {code} is closed.")


@case.command(epilog=_example("reopen CC-26-004 --reason 'another complaint' --operator QE-07"))
def reopen(
    code: CaseCode,
    reason: Annotated[str, typer.Option(metavar="WORDS", help="What was heard.")],
    operator: Operator,
    store: StoreUrl = None,
) -> None:
    """Open a closed case again: it is frozen, and lists what has become affected meanwhile."""
    _turn(store, code, "reopen", operator, reason=reason)
    print(f"Case {code} is frozen again.")


@case.command(
    epilog=_example(
        "decide CC-26-004 scrap HD800000427 HD800000428 --authority MRB --reason cracked --operator QE-07",
        "decide CC-26-004 'verified good' HD800000427 --sorting SO-1 --authority MRB --reason ok --operator QE-07",
    )
)
def decide(
    code: CaseCode,
    decision: Annotated[
        Decision,
        typer.Argument(
            metavar="DECISION",
            help="'use as is', rework, 'return to supplier', scrap, 'corrected in the field', 'verified good' or "
            "'not recovered'.",
        ),
    ],
    items: Annotated[list[str], typer.Argument(metavar="ITEM...", help="Serial numbers, lots, or texts of labels.")],
    authority: Annotated[str, typer.Option(metavar="WORDS", help="By what right: a board, a procedure, an order.")],
    reason: Annotated[str, typer.Option(metavar="WORDS", help="Why.")],
    operator: Operator,
    part: OfPart = None,
    concession: Annotated[str | None, typer.Option(metavar="NUMBER", help="To use as is: the concession …")] = None,
    signed_by: Annotated[str | None, typer.Option(metavar="BADGE", help="… and who signed it.")] = None,
    sorting: Annotated[str | None, typer.Option(metavar="CODE", help="For verified good: what shows it.")] = None,
    store: StoreUrl = None,
) -> None:
    """Decide what becomes of listed things, and of what the case lists inside them."""
    said = {"decision": decision, "authority": authority, "reason": reason, "concession": concession}
    with open_store(store) as database:
        named = [_named(database, item, part) for item in items]
        more = {"case": code, "items": named, "signed_by": signed_by, "sorting": sorting, "operator": operator}
        answer = record(database, "case-decision", {**said, **more})
    decided = sum(fact["fact"] == "decided" for fact in answer["facts"])
    print(f"{decision}: {decided} thing{'' if decided == 1 else 's'} of case {code}.")


@case.command(
    cls=WideOptions,
    epilog=_example(
        "sort CC-26-004 SO-1 --listed possible --rule hypergeometric --operator QE-07",
        "sort CC-26-004 SO-2 --clean FW-HD8 2026-03-03 2026-03-04 --fraction 0.05 --operator QE-07",
    ),
)
def sort(
    code: CaseCode,
    sorting: Annotated[str, typer.Argument(metavar="SORTING", help="A code for the sorting.")],
    operator: Operator,
    listed: Annotated[Certainty | None, typer.Option(metavar="CERTAINTY", help="Units listed so.")] = None,
    part: Annotated[str | None, typer.Option(metavar="PART", help="Of those only this model.")] = None,
    clean: Annotated[
        list[Words] | None, words("PART FROM TO", "Units built then that the case does not list: a clean point.")
    ] = None,
    rule: Annotated[
        SortingRule, typer.Option(metavar="RULE", help="all, hypergeometric, or 'success run'.")
    ] = "hypergeometric",
    confidence: Annotated[float, typer.Option(metavar="SHARE", help="How sure it shall be.")] = 0.95,
    fraction: Annotated[float, typer.Option(metavar="SHARE", help="The bad share that would be found.")] = 0.01,
    seed: Seed = None,
    store: StoreUrl = None,
) -> None:
    """Draw at random which units are inspected; not one of them may be bad."""
    said = {"rule": rule, "confidence": confidence, "fraction": fraction, "seed": seed, "part": part}
    more = {"listed": listed, "clean": _clean(clean), "case": code, "sorting": sorting, "operator": operator}
    with open_store(store) as database:
        answer = record(database, "sorting", {**said, **more})
    fact = next(fact for fact in answer["facts"] if fact["fact"] == "sorting drawn")
    print(f"Sorting {sorting}: inspect {len(fact['drawn'])} of {fact['population']} units. Seed: {fact['seed']}")
    for item in fact["drawn"]:
        print(f"{item['part']} {item['serial']}")


def _clean(given: Sequence[Words] | None) -> dict[str, str] | None:
    if not given:
        return None
    if len(given) > 1:
        raise BadInput("--clean is given once: a sorting is of one clean point")
    criteria = Criteria()
    criteria.add("worked", "--clean", given, "part", "from", "to")
    return dict(criteria.suspects["worked"][0])


@case.command(epilog=_example("inspect CC-26-004 SO-1 HD800000427 --good --operator QE-07"))
def inspect(
    code: CaseCode,
    sorting: Annotated[str, typer.Argument(metavar="SORTING", help="What it was drawn for.")],
    item: Annotated[str, typer.Argument(metavar="ITEM", help="A serial number, or the text of a label.")],
    good: Annotated[bool, typer.Option("--good/--bad", help="Whether the suspected fault is not there.")],
    operator: Operator,
    found: Found = None,
    part: OfPart = None,
    store: StoreUrl = None,
) -> None:
    """Record the inspection of a unit that was drawn."""
    said = {"case": code, "sorting": sorting, "good": good, "found": found, "operator": operator}
    with open_store(store) as database:
        record(database, "inspection", {**said, "item": _named(database, item, part)})
    print(f"{item}: {'good' if good else 'bad'}.")


@case.command(
    epilog=_example(
        "notify CC-26-004 sent SHOP-1 --how letter --operator QE-07",
        "notify CC-26-004 answered SHOP-1 --on-hand 12 --corrected 148 --operator QE-07",
        "notify CC-26-004 plan --level C --operator QE-07",
        "notify CC-26-004 checked SHOP-1 --effective --operator QE-07",
    )
)
def notify(
    code: CaseCode,
    step: Annotated[
        Literal["plan", "sent", "answered", "checked"],
        typer.Argument(metavar="STEP", help="plan (whom to check), sent, answered or checked."),
    ],
    operator: Operator,
    consignee: Annotated[str | None, typer.Argument(metavar="CONSIGNEE", help="Whom it is about.")] = None,
    level: Annotated[EffectivenessLevel | None, typer.Option(metavar="LEVEL", help="To plan: A to E.")] = None,
    share: Annotated[float | None, typer.Option(metavar="SHARE", help="Of level B.")] = None,
    seed: Seed = None,
    how: Annotated[str | None, typer.Option(metavar="WORDS", help="Sent by which way.")] = None,
    copy: Annotated[str | None, typer.Option(metavar="SHA256", help="Of what was sent.")] = None,
    on_hand: Annotated[int | None, typer.Option(metavar="UNITS", help="Units that it still has.")] = None,
    corrected: Annotated[int | None, typer.Option(metavar="UNITS", help="Units corrected or sent back.")] = None,
    effective: Annotated[
        bool | None, typer.Option("--effective/--not-effective", help="Checked: received and followed?")
    ] = None,
    found: Found = None,
    store: StoreUrl = None,
) -> None:
    """Record what a consignee was told and said, and whether the notice reached it."""
    said: dict[str, Any] = {"case": code, "action": step, "consignee": consignee, "level": level, "share": share}
    said |= {"seed": seed, "how": how, "copy": copy, "on_hand": on_hand, "corrected": corrected}
    with open_store(store) as database:
        answer = record(database, "notice", {**said, "effective": effective, "found": found, "operator": operator})
    (fact,) = answer["facts"]
    about = ", ".join(fact["consignees"]) or "nobody" if step == "plan" else fact["consignee"]
    print(f"{'to check' if step == 'plan' else step}: {about}")


# -- what they share


def _turn(store: str | None, code: str, action: str, operator: str, **said: Any) -> dict[str, Any]:
    with open_store(store) as database:
        return record(database, "containment", {"case": code, "action": action, "operator": operator, **said})


def _suspects(
    lot: Sequence[Words] | None,
    serial: Sequence[Words] | None,
    serial_range: Sequence[Words] | None,
    received: Sequence[Words] | None,
    file: Path | None,
) -> Mapping[str, Any] | None:
    """What is suspected; None where nothing is said of it."""
    criteria = Criteria()
    criteria.add("items", "--lot", lot, "part", "lot")
    criteria.add("items", "--serial", serial, "part", "serial")
    criteria.add("serial_ranges", "--serial-range", serial_range, "part", "from", "to")
    criteria.add("received", "--received", received, "supplier", "from", "to")
    if file is None:
        return criteria.suspects or None
    if criteria.suspects:
        raise BadInput("--criteria says all that is suspected: put the lots and serial numbers into its file")
    try:
        suspects = json.loads(file.read_text("utf-8"))
    except ValueError as error:
        raise BadInput(f"--criteria: {file} is not JSON: {error}") from error
    if not isinstance(suspects, dict):
        raise BadInput(f"--criteria: {file} holds no JSON object")
    whole = suspects.get("suspects", suspects)
    return dict(whole)


def _named(database: Database, code: str, part: str | None) -> dict[str, str]:
    """The item of a code, as messages name it."""
    from partkin.questions.whereabouts import where_is

    found = asked_of_item(database, code, part, lambda asked: where_is(database, asked))
    kind = "lot" if found["serial"] is None else "serial"
    return {"part": found["part"], kind: found[kind]}
