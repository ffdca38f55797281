"""What one consignee is sent: a letter with the units that went there, and the same units as CSV."""

from __future__ import annotations

import csv
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime
from io import StringIO

from reportlab.platypus import Flowable, PageBreak, Spacer  # type: ignore[import-untyped]

from partkin.exports.papers.model import CaseHead, Certainty, ConsigneeUnits, ModelFacts, Plant, UnitLine
from partkin.exports.papers.sheet import (
    BOX,
    HEADING,
    INTRO,
    SMALL,
    TITLE,
    Column,
    blanks,
    build,
    day_in_words,
    facts,
    paragraph,
    points,
    table,
)

# The heading and what the letter says follow Regulation (EU) 2023/988, Article 36(2), and 21 CFR 7.49(a) and (c): the
# clearest public models; whether they are law for a product is for others to say. No word of the letter may play the
# hazard down (Article 36(2)(c)).
_HEADING = "Product safety recall"

# 21 CFR 7.49(c)(1): stop distribution and use, pass it on to own customers, report back.
_AT_ONCE = (
    "Stop using, selling and distributing the units in the list of this letter.",
    "Compare the serial numbers of your stock with the list, character by character.",
    "Set aside the units that are in it, and mark them so that nobody uses or sells them.",
    "If you have sold or passed on any of them, tell your customers at once: pass this letter on to them.",
    "Fill in the reply form on the last page and send it back, also if you have none of the units any more.",
)
_DANGER = (
    "The units may have mains voltage inside and may hold flammable refrigerant. Only qualified persons may open them, "
    "work on them, take them apart, or transport damaged ones, as local codes say. Everybody else leaves them switched "
    "off and unplugged, and keeps flames and sparks away."
)
_REVIEW = (
    "This letter was prepared from the records of the plant, for review by whoever answers for the recall. It is to be "
    "sent only as the competent authority, local law and its deadlines allow."
)
_WHERE = "On the unit's own label: read it there, not on the packaging or on the papers that came with the unit."

_LISTS: Sequence[tuple[Certainty, str, str]] = (
    ("certain", "Units that contain a suspect part", "{} that by the records {} a suspect part."),
    (
        "possible",
        "Units that may contain a suspect part",
        "{} that may contain a suspect part: the records cannot tell which. Treat them as recalled.",
    ),
)


def letter(
    plant: Plant, head: CaseHead, units: ConsigneeUnits, made_at: datetime, models: Sequence[ModelFacts] = ()
) -> bytes:
    """The letter to one consignee, with the list of its units and a reply form, as PDF.

    Marked as a draft on every page while the case does not say the hazard, or what to do. `models` say where the serial
    number of each model is.
    """
    draft = "DRAFT" if _lacking(head) else ""
    story = [
        *_addresses(plant, head, units, made_at),
        *_draft_box(head),
        *_product(units),
        *_hazard_and_action(plant, head),
        paragraph(_REVIEW, SMALL),
        PageBreak(),
        *_serial_numbers(units, models),
        *_lists(units),
        PageBreak(),
        *_reply_form(plant, head, units),
    ]
    return build(story, plant, head, f"{_HEADING} {head.case}, {units.consignee}", made_at, draft)


def _addresses(plant: Plant, head: CaseHead, units: ConsigneeUnits, made_at: datetime) -> Iterator[Flowable]:
    yield paragraph("\n".join(plant.address), lead=f"{plant.name}\n")
    yield Spacer(0, 12)
    yield paragraph(f"Consignee {units.consignee}", lead=f"{units.name}\n")
    yield Spacer(0, 12)
    yield paragraph(f"Date: {day_in_words(made_at.astimezone(UTC))}\nReference: {head.case}, {units.consignee}")
    yield Spacer(0, 12)
    yield paragraph(_HEADING, TITLE)
    yield paragraph("", lead=head.title)


def _draft_box(head: CaseHead) -> Iterator[Flowable]:
    lacking = _lacking(head)
    if lacking:
        yield paragraph(f"{' and '.join(lacking)} not stated.", BOX, lead="DRAFT \N{EM DASH} not to be sent:")


def _lacking(head: CaseHead) -> list[str]:
    """What must be stated before a letter is sent."""
    stated = {"hazard": head.hazard.strip(), "action": head.action.strip(), "frozen list": head.revision}
    return [name for name, said in stated.items() if not said]


