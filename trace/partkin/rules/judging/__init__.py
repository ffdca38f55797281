"""Judging: what a message makes true, or why it is refused."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from partkin.rules import messages
from partkin.rules.applying import apply
from partkin.rules.catalogue import Catalogue
from partkin.rules.facts import Fact, ItemKey
from partkin.rules.judging.build_order import judge_build_order
from partkin.rules.judging.calibration import judge_calibration
from partkin.rules.judging.case import Case
from partkin.rules.judging.case_decision import judge_case_decision
from partkin.rules.judging.consequences import add_consequences
from partkin.rules.judging.containment import judge_containment
from partkin.rules.judging.correction import judge_correction
from partkin.rules.judging.customer_return import judge_customer_return
from partkin.rules.judging.disposition import judge_disposition
from partkin.rules.judging.drill import judge_drill
from partkin.rules.judging.hold import judge_hold
from partkin.rules.judging.label_print import judge_label_print
from partkin.rules.judging.lot_loading import judge_lot_loading
from partkin.rules.judging.lot_transfer import judge_lot_transfer
from partkin.rules.judging.marriage import judge_marriage
from partkin.rules.judging.notice import judge_notice
from partkin.rules.judging.numbers import judge_number_block
from partkin.rules.judging.packing import judge_packing
from partkin.rules.judging.receipt import judge_receipt
from partkin.rules.judging.removal import judge_removal
from partkin.rules.judging.shipment import judge_shipment
from partkin.rules.judging.sorting import judge_inspection, judge_sorting
from partkin.rules.judging.stock_count import judge_stock_count
from partkin.rules.judging.test_run import judge_test_run
from partkin.rules.judging.unit_start import judge_unit_start
from partkin.rules.known import Known
from partkin.rules.labels import Label
from partkin.rules.moments import Moment
from partkin.rules.reading import ReadMessage
from partkin.rules.reasons import Reason

_JUDGES: Mapping[type[messages.Message], Callable[[Case, Any], None]] = {
    messages.UnitStart: judge_unit_start,
    messages.Marriage: judge_marriage,
    messages.Removal: judge_removal,
    messages.LotLoading: judge_lot_loading,
    messages.Receipt: judge_receipt,
    messages.TestRun: judge_test_run,
    messages.Hold: judge_hold,
    messages.NumberBlock: judge_number_block,
    messages.LabelPrint: judge_label_print,
    messages.Disposition: judge_disposition,
    messages.Correction: judge_correction,
    messages.LotTransfer: judge_lot_transfer,
    messages.Calibration: judge_calibration,
    messages.BuildOrder: judge_build_order,
    messages.Packing: judge_packing,
    messages.Shipment: judge_shipment,
    messages.CustomerReturn: judge_customer_return,
    messages.StockCount: judge_stock_count,
    messages.Containment: judge_containment,
    messages.CaseDecision: judge_case_decision,
    messages.Sorting: judge_sorting,
    messages.Inspection: judge_inspection,
    messages.Notice: judge_notice,
    messages.Drill: judge_drill,
}


@dataclass(frozen=True, slots=True)
class Judgement:
    """What came of a message."""

    accepted: bool
    facts: tuple[Fact, ...]
    """What it made true; nothing when it was refused."""
    reasons: tuple[Reason, ...]
    """Why it was refused, or what in it contradicts the books."""
    warnings: tuple[Reason, ...]
    """What the operator should know besides."""
    subject: ItemKey | None
    """The unit or subassembly worked on."""
    listing: tuple[Fact, ...] = ()
    """What a containment case lists, drops, stops or lets go because of it: for entries that follow, not made true."""


def judge(
    read: ReadMessage,
    known: Known,
    catalogue: Catalogue,
    *,
    now: Moment,
    entry: int,
    clock_slack: Moment,
    lay_out: Callable[[Label], object],
) -> Judgement:
    """Judge one message, and apply to `known` what it makes true.

    `ask` is refused for any reason at all, and every reason is given; `tell` is accepted, its reasons are
    discrepancies.
    `entry` is the number of the journal entry, from which the numbers of new rows are made. `lay_out` raises LabelError
    where what is on a label does not fit it.
    """
    case = Case(read, known, catalogue, now, entry, clock_slack, lay_out)
    _JUDGES[type(read.message)](case, read.message)
    if case.reasons and read.message.mode == "ask":
        return Judgement(False, (), tuple(case.reasons), tuple(case.warnings), case.subject)
    for fact in case.facts:
        apply(fact, known)
    add_consequences(case)
    return Judgement(
        True, tuple(case.facts), tuple(case.reasons), tuple(case.warnings), case.subject, tuple(case.listing)
    )
