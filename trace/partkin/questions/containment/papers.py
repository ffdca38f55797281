"""What the papers of a containment case say, gathered from the books in one transaction."""

from __future__ import annotations

import json
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence, Set
from datetime import date, datetime
from operator import attrgetter
from typing import Final

from sqlalchemy import Connection

from partkin.exports.papers.model import (
    BalanceLine,
    CaseEvent,
    CaseHead,
    CaseReport,
    Certainty,
    ConsigneeUnits,
    LotBalance,
    LotUse,
    ModelFacts,
    NoticeLine,
    Plant,
    Production,
    SerialRange,
    SortingLine,
    UnitLine,
)
from partkin.questions.containment.events import added_since, case_events
from partkin.questions.containment.spread import spread_of
from partkin.questions.containment.things import case_named
from partkin.rules.check_characters import SCHEMES
from partkin.rules.containment.conclusion import Conclusion, conclusion_of
from partkin.rules.containment.naming import suspects_of
from partkin.rules.containment.words import in_words
from partkin.rules.judging.sorting import last_inspections
from partkin.rules.moments import FOREVER, Moment, datetime_of
from partkin.rules.numbering_in_words import how_to_read
from partkin.rules.rows import CaseRow, CheckPlanRow, NoticeRow, SortingRow
from partkin.rules.serial_ranges import compact
from partkin.store.catalogue import read_catalogue
from partkin.store.containment.cases import exposed_things
from partkin.store.containment.papers import (
    Despatch,
    Thing,
    affected_things,
    despatches_of,
    listed_things,
    loadings_of,
    receipts_of,
    units_started,
)
from partkin.store.containment.records import (
    drawn_for,
    inspections_for,
    notices_of,
    plans_of,
    revisions_of,
    sortings_of,
)
from partkin.store.database import Readable
from partkin.store.genealogy.mass_balance import Balance, Bucket, balances

_HOUR: Final = 3_600_000_000
_DAY: Final = 24 * _HOUR
_WEEK: Final = 7 * _DAY
_MONDAY: Final = 4 * _DAY
"""1970-01-05 was one: stretches of hours, days and weeks begin as the clock and the calendar (UTC) do."""


def case_report(database: Readable, code: str, plant: Plant, made_at: datetime) -> CaseReport:
    """All that the papers of a case say. Raises NoSuchCase.

    Of a case without a frozen list, what is affected as the books are now.
    """
    with database.read() as connection:
        case = case_named(connection, code)
        return _Gathered(connection, case).report(plant, made_at)


