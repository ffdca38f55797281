"""All papers of a case: what each is called, and how it is made from what the case's report says."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Final
from urllib.parse import quote

from partkin.exports.papers.letters import letter, units_csv
from partkin.exports.papers.model import CaseReport, ConsigneeUnits, Plant
from partkin.exports.papers.regulator import regulator_facts, regulator_json
from partkin.exports.papers.report import case_report
from partkin.exports.papers.workbook import case_workbook
from partkin.settings import Settings

PDF, JSON, CSV = "application/pdf", "application/json", "text/csv; header=present; charset=utf-8"
XLSX = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"


@dataclass(frozen=True, slots=True)
class Paper:
    """A paper of the whole case."""

    media_type: str
    about: str
    make: Callable[[CaseReport], bytes]


@dataclass(frozen=True, slots=True)
class ConsigneePaper:
    """A paper for one consignee."""

    media_type: str
    about: str
    make: Callable[[CaseReport, ConsigneeUnits], bytes]


def _regulator_pdf(report: CaseReport) -> bytes:
    return regulator_facts(report.plant, report.head, report.models, report.consignees, report.made_at)


def _regulator_json(report: CaseReport) -> bytes:
    facts = regulator_json(report.plant, report.head, report.models, report.consignees, report.made_at)
    return json.dumps(facts, ensure_ascii=False, indent=2).encode()


def _letter(report: CaseReport, units: ConsigneeUnits) -> bytes:
    return letter(report.plant, report.head, units, report.made_at, report.models)


def _units_csv(_report: CaseReport, units: ConsigneeUnits) -> bytes:
    return units_csv(units).encode()


PAPERS: Final[Mapping[str, Paper]] = MappingProxyType(
    {
        "report.pdf": Paper(PDF, "The report of the case", case_report),
        "workbook.xlsx": Paper(XLSX, "The case as a workbook", case_workbook),
        "regulator.pdf": Paper(PDF, "Facts for a regulator's form, to be filled in", _regulator_pdf),
        "regulator.json": Paper(JSON, "The same facts for programs", _regulator_json),
    }
)
"""By the names under which they are asked for."""

CONSIGNEE_PAPERS: Final[Mapping[str, ConsigneePaper]] = MappingProxyType(
    {
        "pdf": ConsigneePaper(PDF, "Letter to the consignee, with its units and a reply form", _letter),
        "csv": ConsigneePaper(CSV, "The units that the consignee was sent", _units_csv),
    }
)
"""By their endings."""


def plant_of(settings: Settings) -> Plant:
    """Who writes."""
    lines = (line.strip() for line in settings.plant_address.split(";"))
    return Plant(settings.plant_name, tuple(line for line in lines if line), settings.plant_contact)


def all_papers(report: CaseReport) -> Iterator[tuple[str, bytes]]:
    """Every paper of a case with the name of its file. Raises ValueError where the workbook has no room for it all."""
    for name, paper in PAPERS.items():
        yield name, paper.make(report)
    for units in report.consignees:
        for ending, of_consignee in CONSIGNEE_PAPERS.items():
            yield f"consignee-{file_name(units.consignee)}.{ending}", of_consignee.make(report, units)


def file_name(code: str) -> str:
    """A code as a part of a file's name: what no name may have is written as in an address (`A/1` is `A%2F1`)."""
    return quote(code, safe=" ")