def _product(units: ConsigneeUnits) -> Iterator[Flowable]:
    yield paragraph("What is recalled", HEADING)
    yield paragraph(
        f"Our records say that we sent you {_counted(len(units.units), 'unit')} affected by this recall:", INTRO
    )
    counts: dict[tuple[str, str], dict[Certainty, int]] = {}
    for one in units.units:
        of_model = counts.setdefault((one.part, one.description), {"certain": 0, "possible": 0})
        of_model[one.certainty] += 1
    yield table(
        [
            Column("Model", bold=True),
            Column("Description"),
            Column("Contain a suspect part", right=True),
            Column("May contain one", right=True),
        ],
        ([*model, count["certain"], count["possible"]] for model, count in counts.items()),
    )


def _counted(count: int, noun: str) -> str:
    return f"{count} {noun}" if count == 1 else f"{count} {noun}s"


def _hazard_and_action(plant: Plant, head: CaseHead) -> Iterator[Flowable]:
    yield paragraph("The hazard", HEADING)
    yield paragraph(head.hazard.strip() or "Not stated yet.")
    yield paragraph("What you must do at once", HEADING)
    yield from points(_AT_ONCE)
    yield paragraph("What is to be done with the units", HEADING)
    yield paragraph(head.action.strip() or "Not stated yet.")
    yield paragraph(_DANGER, BOX, lead="Danger.")
    yield paragraph("Questions", HEADING)
    yield paragraph(plant.contact)
    yield blanks([f"For {plant.name}: name, position, signature"])


def _serial_numbers(units: ConsigneeUnits, models: Sequence[ModelFacts]) -> Iterator[Flowable]:
    sent = {one.part for one in units.units}
    said = [(one.part, one.how_to_read) for one in models if one.part in sent and one.how_to_read]
    yield paragraph("Where the serial number is", HEADING)
    yield facts(said) if said else paragraph(_WHERE)


def _lists(units: ConsigneeUnits) -> Iterator[Flowable]:
    for certainty, heading, said in _LISTS:
        listed = [one for one in units.units if one.certainty == certainty]
        if listed:
            yield paragraph(heading, HEADING)
            yield paragraph(
                said.format(_counted(len(listed), "unit"), "contains" if len(listed) == 1 else "contain"), INTRO
            )
            yield table(_COLUMNS, map(_cells, listed))


_COLUMNS = (
    Column("Serial number", bold=True),
    Column("Model"),
    Column("Description"),
    Column("Date of manufacture"),
    Column("Delivery note"),
    Column("Despatched on"),
)


def _cells(unit: UnitLine) -> Sequence[object]:
    return unit.serial, unit.part, unit.description, unit.made_on, unit.delivery_note, unit.despatched_on


def _reply_form(plant: Plant, head: CaseHead, units: ConsigneeUnits) -> Iterator[Flowable]:
    """Ready means to report back: 21 CFR 7.49(c)(1)(v); the quantities are those of 7.53(b)(2) and (4)."""
    yield paragraph("Reply form", TITLE)
    yield paragraph("\n".join([*plant.address, plant.contact]), lead=f"Please send it to {plant.name}\n")
    yield facts(
        [
            ("Recall", f"{head.case}: {head.title}"),
            ("Consignee", f"{units.name} ({units.consignee})"),
            ("Units in the letter's list", len(units.units)),
        ]
    )
    yield paragraph("We have checked our stock against the list of the letter.")
    yield blanks(
        [
            "Units on hand, set aside",
            "Units sold or passed on",
            "Of these, customers told (number, date)",
            "Units corrected or returned",
            "Units that cannot be found",
            "Incidents or injuries known to us (none, or which)",
        ]
    )
    yield Spacer(0, 6)
    yield blanks(["Name and position", "Telephone or mail", "Date", "Signature"])


# ----------------------------------------------------------------------------------------------------------------- CSV

_NAMES = "part description serial certainty made_on shipment delivery_note despatched_on".split()


def units_csv(units: ConsigneeUnits) -> str:
    """The list of units as CSV (RFC 4180; to be encoded as UTF-8): one a row in the letter's order, days as YYYY-MM-DD.

    A spreadsheet would take a text that begins with = + - @, a tab or a carriage return for a formula: it gets an
    apostrophe before it. So does one that begins with an apostrophe: without the first apostrophe, a text always is as
    it was.
    """
    text = StringIO()
    writer = csv.writer(text)
    writer.writerow(_NAMES)
    writer.writerows([_defused(getattr(one, name)) for name in _NAMES] for one in units.units)
    return text.getvalue()


def _defused(value: object) -> str:
    text = "" if value is None else str(value)
    return f"'{text}" if text.startswith(("=", "+", "-", "@", "\t", "\r", "'")) else text
