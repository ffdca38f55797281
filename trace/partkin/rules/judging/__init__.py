"""Judging: what a message makes true, or why it is refused."""

from __future__ import annotations

from dataclasses import dataclass

from partkin.rules.catalogue import Catalogue
from partkin.rules.facts import Fact, ItemKey
from partkin.rules.judging.case import Case
from partkin.rules.judging.consequences import add_consequences
from partkin.rules.judging.hold import judge_hold
from partkin.rules.judging.lot_loading import judge_lot_loading
from partkin.rules.judging.marriage import judge_marriage
from partkin.rules.judging.receipt import judge_receipt
from partkin.rules.judging.removal import judge_removal
from partkin.rules.judging.test_run import judge_test_run
from partkin.rules.judging.unit_start import judge_unit_start
from partkin.rules.known import Known
from partkin.rules.messages import Hold, LotLoading, Marriage, Receipt, Removal, TestRun, UnitStart
from partkin.rules.moments import Moment
from partkin.rules.reading import ReadMessage
from partkin.rules.reasons import Reason


@dataclass(frozen=True, slots=True)
class Judgement:
    """What came of a message."""

    accepted: bool
    facts: tuple[Fact, ...]
    """What it made true; nothing when it was refused."""
    reasons: tuple[Reason, ...]
    """Why it was refused, or what in it contradicts the books."""
    subject: ItemKey | None
    """The unit or subassembly worked on."""


def judge(
    read: ReadMessage, known: Known, catalogue: Catalogue, *, now: Moment, entry: int, clock_slack: Moment
) -> Judgement:
    """Judge one message, and apply to `known` what it makes true.

    `ask` is refused for any reason at all, and every reason is given; `tell` is accepted, its reasons are
    discrepancies.
    `entry` is the number of the journal entry, from which the numbers of new rows are made.
    """
    case = Case(read, known, catalogue, now, entry, clock_slack)
    match read.message:
        case UnitStart() as message:
            judge_unit_start(case, message)
        case Marriage() as message:
            judge_marriage(case, message)
        case Removal() as message:
            judge_removal(case, message)
        case LotLoading() as message:
            judge_lot_loading(case, message)
        case Receipt() as message:
            judge_receipt(case, message)
        case TestRun() as message:
            judge_test_run(case, message)
        case Hold() as message:
            judge_hold(case, message)
    if case.reasons and read.message.mode == "ask":
        return Judgement(False, (), tuple(case.reasons), case.subject)
    for fact in case.facts:
        known.apply(fact)
    add_consequences(case)
    return Judgement(True, tuple(case.facts), tuple(case.reasons), case.subject)
