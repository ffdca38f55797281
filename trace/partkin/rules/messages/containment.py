"""Containment: what is suspected, frozen, decided, sorted, said to consignees, and rehearsed."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, ClassVar, Literal

from annotated_types import Ge, Gt, Le, Lt, MaxLen, MinLen

from partkin.rules.facts import Certainty, Decision, EffectivenessLevel, SortingRule
from partkin.rules.messages.criteria import Since, Suspects
from partkin.rules.messages.forms import FORM, MOST_COMPONENTS, Code, Digest, Envelope, ItemName, Words

MOST_WORDS = 2000
Text = Annotated[str, MinLen(1), MaxLen(MOST_WORDS)]
"""A paragraph or more."""

Seed = Annotated[str, MinLen(8), MaxLen(64)]
"""What a draw is made from: whoever knows it can make the draw again."""

Count = Annotated[int, Ge(0), Le(1_000_000_000)]
"""Pieces or units, also none."""

MOST_DRAWN = 4000
"""Things drawn for one sorting."""

MOST_STEPS = 20


@dataclass(frozen=True, slots=True, kw_only=True)
class Containment(Envelope):
    """A containment case is opened, frozen, closed or opened again."""

    scan_point: None = None
    case: Code
    """The plant's code for the case."""
    action: Literal["open", "freeze", "close", "reopen"]
    """`open` keeps what is suspected; `freeze` lists what is affected, at a seal, and stops all of it that has not
    left; to freeze again with other suspects makes a new revision. `close` when everything is accounted for."""
    suspects: Suspects | None = None
    """What is suspected; to open. To freeze: left out, as before."""
    title: Words | None = None
    """What it is about; to open."""
    hazard: Text | None = None
    """What may happen to whom, for the papers; in words that play nothing down."""
    action_asked: Text | None = None
    """What whoever has such a unit is to do, for the papers."""
    reason: Text | None = None
    """What was heard from whom; why it is frozen with other suspects, closed, or opened again."""
    unaccounted: Text | None = None
    """Why pieces that are not accounted for are accepted; to close."""
    kind: Literal["containment"] = "containment"

    def __post_init__(self) -> None:
        Envelope.__post_init__(self)
        if self.action == "open" and (self.suspects is None or self.title is None):
            raise ValueError("to open a case, give its title and what is suspected")
        if self.suspects is not None and self.action not in ("open", "freeze"):
            raise ValueError("what is suspected is said when a case is opened or frozen")
        if self.title is not None and self.action != "open":
            raise ValueError("the title is given when a case is opened")
        if self.action != "freeze" and self.reason is None:
            raise ValueError("give the reason")
        if self.action == "freeze" and self.suspects is not None and self.reason is None:
            raise ValueError("to freeze with other suspects, give the reason")
        if self.unaccounted is not None and self.action != "close":
            raise ValueError("unaccounted is said when a case is closed")


@dataclass(frozen=True, slots=True, kw_only=True)
class CaseDecision(Envelope):
    """What becomes of things that a containment case lists, and who decided it on what authority."""

    scan_point: None = None
    case: Code
    """The case."""
    items: Annotated[tuple[ItemName, ...], MinLen(1), MaxLen(MOST_COMPONENTS)]
    """What it is decided of; what it holds, and the case lists too, goes with it."""
    decision: Decision
    """`rework`: the suspects are out and its tests are fresh. `use as is` needs a signed concession. `verified good`:
    it was inspected, or the sorting that it belongs to found none bad."""
    authority: Words
    """By what right: a board, a procedure, an order."""
    reason: Words
    """Why."""
    concession: Code | None = None
    """Number of the signed concession; to use as is."""
    signed_by: Code | None = None
    """Badge code of whoever signed it."""
    sorting: Code | None = None
    """The sorting that shows it; for what was verified good."""
    kind: Literal["case-decision"] = "case-decision"

    def __post_init__(self) -> None:
        Envelope.__post_init__(self)
        conceded = self.concession is not None and self.signed_by is not None
        if (self.decision == "use as is") != conceded or (self.concession is None) != (self.signed_by is None):
            raise ValueError("to use as is, and only then, give the concession and who signed it")
        if (self.decision == "verified good") != (self.sorting is not None):
            raise ValueError("for what was verified good, and only then, give the sorting that shows it")


