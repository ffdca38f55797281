"""Facts in plain sentences, for people who read the history of an item."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import singledispatch
from typing import Any

from partkin.rules.facts import (
    Calibrated,
    CameBack,
    CaseClosed,
    CaseFrozen,
    CaseOpened,
    CaseReopened,
    Certainty,
    ChecksPlanned,
    Corrected,
    Counted,
    Decided,
    Despatched,
    Destination,
    Disposed,
    Drilled,
    Dropped,
    Held,
    Inspected,
    ItemKey,
    ItemKnown,
    ItemState,
    LabelPrinted,
    LeftOver,
    Listed,
    Loaded,
    LoadingCorrected,
    LotDated,
    LotNamed,
    MadeStale,
    MarriageEnded,
    MarriageRestored,
    Married,
    Measured,
    Noticed,
    NumberIssued,
    NumbersIssued,
    Opened,
    Ordered,
    OrderTaken,
    Received,
    Redrawn,
    Released,
    Relisted,
    Removed,
    ShipmentLoaded,
    ShipmentOpened,
    ShipmentUnloaded,
    SortingDrawn,
    StateChanged,
    Tested,
    Transferred,
    Use,
    UseKnown,
    Visited,
)
from partkin.rules.moments import FOREVER, Moment, datetime_of

Called = Mapping[int, str]
"""What rows of the books are called in a sentence, by their numbers: `MO-310 M1 in HD800000427`."""


@singledispatch
def sentence(fact: object, called: Called) -> str:  # noqa: ARG001 - as those below
    """A fact as one sentence, to be read beside the moment of its entry; other moments are in it.

    Rows of the books that it names by number only are called as given, else by their numbers.
    """
    raise TypeError(f"no fact: {fact!r}")


def item_words(key: ItemKey | None) -> str:
    """An item in words: `MO-310 M1`, `BR-120 lot A2291`."""
    if key is None:
        return "an unknown lot"
    return f"{key.part} {key.code}" if key.kind == "serial" else f"{key.part} lot {key.code}"


def place_words(position: str, slot: int) -> str:
    """A place in a unit in words."""
    where = f"position {position}" if position else "no position of its bill"
    return f"{where}, slot {slot}" if slot else where


def moment_words(moment: Moment) -> str:
    """A moment in words: `2026-03-02 06:00:10 UTC`, with parts of a second where it has any."""
    return datetime_of(moment).isoformat(sep=" ").replace("+00:00", " UTC")


_STATES: Mapping[ItemState, str] = {
    "came back": "back from a customer",
    "returned": "back at its supplier",
    "in analysis": "in failure analysis",
}
"""States that do not read well as they are called."""

_GOES: Mapping[Destination, str] = {
    "stock": "back to stock",
    "scrap": "to scrap",
    "supplier": "back to its supplier",
    "failure analysis": "to failure analysis",
}


def _row(called: Called, number: int, kind: str) -> str:
    return called.get(number) or f"{kind} {number}"


def _pieces(count: int) -> str:
    return "1 piece" if count == 1 else f"{count} pieces"


def _units(count: int) -> str:
    return "1 unit" if count == 1 else f"{count} units"


def _use(use: Use) -> str:
    return f"position {use.position} at {use.scan_point}"


def _kept(attachments: Sequence[str]) -> str:
    return {0: "", 1: "; 1 attachment"}.get(len(attachments), f"; {len(attachments)} attachments")


def _line(text: str) -> str:
    """A paragraph on one line, without a full stop at its end: the sentence has its own."""
    return " ".join(text.split()).removesuffix(".")


def _why(reason: str | None) -> str:
    return "" if reason is None else f": {_line(reason)}"


_SHOWN = 10
"""Items that a sentence names where there may be thousands."""


def _first_of(names: Sequence[str]) -> str:
    more = f" and {len(names) - _SHOWN} more" if len(names) > _SHOWN else ""
    return f"{', '.join(names[:_SHOWN])}{more}"


# -- items


@sentence.register
def _(fact: ItemKnown, _: Called) -> str:
    of_lot = "" if fact.of_lot is None else f", of lot {fact.of_lot}"
    if fact.started is None:
        return f"{item_words(fact.item)} became known{of_lot}; it is {fact.state}."
    return f"{item_words(fact.item)} was started at {moment_words(fact.started)}{of_lot}; it is {fact.state}."


@sentence.register
def _(fact: LotDated, _: Called) -> str:
    days = {"was produced on": fact.produced_on, "may be used through": fact.expires_on}
    said = " and ".join(f"{what} {day.isoformat()}" for what, day in days.items() if day is not None)
    return f"{item_words(fact.item)} {said or 'has no dates'}."


@sentence.register
def _(fact: LotNamed, _: Called) -> str:
    return f"{item_words(fact.item)} belongs to lot {fact.of_lot}."


@sentence.register
def _(fact: StateChanged, _: Called) -> str:
    return f"{item_words(fact.item)} is {_STATES.get(fact.state, fact.state)}."


@sentence.register
def _(fact: NumberIssued, _: Called) -> str:
    return f"Number {fact.running} of {fact.part} was issued."


@sentence.register
def _(fact: NumbersIssued, _: Called) -> str:
    first, last = fact.numbers[0], fact.numbers[-1]
    if first == last:
        return f"Number {first} of scheme {fact.scheme} was issued."
    return f"{len(fact.numbers)} numbers of scheme {fact.scheme} were issued, {first} to {last}."


# -- marriages


@sentence.register
def _(fact: Married, _: Called) -> str:
    child = item_words(fact.child)
    what = child if fact.child is not None and fact.child.kind == "serial" else f"{_pieces(fact.quantity)} of {child}"
    drawn = "" if fact.drawn_at is None else f", drawn at {fact.drawn_at.scan_point}"
    until = "" if fact.ended == FOREVER else f" until {moment_words(fact.ended)}"
    doubt = ", which is disputed" if fact.disputed else ""
    verb = "was" if what is child or fact.quantity == 1 else "were"
    place = place_words(fact.position, fact.slot)
    since = moment_words(fact.started)
    return f"{what} {verb} put into {item_words(fact.parent)}, {place}{drawn}, at {since}{until}{doubt}."


@sentence.register
def _(fact: MarriageEnded, called: Called) -> str:
    row = _row(called, fact.marriage, "Marriage")
    return f"From {moment_words(fact.ended)} no longer: {row}."


@sentence.register
def _(fact: MarriageRestored, called: Called) -> str:
    row = _row(called, fact.marriage, "Marriage")
    until = "" if fact.ended == FOREVER else f" until {moment_words(fact.ended)}"
    return f"Not taken out after all{until}: {row}."


@sentence.register
def _(fact: Removed, _: Called) -> str:
    position = "" if fact.position is None else f", position {fact.position}"
    goes = _GOES[fact.destination]
    return f"{item_words(fact.child)} was taken out of {item_words(fact.parent)}{position}, {goes}: {fact.reason}."


@sentence.register
def _(fact: Corrected, called: Called) -> str:
    wrong = _row(called, fact.wrong, "Record")
    truth = "" if fact.instead is None else f"; instead: {_row(called, fact.instead, 'Record')}"
    return f"Recorded wrongly, says {fact.by}: {wrong}{truth}. Why: {fact.reason}."


# -- lots


@sentence.register
def _(fact: UseKnown, _: Called) -> str:
    return f"Lots were put up for {_use(fact.use)} for the first time."


@sentence.register
def _(fact: Loaded, _: Called) -> str:
    pieces = "" if fact.quantity is None else f" ({_pieces(fact.quantity)})"
    what = "Nothing" if fact.lot is None else item_words(fact.lot)
    return f"{what}{pieces} was put up for {_use(fact.use)}, feeder {fact.feeder}."


@sentence.register
def _(fact: LeftOver, called: Called) -> str:
    return f"{_row(called, fact.loading, 'Loading')}: {_pieces(fact.quantity)} left, back to stock."


@sentence.register
def _(fact: LoadingCorrected, called: Called) -> str:
    what = "nothing" if fact.lot is None else item_words(fact.lot)
    return f"{_row(called, fact.loading, 'Loading')}: truly it was {what}."


@sentence.register
def _(fact: Redrawn, _: Called) -> str:
    until = "" if fact.ended == FOREVER else f" until {moment_words(fact.ended)}"
    time = f"from {moment_words(fact.started)}{until}"
    return f"What was drawn for {_use(fact.use)} {time} came from {item_words(fact.lot)}."


@sentence.register
def _(fact: Opened, _: Called) -> str:
    return f"{item_words(fact.item)} was opened at {moment_words(fact.at)}; its floor life runs."


@sentence.register
def _(fact: Transferred, _: Called) -> str:
    pieces = _pieces(fact.quantity)
    return f"{pieces} of {item_words(fact.source)} went into {item_words(fact.target)}."


@sentence.register
def _(fact: Received, _: Called) -> str:
    lot = "" if fact.lot is None else f" lot {fact.lot.code}"
    serials = f", serial numbers {', '.join(fact.serials)}" if fact.serials else ""
    note = "" if fact.delivery_note is None else f", delivery note {fact.delivery_note}"
    pieces = _pieces(fact.quantity)
    return f"{pieces} of {fact.part}{lot} came in from {fact.supplier}{note}{serials}."


@sentence.register
def _(fact: Disposed, _: Called) -> str:
    what = item_words(fact.item)
    if fact.quantity is not None:
        what = f"{_pieces(fact.quantity)} of {what}"
    return f"{what} went {_GOES[fact.destination]}: {fact.reason}."


# -- work and tests


@sentence.register
def _(fact: Visited, _: Called) -> str:
    return f"{item_words(fact.item)} was worked on at {fact.scan_point}."


_VERDICTS = {"pass": "passed", "fail": "failed", "incomplete": "was incomplete", "disputed": "is disputed"}


@sentence.register
def _(fact: Tested, _: Called) -> str:
    revision = "" if fact.revision is None else f" revision {fact.revision}"
    tester = "" if fact.tester is None else f"; the tester says {fact.tester}"
    outside = [_measured(one) for one in fact.measured if not one.within]
    why = f"; not good: {', '.join(outside)}" if outside else ""
    head = f"{item_words(fact.item)}: {fact.plan}{revision} on {fact.instrument}"
    return f"{head} at {moment_words(fact.at)} {_VERDICTS[fact.verdict]}{tester}{why}{_kept(fact.attachments)}."


def _measured(result: Measured) -> str:
    if result.value is None:
        return result.characteristic
    limits = {"at least": result.lower, "at most": result.upper}
    said = " and ".join(f"{which} {limit:g}" for which, limit in limits.items() if limit is not None)
    return f"{result.characteristic} {result.value:g}{f' instead of {said}' if said else ''}"


@sentence.register
def _(fact: MadeStale, _: Called) -> str:
    return f"{item_words(fact.item)}: runs of {fact.plan} before {moment_words(fact.at)} no longer count."


@sentence.register
def _(fact: Calibrated, _: Called) -> str:
    found = "good" if fact.good else "not good"
    due = "" if fact.due_on is None else f", due again by {fact.due_on.isoformat()}"
    paper = "" if fact.certificate is None else f", certificate {fact.certificate}"
    return f"{fact.instrument} was calibrated and found {found}{due}{paper}."


@sentence.register
def _(fact: Held, _: Called) -> str:
    by = "the service, on a contradiction" if fact.discrepancy else fact.by
    case, reason = "", fact.reason
    if fact.case is not None:
        case = f" of containment case {fact.case}"
        reason = reason.removeprefix(f"case {fact.case}: ")
    return f"{item_words(fact.item)} was put on hold {fact.number}{case} by {by}: {reason}."


@sentence.register
def _(fact: Released, called: Called) -> str:
    hold = _row(called, fact.hold, "Hold")
    return f"{hold} was released by {fact.by}: {fact.reason}."


# -- labels and orders


@sentence.register
def _(fact: LabelPrinted, _: Called) -> str:
    copy = "" if fact.copy == 1 else f", print {fact.copy}"
    why = "" if fact.reason is None else f": {fact.reason}"
    return f"The {fact.label} label of {item_words(fact.item)} was printed as {fact.symbol}{copy}{why}."


@sentence.register
def _(fact: Ordered, _: Called) -> str:
    serial = "" if fact.serial is None else f", serial number {fact.serial}"
    due = "" if fact.due is None else f", due on {fact.due.isoformat()}"
    parts = "".join(f", {part} at {position}" for position, part in sorted(fact.parts.items()))
    head = f"Order {fact.order}: {fact.quantity} of {fact.part}{serial} on line {fact.line}"
    return f"{head}, sequence {fact.sequence}{due}{parts}."


@sentence.register
def _(fact: OrderTaken, _: Called) -> str:
    return f"{item_words(fact.item)} was started for order {fact.order}."


# -- leaving, and coming back


@sentence.register
def _(fact: ShipmentOpened, _: Called) -> str:
    return f"Shipment {fact.shipment} for {fact.consignee} was begun."


@sentence.register
def _(fact: ShipmentLoaded, _: Called) -> str:
    return f"{item_words(fact.item)} was loaded on shipment {fact.shipment}."


@sentence.register
def _(fact: ShipmentUnloaded, called: Called) -> str:
    row = _row(called, fact.line, "Line of a shipment")
    return f"No longer: {row}. Why: {fact.reason}."


@sentence.register
def _(fact: Despatched, _: Called) -> str:
    note = "" if fact.delivery_note is None else f", delivery note {fact.delivery_note}"
    return f"Shipment {fact.shipment} left the plant{note}."


@sentence.register
def _(fact: CameBack, _: Called) -> str:
    sender = "a customer" if fact.consignee is None else fact.consignee
    return f"{item_words(fact.item)} came back from {sender}: {fact.reason}."


# -- containment


@sentence.register
def _(fact: Counted, _: Called) -> str:
    verb = "was" if fact.quantity == 1 else "were"
    return f"{_pieces(fact.quantity)} of {item_words(fact.item)} {verb} counted by {fact.by}."


@sentence.register
def _(fact: CaseOpened, _: Called) -> str:
    return f"Containment case {fact.case} ({fact.title}) was opened by {fact.by}{_why(fact.reason)}."


@sentence.register
def _(fact: CaseFrozen, _: Called) -> str:
    things = "1 thing is" if fact.things == 1 else f"{fact.things} things are"
    seal = "" if fact.seal is None else f", sealed by seal {fact.seal}"
    up = "".join(f"; {_point(point)}" for point in fact.points)
    head = f"Containment case {fact.case} was frozen by {fact.by}, revision {fact.revision}{_why(fact.reason)}"
    return f"{head}. {things} affected, by the journal up to entry {fact.last_entry}{seal}{up}."


def _point(point: Mapping[str, Any]) -> str:
    use = _use(Use(point["scan_point"], point["position"]))
    return f"{point['part']} lot {point['lot']} was up for {use}, feeder {point['feeder']}"


_AFFECTED: Mapping[Certainty, str] = {"certain": "certainly affected", "possible": "possibly affected"}


@sentence.register
def _(fact: Listed, _: Called) -> str:
    how = "suspected itself" if fact.suspect else _AFFECTED[fact.certainty]
    left = ", and had left" if fact.left else ""
    head = f"Containment case {fact.case}, revision {fact.revision}, lists {item_words(fact.item)}"
    return f"{head} as {how}{_because(fact.because)}; it is {_STATES.get(fact.state, fact.state)}{left}."


def _because(entry: int | None) -> str:
    return "" if entry is None else f" since entry {entry}"


@sentence.register
def _(fact: Relisted, called: Called) -> str:
    row = _row(called, fact.listed, "Listed thing")
    how = f"{_AFFECTED[fact.certainty]}{_because(fact.because)}"
    return f"{row}: listed anew as {how}, revision {fact.revision}; what was decided of it counts no more."


@sentence.register
def _(fact: Dropped, called: Called) -> str:
    row = _row(called, fact.listed, "Listed thing")
    return f"{row}: no longer suspected since revision {fact.revision}."


@sentence.register
def _(fact: Decided, called: Called) -> str:
    conceded = "" if fact.concession is None else f", concession {fact.concession} signed by {fact.signed_by}"
    shown = "" if fact.sorting is None else f", shown by sorting {fact.sorting}"
    rows = "; ".join(_row(called, number, "marriage") for number in fact.proof)
    proof = f"; proof: {rows}" if rows else ""
    head = f"{item_words(fact.item)}: {fact.by} decided in containment case {fact.case}: {fact.decision}"
    return f"{head}, by {fact.authority}{conceded}{shown}{_why(fact.reason)}{proof}."


@sentence.register
def _(fact: CaseClosed, _: Called) -> str:
    accepted = "" if fact.unaccounted is None else f" Pieces not accounted for are accepted{_why(fact.unaccounted)}."
    return f"Containment case {fact.case} was closed by {fact.by}{_why(fact.reason)}.{accepted}"


@sentence.register
def _(fact: CaseReopened, _: Called) -> str:
    return f"Containment case {fact.case} was opened again by {fact.by}{_why(fact.reason)}."


@sentence.register
def _(fact: SortingDrawn, _: Called) -> str:
    head = f"Sorting {fact.sorting} of containment case {fact.case}: {fact.by} drew {len(fact.drawn)}"
    rule = f"by the rule {fact.rule}, confidence {fact.confidence:g}, bad fraction {fact.fraction:g}, seed {fact.seed}"
    drawn = _first_of([item_words(key) for key in fact.drawn])
    return f"{head} of {_units(fact.population)}{_population(fact)}, {rule}: {drawn}."


def _population(fact: SortingDrawn) -> str:
    if fact.clean is None:
        of_part = "" if fact.part is None else f" of {fact.part}"
        return f"{of_part} that it lists as {fact.listed}"
    until = "" if fact.clean["to"] is None else f" until {fact.clean['to']}"
    return f" of {fact.clean['part']} that it does not list, started from {fact.clean['from']}{until}"


@sentence.register
def _(fact: Inspected, _: Called) -> str:
    result = f"{'good' if fact.good else 'bad'}{_why(fact.found)}{_kept(fact.attachments)}"
    return f"{item_words(fact.item)} was inspected by {fact.by} for sorting {fact.sorting} and found {result}."


@sentence.register
def _(fact: ChecksPlanned, _: Called) -> str:
    level = fact.level if fact.share is None else f"{fact.level}, share {fact.share:g}"
    chosen = ", ".join(fact.consignees) or "none"
    head = f"Containment case {fact.case}: {fact.by} chose whose notice is checked, level {level}, seed {fact.seed}"
    return f"{head}: {chosen}."


@sentence.register
def _(fact: Noticed, _: Called) -> str:
    found = _why(fact.found)
    of_case = f"notice of containment case {fact.case}"
    if fact.step == "sent":
        return f"A {of_case} was sent to {fact.consignee} by {fact.by}, {fact.how}{_units_left(fact)}{found}."
    if fact.step == "answered":
        return f"{fact.consignee} answered the {of_case}{_units_left(fact)}{found}."
    effective = "effective" if fact.effective else "not effective"
    return f"{fact.by} checked the {of_case} to {fact.consignee}: {effective}{_units_left(fact)}{found}."


def _units_left(fact: Noticed) -> str:
    on_hand = "" if fact.on_hand is None else f", {_units(fact.on_hand)} on hand"
    corrected = "" if fact.corrected is None else f", {_units(fact.corrected)} corrected or sent back"
    return f"{on_hand}{corrected}"


@sentence.register
def _(fact: Drilled, _: Called) -> str:
    units = f"{_units(fact.certain)} certainly and {fact.possible} possibly affected"
    consignees = "1 consignee" if fact.consignees == 1 else f"{fact.consignees} consignees"
    of_all = "" if fact.received is None else f", {fact.accounted or 0} of {_pieces(fact.received)} accounted for"
    steps = ", ".join(f"{step['step']} {step['milliseconds']:g} ms" for step in fact.steps)
    head = f"A recall was rehearsed by {fact.by}, drawn from seed {fact.seed}"
    return f"{head}: {units}, {consignees} to tell{of_all}; {steps}."
