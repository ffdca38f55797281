"""The answers to what containment cases list, for the documentation, and as the columns of CSV."""

from __future__ import annotations

from datetime import datetime
from typing import Any, Literal

from pydantic import AwareDatetime, BaseModel, ConfigDict, Field

from partkin.rules.containment.conclusion import Outcome
from partkin.rules.facts import Certainty, Decision, EffectivenessLevel, ItemState, SortingRule
from partkin.rules.messages import Code
from partkin.rules.messages.containment import Seed
from partkin.rules.rows import CaseStatus
from partkin.web.problems import ReasonDetails


class Described(BaseModel):
    """Its members are described beside them."""

    model_config = ConfigDict(use_attribute_docstrings=True)


class CaseThing(Described):
    """A thing that a containment case lists, or once listed."""

    part: str
    serial: str = ""
    lot: str = ""
    certainty: Certainty
    suspect: bool
    """Suspected itself, not for what is in it."""
    revision: int
    """Since which revision of the case it is listed."""
    dropped_in: int | None
    """The revision since which it is no longer suspected."""
    because: int | None
    """The journal entry that made it affected after the freeze."""
    gone: bool
    """It had left when it was listed."""
    state: ItemState
    """Now."""
    left: bool
    """It has left, or stands in what has."""
    affected: bool
    """By what the case suspects, as the books are now."""
    still: bool
    """A suspect is in it now, or may be."""
    decision: Decision | None
    settled: bool
    """Nothing more is to be done about it."""
    held: bool
    """The case stops it."""


class CaseThings(Described):
    """All that a case lists."""

    items: list[CaseThing]


class CaseHead(Described):
    """What a containment case is about."""

    case: str
    title: str
    status: CaseStatus
    revision: int
    """Of its list; 0 before the first freeze."""
    hazard: str | None
    """What may happen to whom."""
    action_asked: str | None
    """What whoever has such a unit is to do."""
    opened_at: datetime
    opened_by: str
    reason: str


class CaseLine(CaseHead):
    """A case in the list of cases."""

    number: int
    listed: int
    """Things on its list, without those dropped."""


class CaseLines(Described):
    """A page of cases, in the order in which they were opened."""

    items: list[CaseLine]
    next: int | None
    """Give it as `cursor` to get the next page; null on the last one."""


class CaseRevision(Described):
    """A freeze of a case."""

    revision: int
    seal: int | None
    """The list is what the books knew at it."""
    last_entry: int
    """The last entry that the list knows."""
    things: int
    sha256: str
    """Of its list, as GET /v1/cases/{case}/list gives it."""
    suspects: dict[str, Any]
    points: list[dict[str, Any]]
    """Points of use where a suspect lot was up."""
    frozen_at: datetime
    frozen_by: str
    reason: str | None
    entry: int
    added: int
    """Things listed for the first time."""
    again: int
    """Things listed before: dropped since, now certain, or reworked and affected again."""
    dropped: int
    """Things no longer suspected."""


class ByCertainty(Described):
    """How many, by certainty."""

    certain: int
    possible: int


class ListedByKind(Described):
    """Listed things, by what they are."""

    units: ByCertainty
    subassemblies: ByCertainty
    packaging: ByCertainty
    components: ByCertainty
    lots: ByCertainty


class CaseCounts(Described):
    """Listed things as they are now, without those dropped."""

    things: int
    by_kind: ListedByKind
    by_state: dict[str, ByCertainty]
    held: int
    settled: int
    """Nothing more is to be done about them."""
    left: int
    """They have left, or stand in what has."""


class AddedThing(Described):
    """A thing listed since the freeze."""

    part: str
    serial: str = ""
    lot: str = ""
    certainty: Certainty
    gone: bool
    """It had left when it was listed."""
    because: int
    """The journal entry that made it affected."""
    message: str
    """The kind of message of this entry."""
    at: datetime | None
    scan_point: str | None
    operator: str | None


