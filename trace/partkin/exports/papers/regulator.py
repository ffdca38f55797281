"""Facts that a regulator's form about a recall asks for: what the plant's records know, and what is left to fill in."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict
from datetime import UTC, date, datetime
from typing import Any

from reportlab.platypus import Flowable  # type: ignore[import-untyped]

from partkin.exports.papers.model import CaseHead, ConsigneeUnits, ModelFacts, Plant
from partkin.exports.papers.sheet import (
    BOX,
    HEADING,
    INTRO,
    SMALL,
    TITLE,
    WIDTH,
    Column,
    build,
    facts,
    minute,
    paragraph,
    table,
)

_TITLE = "Facts for the regulator's form"
_NATURE = (
    "This gathers what the plant's records know for the form or portal of the authority. It is not the form, and it "
    "reports nothing to anybody. Check it before use."
)

# CPSA 15(b) with 16 CFR 1115.14, and Regulation (EU) 2023/988, Articles 9 and 20; the 24 hours and both articles are
# from memory.
_DEADLINES = (
    "Reporting deadlines are short and start with knowledge, not with this paper: in the United States within 24 hours "
    "of obtaining reportable information (Consumer Product Safety Act, section 15(b)), in the European Union without "
    "undue delay (Regulation (EU) 2023/988, Article 20). They are counted by the authorities' own rules, and other "
    "places have their own. Ask counsel at once."
)

# What the forms ask and no record of a plant's traceability knows. 16 CFR 1115.13(d): price, injury and chronology are
# in the agency's own list; changes made, information given and marketing from memory. 21 CFR 7.46(a): amounts and
# accounts as quoted, the rest from memory. Regulation (EU) 2023/988, Article 20: from memory.
_CPSC, _FDA, _GPSR = "16 CFR 1115.13(d)", "21 CFR 7.46(a)", "(EU) 2023/988 Art. 20"
_ASKED: Sequence[tuple[str, str]] = (
    ("Name, position and telephone of whoever submits it", f"{_CPSC}\n{_FDA}"),
    ("Brand, trade name and retail price of each model", _CPSC),
    ("Pictures of the product and of its marks", _CPSC),
    ("Importers, and dates of import", _CPSC),
    ("Incidents and accidents: number, dates, places, circumstances", f"{_CPSC}\n{_GPSR}"),
    ("Injuries and deaths: number, kind, ages", f"{_CPSC}\n{_GPSR}"),
    ("Damage to property, complaints and claims", _CPSC),
    ("How and when the defect was learned of, and by whom: the chronology", f"{_CPSC}\n{_FDA}"),
    ("Evaluation of the risk: who is at risk, how likely, how serious", _FDA),
    ("Units still with dealers, and with consumers", _CPSC),
    ("Dates of retail sale; shops and sites that sold it", _CPSC),
    ("Changes made or planned in design, parts or production", _CPSC),
    ("What dealers and consumers were told so far (attach it)", f"{_CPSC}\n{_FDA}"),
    ("Proposed communication, strategy and remedy", f"{_CPSC}\n{_FDA}"),
)


# ---------------------------------------------------------------------------------------------------------------- JSON


def regulator_json(
    plant: Plant, head: CaseHead, models: Sequence[ModelFacts], consignees: Sequence[ConsigneeUnits], made_at: datetime
) -> dict[str, Any]:
    """The facts as JSON: days as YYYY-MM-DD, moments with their offset, null where nothing is known."""
    return {
        "made_at": made_at.astimezone(UTC).isoformat(),
        "caution": f"{_NATURE} {_DEADLINES}",
        "plant": _plain(asdict(plant)),
        "case": _plain({**asdict(head), "hazard": head.hazard.strip() or None, "action": head.action.strip() or None}),
        "totals": _totals(models),
        "models": [_plain({**asdict(one), "elsewhere": _elsewhere(one)}) for one in models],
        "consignees": {"number": len(consignees), "list": [_consignee(one) for one in consignees]},
        "to_be_filled_in": [{"asked": asked, "sources": source.split("\n")} for asked, source in _ASKED],
    }


def _plain(value: Any) -> Any:
    """As JSON has it."""
    if isinstance(value, Mapping):
        return {name: _plain(one) for name, one in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(one) for one in value]
    return value.isoformat() if isinstance(value, date) else value


def _totals(models: Sequence[ModelFacts]) -> dict[str, int]:
    counted = {name: sum(getattr(one, name) for one in models) for name in ("made", "sold", "in_plant", "scrapped")}
    return {**counted, "elsewhere": sum(map(_elsewhere, models))}


def _elsewhere(model: ModelFacts) -> int:
    """Affected units made that are neither sold, in the plant nor scrapped."""
    return model.made - model.sold - model.in_plant - model.scrapped


def _consignee(one: ConsigneeUnits) -> dict[str, Any]:
    certain = sum(unit.certainty == "certain" for unit in one.units)
    days = sorted(unit.despatched_on for unit in one.units if unit.despatched_on is not None)
    return {
        "consignee": one.consignee,
        "name": one.name,
        "units": len(one.units),
        "certain": certain,
        "possible": len(one.units) - certain,
        "first_despatched": days[0].isoformat() if days else None,
        "last_despatched": days[-1].isoformat() if days else None,
    }


# ----------------------------------------------------------------------------------------------------------------- PDF


def regulator_facts(
    plant: Plant, head: CaseHead, models: Sequence[ModelFacts], consignees: Sequence[ConsigneeUnits], made_at: datetime
) -> bytes:
    """The facts as PDF, with lines to write on for what the forms ask and the records do not know."""
    told = regulator_json(plant, head, models, consignees, made_at)
    story = [
        paragraph(_TITLE, TITLE),
        paragraph(_NATURE),
        paragraph(_DEADLINES, BOX, lead="Deadlines."),
        *_who_and_why(plant, head),
        *_numbers(models, told["totals"]),
        *_codes(models),
        *_accounts(told["consignees"]["list"]),
        paragraph("To be filled in", HEADING),
        paragraph("The forms also ask this, and the plant's records do not know it.", INTRO),
        table(_TO_FILL_IN, ([asked, "", source] for asked, source in _ASKED), row_height=30),
    ]
    return build(story, plant, head, f"{_TITLE} {head.case}", made_at)


_TO_FILL_IN = (Column("Asked", width=0.36 * WIDTH), Column("Answer"), Column("Asked by", width=0.24 * WIDTH))


def _who_and_why(plant: Plant, head: CaseHead) -> Iterator[Flowable]:
    yield paragraph("Who reports", HEADING)
    yield facts([("Maker", plant.name), ("Address", ", ".join(plant.address)), ("Contact", plant.contact)])
    yield paragraph("What the plant has said so far", HEADING)
    yield facts(
        [
            ("Case", f"{head.case}: {head.title}"),
            ("Hazard", head.hazard.strip() or "not stated yet"),
            ("Action", head.action.strip() or "not stated yet"),
            ("Suspected", "\n".join(head.suspected) or None),
            ("Case opened", minute(head.opened_at)),
            ("List of units frozen", minute(head.frozen_at)),
            ("Revision of the list", head.revision),
            ("SHA-256 of the list", head.list_sha256),
            ("Seal of the journal", head.seal),
        ]
    )


def _numbers(models: Sequence[ModelFacts], totals: Mapping[str, int]) -> Iterator[Flowable]:
    yield paragraph("Affected units", HEADING)
    names = ("made", "sold", "in_plant", "scrapped", "elsewhere")
    yield table(
        [Column("Model", bold=True), *(Column(name.replace("_", " ").capitalize(), right=True) for name in names)],
        [
            *([one.part, one.made, one.sold, one.in_plant, one.scrapped, _elsewhere(one)] for one in models),
            ["All models", *(totals[name] for name in names)],
        ],
    )
    yield paragraph("Sold: despatched to a consignee and not come back. Elsewhere: none of the others.", SMALL)
    yield paragraph("Dates of manufacture and despatch", HEADING)
    yield table(
        [Column("Model", bold=True), *map(Column, ("First made", "Last made", "First despatched", "Last despatched"))],
        ([one.part, one.first_made, one.last_made, one.first_despatched, one.last_despatched] for one in models),
    )


def _codes(models: Sequence[ModelFacts]) -> Iterator[Flowable]:
    yield paragraph("Models, date codes and how to decipher them", HEADING)
    yield table(
        [
            Column("Model", bold=True),
            *map(Column, ("Description", "GTIN", "Where the serial number is, and how its date is read")),
        ],
        ([one.part, one.description, one.gtin, one.how_to_read or None] for one in models),
    )
    yield paragraph("Serial numbers", HEADING)
    yield paragraph("Ranges without a gap; both ends are affected units.", INTRO)
    yield table(
        [Column("Model", bold=True), Column("From"), Column("To"), Column("Units", right=True)],
        ([one.part, one.first, one.last, one.units] for model in models for one in model.ranges),
    )


def _accounts(consignees: Sequence[Mapping[str, Any]]) -> Iterator[Flowable]:
    yield paragraph("Consignees", HEADING)
    yield paragraph(f"Number of direct consignees that were sent affected units: {len(consignees)}.", INTRO)
    names = ("consignee", "name", "units", "certain", "possible", "first_despatched", "last_despatched")
    yield table(
        [Column(name.replace("_", " ").capitalize(), right=name in ("units", "certain", "possible")) for name in names],
        ([one[name] for name in names] for one in consignees),
    )