class _Gathered:
    """What the books say of a case."""

    def __init__(self, connection: Connection, case: CaseRow) -> None:
        self._connection, self._case = connection, case
        self._catalogue = read_catalogue(connection)
        self._found = exposed_things(connection, suspects_of(case.suspects))
        listed = listed_things(connection, case.id) if case.revision else affected_things(connection, self._found)
        self._things: Sequence[Thing] = listed
        self._units = [thing for thing in listed if self._catalogue.part[thing.part].sold and thing.kind == "serial"]
        self._despatches: dict[int, list[Despatch]] = defaultdict(list)
        for one in despatches_of(connection, [unit.item_id for unit in self._units]):
            self._despatches[one.item_id].append(one)

    def report(self, plant: Plant, made_at: datetime) -> CaseReport:
        connection, case = self._connection, self._case
        sent_to = {unit: (last[-1].consignee, last[-1].name) for unit, last in self._despatches.items()}
        spread = spread_of(connection, self._found, self._things, sent_to, self._catalogue)
        consignees = self.consignees()
        plans = plans_of(connection, case.id)
        events, closing = case_events(connection, case.id)
        return CaseReport(
            plant=plant,
            head=self._head(closing if case.status == "closed" else None),
            made_at=made_at,
            counts=_counts(self._units),
            units=[self._line(unit, self._last(unit)) for unit in self._units],
            added=added_since(connection, case, self._things),
            balances=_balances(connection, [one for one in self._things if one.kind == "lot"]),
            uses=_uses(connection, {one.item_id for one in self._things if one.kind == "lot"} | spread.lots),
            production=_production(connection, self._units),
            nodes=spread.nodes,
            edges=spread.edges,
            sortings=_sortings(connection, case.id),
            notices=_notices(notices_of(connection, case.id), consignees, plans[-1:]),
            effectiveness_level=_level(plans[-1]) if plans else None,
            models=self._models(),
            events=events,
            consignees=consignees,
        )

    def consignees(self) -> list[ConsigneeUnits]:
        lines: dict[tuple[str, str], list[UnitLine]] = defaultdict(list)
        for unit in self._units:
            last = {(one.consignee, one.name): one for one in self._despatches[unit.item_id]}
            for consignee, despatch in last.items():
                lines[consignee].append(self._line(unit, despatch))
        return [ConsigneeUnits(*consignee, lines[consignee]) for consignee in sorted(lines)]

    def _last(self, unit: Thing) -> Despatch | None:
        despatches = self._despatches[unit.item_id]
        return despatches[-1] if despatches else None

    def _line(self, unit: Thing, despatch: Despatch | None) -> UnitLine:
        return UnitLine(
            part=unit.part,
            description=self._catalogue.part[unit.part].description,
            serial=unit.code,
            certainty=unit.certainty,
            state=unit.state,
            made_on=_day(unit.started_at),
            consignee=despatch and despatch.consignee,
            shipment=despatch and despatch.shipment,
            delivery_note=despatch and despatch.delivery_note,
            despatched_on=_day(despatch.despatched_at) if despatch else None,
            decision=unit.decision,
        )

    def _head(self, closing: CaseEvent | None) -> CaseHead:
        case = self._case
        frozen = revisions_of(self._connection, case.id)[-1:]
        return CaseHead(
            case=case.code,
            title=case.title,
            hazard=case.hazard or "",
            action=case.asked or "",
            opened_at=datetime_of(case.opened_at),
            status=case.status,
            revision=case.revision,
            frozen_at=datetime_of(frozen[0].frozen_at) if frozen else None,
            seal=frozen[0].seal if frozen else None,
            list_sha256=frozen[0].sha256 if frozen else None,
            suspected=in_words(suspects_of(case.suspects), self._title, self._unit),
            closing=closing,
        )

    def _title(self, part: str) -> str:
        known = self._catalogue.part.get(part)
        return "" if known is None else known.description

    def _unit(self, plan: str, characteristic: str) -> str:
        of_plan = (
            row for row in self._catalogue.characteristics if (row.plan, row.characteristic) == (plan, characteristic)
        )
        return next((row.unit or "" for row in of_plan), "")

    def _models(self) -> list[ModelFacts]:
        of_part: dict[str, list[Thing]] = defaultdict(list)
        for unit in self._units:
            of_part[unit.part].append(unit)
        return [self._model(part, units) for part, units in sorted(of_part.items())]

    def _model(self, part: str, units: Sequence[Thing]) -> ModelFacts:
        row, numbering = self._catalogue.part[part], self._catalogue.numbering_of(part)
        check = None if numbering is None or numbering.check is None else SCHEMES[numbering.check]
        made = sorted(unit.started_at for unit in units if unit.started_at is not None)
        sold = [unit for unit in units if unit.state == "shipped"]
        sent = sorted(one.despatched_at for unit in units for one in self._despatches[unit.item_id])
        ranges = compact((unit.code for unit in units), check)
        return ModelFacts(
            part=part,
            description=row.description,
            gtin=row.gtin,
            made=len(units),
            sold=len(sold),
            in_plant=sum(unit.state in _IN_PLANT for unit in units),
            scrapped=sum(unit.state == "scrapped" for unit in units),
            first_made=_day(made[0]) if made else None,
            last_made=_day(made[-1]) if made else None,
            first_despatched=_day(sent[0]) if sent else None,
            last_despatched=_day(sent[-1]) if sent else None,
            ranges=[SerialRange(part, one.first, one.last, one.count) for one in ranges],
            how_to_read=how_to_read(numbering),
        )


_IN_PLANT: Final = ("usable", "in work", "finished", "packed", "came back")


def _day(moment: Moment | None) -> date | None:
    """The UTC day of a moment."""
    return None if moment is None else datetime_of(moment).date()


def _counts(units: Iterable[Thing]) -> dict[str, dict[Certainty, int]]:
    counts: dict[str, dict[Certainty, int]] = {}
    for unit in sorted(units, key=attrgetter("state")):
        counts.setdefault(unit.state, {"certain": 0, "possible": 0})[unit.certainty] += 1
    return counts


# -- lots

_LINES: Final[Mapping[Bucket, str]] = {
    "received": "received",
    "in_units_certain": "in units (certain)",
    "in_units_possible": "in units (possible)",
    "in_containers": "moved into containers",
    "scrapped": "scrapped",
    "returned": "returned to the supplier",
    "in_analysis": "in failure analysis",
    "in_stock": "in stock",
    "unaccounted": "unaccounted",
}


def _balances(connection: Connection, lots: Sequence[Thing]) -> list[LotBalance]:
    """Of suspect lots first, then of the containers that pieces of them went into."""
    found = balances(connection, [lot.item_id for lot in lots])
    return [_balance(lot, found[lot.item_id]) for lot in sorted(lots, key=lambda lot: (not lot.suspect, lot.key))]


def _balance(lot: Thing, balance: Balance) -> LotBalance:
    pieces = balance.lines
    lines = [BalanceLine(name, pieces[key], _per_cent(pieces[key], balance.received)) for key, name in _LINES.items()]
    counted_at = None if balance.counted_at is None else datetime_of(balance.counted_at)
    return LotBalance(lot.part, lot.code, counted_at, lines, balance.possibly_elsewhere, not lot.suspect)