class AddedThings(Described):
    """What was listed since the freeze."""

    things: int
    first: list[AddedThing]
    """Up to 100, in the order in which they were added; GET /v1/cases/{case}/things has all."""


class SortingState(Described):
    """A sorting, and what its inspections show."""

    sorting: str
    rule: SortingRule
    confidence: float
    fraction: float
    listed: Certainty | None
    clean: dict[str, Any] | None
    """The clean point that it is of."""
    part: str | None
    population: int
    drawn: int
    seed: str
    """Whoever has it can draw again: names `PART SERIAL` in order of the SHA-256 of seed, line feed and name."""
    drawn_at: datetime
    drawn_by: str
    conclusion: Outcome
    inspected: int
    bad: int
    upper_bound: float | None
    """The bad fraction that the truth does not exceed, with the sorting's confidence (Clopper-Pearson, one-sided)."""
    confidence_reached: float | None
    """How sure it is that fewer than the fraction are bad; only where all were inspected and none was bad."""
    sentence: str
    """What is shown, and what is not."""


class NoticeState(Described):
    """A step of a notice."""

    at: datetime
    by: str
    how: str = ""
    copy_: str = Field(default="", alias="copy")
    """SHA-256 of what was sent."""
    on_hand: int = 0
    corrected: int = 0
    effective: bool = False
    found: str = ""


class ConsigneeState(Described):
    """A consignee of affected units, and the last of each step of its notice."""

    consignee: str
    name: str
    certain: int
    """Units that it was sent."""
    possible: int
    to_tell: bool
    """It was sent units that may not be used as they are."""
    to_check: bool
    """It was chosen to be checked."""
    sent: NoticeState | None
    answered: NoticeState | None
    checked: NoticeState | None


class CheckPlan(Described):
    """Which consignees are checked whether the notice reached them."""

    level: EffectivenessLevel
    share: float | None
    seed: str
    consignees: list[str]
    planned_at: datetime
    planned_by: str


class CaseTurn(Described):
    """A case was closed, or opened again."""

    turn: Literal["closed", "reopened"]
    at: datetime
    by: str
    reason: str
    unaccounted: str | None
    """Why pieces that are not accounted for are accepted."""
    entry: int


class CaseDetail(CaseHead):
    """A containment case as it is now."""

    suspects: dict[str, Any]
    suspects_in_words: list[str]
    revisions: list[CaseRevision]
    counts: CaseCounts
    added: AddedThings
    decisions: dict[str, int]
    """Listed things by what was decided of them; `none yet` of the others."""
    sortings: list[SortingState]
    notices: list[ConsigneeState]
    checks: CheckPlan | None
    turns: list[CaseTurn]
    against_closing: list[ReasonDetails]
    """Every reason for which it would not be closed now."""


class DrillRun(Described):
    """A rehearsal is asked for."""

    model_config = ConfigDict(extra="forbid", use_attribute_docstrings=True)

    message_id: Code
    """A UUID for choice: a repeat gets the first answer again."""
    operator: Code
    """Badge code of whoever rehearses."""
    occurred_at: AwareDatetime
    seed: Seed | None = None
    """What the suspect is drawn from; left out, the service makes one."""
    part: Code | None = None
    """Only a lot or serial item of this part."""


class DrillStepTaken(Described):
    """A step of a drill."""

    step: str
    milliseconds: float


class DrillLine(Described):
    """A drill."""

    drill: int
    entry: int
    at: datetime
    by: str
    seed: str
    suspects: dict[str, Any]
    steps: list[DrillStepTaken]
    milliseconds: float
    """All steps together."""
    goal_milliseconds: int
    """Four hours, as trace tests of food certification schemes have it: no law for appliances, but a known goal."""
    certain: int
    """Units."""
    possible: int
    consignees: int
    received: int | None
    """Pieces of the lot."""
    accounted: int | None


class DrillLines(Described):
    """A page of drills, in the order in which they were recorded."""

    items: list[DrillLine]
    next: int | None
    """Give it as `cursor` to get the next page; null on the last one."""
