"""Why a message is refused, or what in it contradicts the books: a stable type, and a sentence for the operator."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True, slots=True)
class ReasonType:
    """A kind of reason, for programs and for the page that explains it."""

    title: str
    meaning: str
    mend: str


REASON_TYPES: Mapping[str, ReasonType] = {
    "unreadable": ReasonType(
        "The scan cannot be read",
        "The text follows none of the label forms that are known, or lost characters on its way.",
        "Scan again; if it stays so, the label is damaged or the reader drops control characters.",
    ),
    "check-character-wrong": ReasonType(
        "The check character is wrong",
        "The label's check character does not fit its other characters: something was misread or mistyped.",
        "Scan again; do not type the number over.",
    ),
    "unknown-part": ReasonType(
        "No such part in the catalogue",
        "The label can be read, but no part of the catalogue carries it.",
        "Check that this is the right component; a new part must be in the catalogue before it is used.",
    ),
    "unknown-item": ReasonType(
        "No such item in the books",
        "What is built here must have been started here.",
        "Scan the unit or subassembly at the point where it is started.",
    ),
    "unknown-scan-point": ReasonType(
        "No such scan point", "The catalogue has no scan point of this code.", "Check the station's settings."
    ),
    "unknown-supplier": ReasonType(
        "No such supplier",
        "The catalogue has no supplier of this code.",
        "Check the code, or load the catalogue.",
    ),
    "unknown-test-plan": ReasonType(
        "No such test plan", "The catalogue has no test plan of this code.", "Check the tester's settings."
    ),
    "unknown-characteristic": ReasonType(
        "Not a characteristic of this test plan",
        "The test plan does not have it, has it in another form, or it stands there twice.",
        "Check the tester's settings against the test plan.",
    ),
    "unknown-hold": ReasonType(
        "No such hold in force", "There is no hold of this number, or it was released.", "Look up the holds."
    ),
    "already-started": ReasonType(
        "This serial number is taken",
        "A unit or subassembly of this part number and serial number was started before.",
        "Check for a label printed twice.",
    ),
    "already-received": ReasonType(
        "Received before",
        "This serial number was booked in by an earlier receipt.",
        "Check the delivery note.",
    ),
    "nothing-to-marry": ReasonType(
        "Nothing to marry",
        "No component was scanned, and this scan point fills nothing more of this unit from loaded lots.",
        "Scan the component.",
    ),
    "wrong-part": ReasonType(
        "The wrong part for this position",
        "The bill of materials does not allow this part at this position or at this scan point.",
        "Take the part that is named.",
    ),
    "no-free-slot": ReasonType(
        "No free slot", "The position is full.", "Remove what is in there first, at a rework point."
    ),
    "already-installed": ReasonType(
        "Already installed elsewhere",
        "A serial-numbered component is in one place at a time.",
        "Check for a wrong scan; if the component was taken out, record its removal first.",
    ),
    "inside-itself": ReasonType(
        "Inside itself", "An item cannot be put into what it holds.", "Check which label was scanned first."
    ),
    "not-installed": ReasonType(
        "Not installed",
        "The books do not have this component in this unit at this time.",
        "Check both labels.",
    ),
    "already-removed": ReasonType(
        "Already removed", "The books have the component removed at another time.", "Check the times."
    ),
    "not-usable": ReasonType(
        "Scrapped or sent back", "The item was scrapped or returned to its supplier.", "Take another one."
    ),
    "on-hold": ReasonType(
        "On hold",
        "A quality engineer, or a contradiction in the records, stopped it.",
        "Call the quality engineer.",
    ),
    "lot-expired": ReasonType(
        "The lot has expired", "Its last day of use is over.", "Take a fresh lot; put this one aside."
    ),
    "lot-not-received": ReasonType(
        "Not received", "This part must be booked in at goods-in before it is used.", "Book the delivery in."
    ),
    "lot-exhausted": ReasonType(
        "The lot is used up",
        "More pieces would be used than were received.",
        "Check the lot on the container.",
    ),
    "lot-not-loaded": ReasonType(
        "No lot is loaded",
        "The unit takes pieces at this point of use, but no lot was loaded there.",
        "Scan the container that feeds it.",
    ),
    "loaded-late": ReasonType(
        "Loaded before units that took from another lot",
        "Units have been recorded since then as taking from what was thought to be loaded.",
        "Check the station's clock.",
    ),
    "out-of-route-order": ReasonType(
        "Out of route order",
        "The unit's route does not lead here, or not yet.",
        "Take the unit to the scan point that is named.",
    ),
    "gate-not-met": ReasonType(
        "Earlier work is missing",
        "Positions that must be filled before this step are empty.",
        "Fill them first.",
    ),
    "test-missing": ReasonType("A test is missing", "A test that must come first has not been run.", "Run it."),
    "test-failed": ReasonType(
        "A test is not passed",
        "The last run of a test that must come first was not passed.",
        "Rework and test again.",
    ),
    "test-stale": ReasonType(
        "A test no longer counts", "Something that the test covers was changed after it.", "Test again."
    ),
    "unit-closed": ReasonType(
        "The unit is closed",
        "It is finished, scrapped or sent back; nothing is put in or taken out outside a rework point.",
        "Take it to a rework point.",
    ),
    "clock-ahead": ReasonType(
        "The clock is too far ahead",
        "The message says that it happens in the future.",
        "Set the station's clock.",
    ),
}


@dataclass(frozen=True, slots=True)
class Reason:
    """One reason, about one part of a message."""

    type: str
    detail: str
    """A whole sentence for the operator."""
    pointer: str | None = None
    """The part of the message that it is about (RFC 6901)."""

    def as_json(self) -> dict[str, Any]:
        """As it stands in an answer."""
        return {
            "type": f"/problems/{self.type}",
            "title": REASON_TYPES[self.type].title,
            "detail": self.detail,
            **({} if self.pointer is None else {"pointer": self.pointer}),
        }