@dataclass(frozen=True, slots=True, kw_only=True)
class CleanPoint(Since):
    """Units built in a time that the case does not list: to see whether the line is clean there."""

    part: Code
    """The model."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Sorting(Envelope):
    """A sorting: how many to inspect, and which, drawn at random. Not one of them may be bad."""

    scan_point: None = None
    case: Code
    """The case."""
    sorting: Code
    """The plant's code for the sorting."""
    listed: Certainty | None = None
    """Units that the case lists so, and of which nothing was decided yet; either this or a clean point."""
    clean: CleanPoint | None = None
    """Units that it does not list."""
    part: Code | None = None
    """Of those listed, only this model."""
    rule: SortingRule
    """`all`: every one. `hypergeometric`: right for a finite population. `success run`: for one without end."""
    confidence: Annotated[float, Gt(0), Lt(1)] = 0.95
    """How sure the conclusion shall be."""
    fraction: Annotated[float, Gt(0), Lt(1)] = 0.01
    """The bad fraction that would be found."""
    seed: Seed | None = None
    """Left out, the service makes one."""
    kind: Literal["sorting"] = "sorting"

    def __post_init__(self) -> None:
        Envelope.__post_init__(self)
        if (self.listed is None) == (self.clean is None):
            raise ValueError("say which units: those listed, or those at a clean point")
        if self.clean is not None and self.part is not None:
            raise ValueError("the model of a clean point stands in it")


@dataclass(frozen=True, slots=True, kw_only=True)
class Inspection(Envelope):
    """A thing drawn for a sorting was inspected."""

    scan_point: Code | None = None
    """Where."""
    case: Code
    """The case."""
    sorting: Code
    """The sorting."""
    item: ItemName
    """What was inspected."""
    good: bool
    """Whether the suspected fault is not there."""
    found: Words | None = None
    """What was found."""
    attachments: Annotated[tuple[Digest, ...], MaxLen(20)] = ()
    """SHA-256 of each picture or record, sent before."""
    kind: Literal["inspection"] = "inspection"


@dataclass(frozen=True, slots=True, kw_only=True)
class Notice(Envelope):
    """What consignees of affected units were told and said, and the checks whether the notice reached them."""

    scan_point: None = None
    case: Code
    """The case."""
    action: Literal["plan", "sent", "answered", "checked"]
    """`plan` chooses which consignees are checked; the others are steps of one of them."""
    consignee: Code | None = None
    """Whom it is about."""
    level: EffectivenessLevel | None = None
    """Share of consignees that is checked (21 CFR 7.42(b)(3)): A all, B `share`, C 10 %, D 2 %, E none; to plan."""
    share: Annotated[float, Gt(0.1), Lt(1)] | None = None
    """The share of level B."""
    seed: Seed | None = None
    """Of the random choice; left out, the service makes one."""
    how: Words | None = None
    """By which way: letter, mail, telephone, visit."""
    copy: Digest | None = None
    """SHA-256 of what was sent."""
    on_hand: Count | None = None
    """Affected units that the consignee still has."""
    corrected: Count | None = None
    """Affected units corrected or sent back."""
    effective: bool | None = None
    """Whether the notice was received and followed; of a check."""
    found: Words | None = None
    """What was said or found."""
    kind: Literal["notice"] = "notice"

    def __post_init__(self) -> None:
        Envelope.__post_init__(self)
        if (self.action == "plan") != (self.level is not None) or (self.action == "plan") == (
            self.consignee is not None
        ):
            raise ValueError("to plan, give the level; for the other steps the consignee")
        if (self.level == "B") != (self.share is not None):
            raise ValueError("with level B, and only then, give the share")
        if (self.action == "sent") != (self.how is not None):
            raise ValueError("when a notice is sent, and only then, say how")
        if (self.action == "checked") != (self.effective is not None):
            raise ValueError("of a check, and only of one, say whether the notice was effective")


@dataclass(frozen=True, slots=True, kw_only=True)
class StockCount(Envelope):
    """Pieces of a lot were counted: all that lie in stock and at points of use."""

    scan_point: Code | None = None
    """Where it was booked."""
    lot: ItemName
    """The lot, or a container."""
    quantity: Count
    """Pieces found."""
    kind: Literal["stock-count"] = "stock-count"


@dataclass(frozen=True, slots=True, kw_only=True)
class DrillStep:
    """A step of a drill, and how long it took."""

    __pydantic_config__: ClassVar = FORM

    step: Words
    milliseconds: Annotated[float, Ge(0)]


@dataclass(frozen=True, slots=True, kw_only=True)
class Drill(Envelope):
    """A recall was rehearsed: nothing was stopped."""

    scan_point: None = None
    seed: Seed
    """What the suspect was drawn from."""
    suspects: Suspects
    """What was drawn."""
    steps: Annotated[tuple[DrillStep, ...], MinLen(1), MaxLen(MOST_STEPS)]
    """What was done, in order."""
    certain: Count
    """Units certainly affected."""
    possible: Count
    """Units possibly affected."""
    consignees: Count
    """Who would be told."""
    received: Count | None = None
    """Pieces of the lot that were received."""
    accounted: Count | None = None
    """Of these, accounted for."""
    kind: Literal["drill"] = "drill"
