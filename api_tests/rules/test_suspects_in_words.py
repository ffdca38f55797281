"""What is suspected, in sentences."""

from __future__ import annotations

import json
from typing import Any

import pytest
from pydantic import TypeAdapter

from partkin.rules.containment.words import in_words
from partkin.rules.messages.criteria import Suspects

SUSPECTS = TypeAdapter(Suspects)
TITLES = {"BR-120": "Door hinge", "MO-310": "Drum motor"}
UNITS = {("SAFETY", "EARTH"): "Ω"}
MONDAY, TUESDAY = "2026-03-02T00:00:00Z", "2026-03-03T00:00:00Z"


def said(**suspects: Any) -> tuple[str, ...]:
    """The sentences of criteria, as a request has them."""
    asked = SUSPECTS.validate_json(json.dumps(suspects))
    return in_words(asked, lambda part: TITLES.get(part, ""), lambda *named: UNITS.get(named, ""))


@pytest.mark.parametrize(
    ("criteria", "sentences"),
    [
        (
            {"items": [{"part": "BR-120", "lot": "A2291"}, {"part": "BR-120", "lot": "A2292"}]},
            ["BR-120 (Door hinge): lots A2291 and A2292, and the serial numbers that belong to them."],
        ),
        (
            {"items": [{"part": "MO-310", "serial": serial} for serial in ("M1", "M2", "M3")]},
            ["MO-310 (Drum motor): serial numbers M1, M2 and M3."],
        ),
        (
            {"items": [{"part": "X-1", "lot": "A"}, {"part": "MO-310", "serial": "M1"}]},
            ["X-1: lot A, and the serial numbers that belong to it.", "MO-310 (Drum motor): serial number M1."],
        ),
        (
            {"serial_ranges": [{"part": "MO-310", "from": "M1", "to": "M9"}]},
            ["MO-310 (Drum motor): serial numbers M1 to M9, both included."],
        ),
        (
            {"serial_ranges": [{"part": "MO-310", "from": "M1", "to": "M9", "without_check": True}]},
            ["MO-310 (Drum motor): serial numbers M1 to M9, both included, given without their check characters."],
        ),
        (
            {"received": [{"supplier": "QUILLFORD", "from": MONDAY, "to": "2026-03-05T00:00:00Z"}]},
            ["All that supplier QUILLFORD delivered from 2026-03-02 to 2026-03-04, both days included."],
        ),
        (
            {"received": [{"supplier": "QUILLFORD", "part": "BR-120", "from": "2026-03-02T06:30:00+01:00"}]},
            ["All of BR-120 (Door hinge) that supplier QUILLFORD delivered since 2026-03-02 05:30 UTC."],
        ),
        (
            {"produced": [{"part": "BR-120", "from": "2026-02-23", "to": "2026-02-23", "supplier": "QUILLFORD"}]},
            ["BR-120 (Door hinge): all produced on 2026-02-23 and delivered by supplier QUILLFORD."],
        ),
        (
            {"worked": [{"scan_point": "RW", "operator": "P3", "from": MONDAY, "to": TUESDAY}]},
            ["Whatever was worked on at scan point RW by operator P3 on 2026-03-02, as it was from that moment on."],
        ),
        (
            {"worked": [{"instrument": "T1", "from": MONDAY, "to": "2026-03-02T07:30:10Z"}]},
            [
                (
                    "Whatever was tested on instrument T1 from 2026-03-02 00:00 UTC until 2026-03-02 07:30:10 UTC"
                    ", as it was from that moment on."
                )
            ],
        ),
        (
            {
                "measured": [
                    {"plan": "SAFETY", "characteristic": "EARTH", "at_least": 0.1, "at_most": 0.2, "from": MONDAY}
                ]
            },
            ["Whatever test plan SAFETY once found with EARTH at least 0.1 and at most 0.2 Ω, since 2026-03-02."],
        ),
        (
            {"measured": [{"plan": "SPIN", "characteristic": "NOISE", "at_most": 60, "from": MONDAY}]},
            ["Whatever test plan SPIN once found with NOISE at most 60, since 2026-03-02."],
        ),
        (
            {"built_under": [{"from": 17, "to": 40}, {"from": 17}, {"from": 17, "to": 17}]},
            [
                f"Whatever was worked on under {revisions} of the catalogue, as it was from that moment on."
                for revisions in ("revisions 17 to 40", "revision 17 or a later one", "revision 17")
            ],
        ),
    ],
)
def test_a_criterion_is_a_sentence(criteria: dict[str, Any], sentences: list[str]) -> None:
    heading, *lines = said(**criteria)
    assert not heading.startswith(" ")
    assert lines == [f"  {sentence}" for sentence in sentences]


def test_conditions_follow_each_other_and_say_what_they_do() -> None:
    lot, motor = {"part": "BR-120", "lot": "A2291"}, {"part": "MO-310", "serial": "M1"}
    assert said(
        items=[lot],
        all_of=[{"items": [motor]}, {"built_under": [{"from": 17}]}],
        **{"except": {"worked": [{"scan_point": "RW", "from": MONDAY}]}},
    ) == (
        "Suspected is any of this, and whatever it is or was in:",
        "  BR-120 (Door hinge): lot A2291, and the serial numbers that belong to it.",
        "And of these only what was also affected by any of this:",
        "  MO-310 (Drum motor): serial number M1.",
        "And of these only what was also affected by any of this:",
        "  Whatever was worked on under revision 17 or a later one of the catalogue, as it was from that moment on.",
        "But not what is certainly affected by any of this; what possibly is stays, as possible:",
        "  Whatever was worked on at scan point RW since 2026-03-02, as it was from that moment on.",
    )
    assert said(all_of=[{"items": [lot]}, {"items": [motor]}])[1].endswith("belong to it.")


def test_the_ends_of_the_calendar_can_be_said() -> None:
    """RFC 3339 has moments whose UTC date lies in no year that a calendar of four digits has."""
    first, last = "0001-01-01T00:00:00+01:00", "9999-12-31T23:59:59-01:00"
    (_, line) = said(worked=[{"operator": "B1", "from": first, "to": last}])
    assert "0001-01-01 00:00 UTC until 9999-12-31 23:59:59" in line