def _per_cent(pieces: int, received: int) -> float | None:
    return 100 * pieces / received if received else None


def _uses(connection: Connection, of: Set[int]) -> list[LotUse]:
    """Receipts and loadings of lots, in the order of time."""
    lots, uses = sorted(of), []
    for row in receipts_of(connection, lots):
        note = "" if row.delivery_note is None else f", delivery note {row.delivery_note}"
        at = datetime_of(row.received_at)
        uses.append(LotUse(row.part, row.code, f"received from {row.supplier}{note}", at, at))
    for row in loadings_of(connection, lots):
        where = f"{row.scan_point} {row.position}, feeder {row.feeder}"
        until = None if row.unloaded_at == FOREVER else datetime_of(row.unloaded_at)
        uses.append(LotUse(row.part, row.code, where, datetime_of(row.loaded_at), until))
    return sorted(uses, key=attrgetter("since"))


# -- production


def _production(connection: Connection, units: Sequence[Thing]) -> list[Production]:
    """Units of the affected models that were started in the affected time, and somewhat before and after it."""
    started = [(unit.started_at, unit.certainty) for unit in units if unit.started_at is not None]
    if not started:
        return []
    first, last = min(moment for moment, _ in started), max(moment for moment, _ in started)
    step = _stretch(last - first)
    around = max(2, (last - first) // step // 10)
    since = _MONDAY + ((first - _MONDAY) // step - around) * step
    steps = (last - since) // step + 1 + around
    made = units_started(connection, sorted({unit.part for unit in units}), since, step, steps)
    affected: dict[tuple[int, Certainty], int] = defaultdict(int)
    for moment, certainty in started:
        affected[(moment - since) // step, certainty] += 1
    return [
        Production(
            datetime_of(since + number * step),
            datetime_of(since + (number + 1) * step),
            made.get(number, 0),
            affected[number, "certain"],
            affected[number, "possible"],
        )
        for number in range(steps)
    ]


def _stretch(span: Moment) -> Moment:
    """Hours for a few days, days for a few months, else weeks."""
    if span <= 3 * _DAY:
        return _HOUR
    return _DAY if span <= 90 * _DAY else _WEEK


# -- sortings and notices


def _sortings(connection: Connection, case_id: int) -> list[SortingLine]:
    drawn, inspections = drawn_for(connection, case_id), inspections_for(connection, case_id)
    return [
        _sorting(one, conclusion_of(one, drawn[one.id], last_inspections(inspections.get(one.id, [])).values()))
        for one in sortings_of(connection, case_id)
    ]


def _sorting(sorting: SortingRow, concluded: Conclusion) -> SortingLine:
    return SortingLine(
        sorting=sorting.code,
        rule=sorting.rule,
        population=sorting.population,
        drawn=sorting.drawn,
        seed=sorting.seed,
        inspected=concluded.inspected,
        bad=concluded.bad,
        confidence=sorting.confidence,
        fraction=sorting.fraction,
        upper_bound=concluded.upper_bound,
        conclusion=concluded.sentence,
    )


def _level(plan: CheckPlanRow) -> str:
    return plan.level if plan.share is None else f"{plan.level} ({100 * plan.share:.4g} %)"


def _notices(
    steps: Iterable[NoticeRow], consignees: Iterable[ConsigneeUnits], plans: Iterable[CheckPlanRow]
) -> list[NoticeLine]:
    chosen = {code for plan in plans for code in json.loads(plan.consignees)}
    of_consignee: dict[str, list[NoticeRow]] = defaultdict(list)
    for step in sorted(steps, key=attrgetter("occurred_at", "id")):
        of_consignee[step.consignee].append(step)
    return [_notice(one, of_consignee[one.consignee], one.consignee in chosen) for one in consignees]


def _notice(of: ConsigneeUnits, steps: Sequence[NoticeRow], chosen: bool) -> NoticeLine:
    sent = next((step for step in steps if step.step == "sent"), None)
    answers = [step for step in steps if step.step == "answered"]
    checks = [step for step in steps if step.step == "checked"]
    counted = [step for step in steps if step.step != "sent"]
    return NoticeLine(
        consignee=of.consignee,
        name=of.name,
        units=len(of.units),
        sent_on=_day(sent.occurred_at) if sent else None,
        answered_on=_day(answers[-1].occurred_at) if answers else None,
        on_hand=_newest(step.on_hand for step in counted),
        corrected=_newest(step.corrected for step in counted),
        checked=_checked(checks[-1]) if checks else None,
        chosen=chosen,
    )


def _newest(numbers: Iterable[int | None]) -> int | None:
    known = [number for number in numbers if number is not None]
    return known[-1] if known else None


def _checked(step: NoticeRow) -> str:
    result = "effective" if step.effective else "not effective"
    return result if step.found is None else f"{result}: {step.found}"
