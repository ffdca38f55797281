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
        "It is finished, packed, shipped, scrapped or sent away; nothing is put in or taken out where this was tried.",
        "Take it to a rework point; what is packed, out of its carton first.",
    ),
    "numbers-exhausted": ReasonType(
        "No numbers are left", "The numbering scheme has given all its numbers.", "Let the scheme have more digits."
    ),
    "unknown-line": ReasonType(
        "No such line", "The catalogue has no scan point on a line of this code.", "Check the code of the line."
    ),
    "unknown-instrument": ReasonType(
        "No such instrument", "The catalogue has no instrument of this code.", "Check the tester's settings."
    ),
    "unknown-attachment": ReasonType(
        "No such attachment", "No file with this SHA-256 was sent.", "Send the file first, then the test run."
    ),
    "unknown-consignee": ReasonType(
        "No such consignee", "The catalogue has no consignee of this code.", "Check the code, or load the catalogue."
    ),
    "unknown-shipment": ReasonType(
        "No such shipment", "Nothing was ever loaded on a shipment of this code.", "Check the code."
    ),
    "unknown-record": ReasonType(
        "No such record",
        "No marriage, removal, lot loading or test run of this number stands: it is unknown, or was corrected before.",
        "Look the record up in the history of the unit.",
    ),
    "not-correctable": ReasonType(
        "Not to be corrected so",
        "A record of this kind does not say what is to be corrected, or it does not say enough to keep the rest.",
        "Say only what the record says: unit and component of a marriage, lot of a loading, unit of a test run.",
    ),
    "calibration-overdue": ReasonType(
        "The instrument's calibration is overdue",
        "The instrument has no good calibration that covers this day.",
        "Use another instrument, or have this one calibrated.",
    ),
    "wrong-revision": ReasonType(
        "Another revision of the test plan",
        "The tester ran another revision of the plan than the one in the catalogue.",
        "Load the right plan into the tester.",
    ),
    "floor-life-over": ReasonType(
        "Open for too long",
        "The lot or container was opened longer ago than it may be used.",
        "Take a fresh container; put this one aside.",
    ),
    "more-returned-than-left": ReasonType(
        "More comes back than was left",
        "By what units have taken, fewer pieces can be left in the container.",
        "Count again, and check the container.",
    ),
    "reprint-needs-reason": ReasonType(
        "Printed before",
        "This label of this item was printed before.",
        "Say why it is printed again, and destroy the other one.",
    ),
    "cannot-print": ReasonType(
        "This label cannot be printed",
        "The item has no such label, or its code could not name it when it is read.",
        "Choose another label or symbol, or mend the part in the catalogue.",
    ),
    "order-started": ReasonType(
        "The order is started",
        "Units were started for it: its part and serial number stay as they are.",
        "Post a new order.",
    ),
    "shipment-closed": ReasonType(
        "The shipment has left", "It was despatched; nothing is loaded or taken off.", "Use another shipment."
    ),
    "wrong-consignee": ReasonType(
        "Another consignee", "The shipment is for another consignee.", "Check the shipment's code."
    ),
    "nothing-to-ship": ReasonType(
        "Nothing to ship", "No unit is in it, or nothing is loaded.", "Check what was scanned."
    ),
    "not-shipped": ReasonType("Not shipped", "By the books the unit never left the plant.", "Check the serial number."),
    "clock-ahead": ReasonType(
        "The clock is too far ahead",
        "The message says that it happens in the future.",
        "Set the station's clock.",
    ),
    "unknown-case": ReasonType(
        "No such case", "There is no containment case of this code.", "Look up the cases, or open one."
    ),
    "case-known": ReasonType(
        "This case was opened before", "A code names one containment case.", "Give the new case another code."
    ),
    "case-closed": ReasonType(
        "The case is not as it must be for this",
        "Decisions, sortings and notices need a frozen case; a closed one must be opened again first.",
        "Look at the status of the case.",
    ),
    "case-hold": ReasonType(
        "The hold is a containment case's",
        "What a case stops is let go by what is decided there, not by a release of the hold.",
        "Decide in the case what becomes of the item.",
    ),
    "unknown-suspect": ReasonType(
        "Something suspected is not known",
        "Neither the catalogue nor the books know what is named, or its number cannot be.",
        "Correct what is suspected: a mistake there must not end with nobody affected.",
    ),
    "suspected": ReasonType(
        "The item is suspected",
        "A frozen containment case names it by its number, its lot or its day of production.",
        "Set it aside, and tell the quality engineer.",
    ),
    "not-listed": ReasonType(
        "The case does not list this item",
        "Decisions are about what a containment case lists and has not dropped.",
        "Check the item; to list more, freeze the case with other suspects.",
    ),
    "suspect-inside": ReasonType(
        "A suspect is still inside, or may be",
        "Rework is done when every suspect component is out.",
        "Take the suspect out, or decide otherwise.",
    ),
    "not-verified": ReasonType(
        "Nothing shows that it is good",
        "It was not inspected and found good, and it belongs to no sorting that found none bad.",
        "Inspect it, or finish the sorting.",
    ),
    "not-accounted": ReasonType(
        "Not everything is accounted for",
        "A case closes when each listed thing, each piece, each sorting and each notice has come to its end.",
        "Do what is missing; the case says what.",
    ),
    "unknown-sorting": ReasonType(
        "No such sorting in this case", "The case has no sorting of this code.", "Look up the sortings of the case."
    ),
    "sorting-known": ReasonType(
        "This sorting was drawn before", "A code names one sorting.", "Give the new sorting another code."
    ),
    "nothing-to-sort": ReasonType(
        "There is nothing to sort", "No unit is of the kind that is asked for.", "Check certainty, model and time."
    ),
    "too-many": ReasonType(
        "Too many would be drawn",
        "One sorting draws up to 4000 units.",
        "Take a larger fraction or a smaller confidence, or sort in parts.",
    ),
    "not-drawn": ReasonType(
        "This item was not drawn",
        "A sorting shows something only if what was drawn is inspected, and nothing else.",
        "Inspect what was drawn.",
    ),
    "not-reached": ReasonType(
        "The consignee was sent no affected unit",
        "No unit that the case lists was despatched to this consignee.",
        "Check the consignee.",
    ),
}

WARNING_TYPES: Mapping[str, ReasonType] = {
    "running-out": ReasonType(
        "The container runs out", "Few pieces are left at the point of use.", "Have the next container ready."
    ),
    "verdict-disagrees": ReasonType(
        "Verdicts disagree",
        "The tester's own verdict is not that of its measurements against the limits. The run counts for nothing, and "
        "the unit is on hold.",
        "Call the quality engineer: the tester's limits differ from the test plan, or the tester is faulty.",
    ),
    "out-of-sequence": ReasonType(
        "Not the next one", "Another model comes next by the orders of the line.", "Check the sequence."
    ),
}
"""What an operator is told though nothing speaks against the message."""


@dataclass(frozen=True, slots=True)
class Reason:
    """One reason or warning, about one part of a message."""

    type: str
    detail: str
    """A whole sentence for the operator."""
    pointer: str | None = None
    """The part of the message that it is about (RFC 6901)."""

    def as_json(self) -> dict[str, Any]:
        """As it stands in an answer."""
        return {
            "type": f"/problems/{self.type}",
            "title": (REASON_TYPES.get(self.type) or WARNING_TYPES[self.type]).title,
            "detail": self.detail,
            **({} if self.pointer is None else {"pointer": self.pointer}),
        }
