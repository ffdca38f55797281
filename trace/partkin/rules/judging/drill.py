"""Drills: a recall was rehearsed."""

from __future__ import annotations

from dataclasses import asdict

from partkin.rules.facts import Drilled
from partkin.rules.judging.case import Case
from partkin.rules.judging.interlocks import check_clock
from partkin.rules.messages import Drill
from partkin.rules.messages.criteria_json import suspects_json


def judge_drill(case: Case, message: Drill) -> None:
    """A drill is kept as it was."""
    check_clock(case)
    steps = [asdict(step) for step in message.steps]
    counts = (message.certain, message.possible, message.consignees, message.received, message.accounted)
    said = (message.seed, suspects_json(message.suspects), steps, *counts, case.at, message.operator)
    case.facts.append(Drilled(case.number(), *said))
