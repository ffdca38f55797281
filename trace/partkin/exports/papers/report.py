"""The report of a case: what is suspected, what it affects, what was done about it and what that showed, as PDF."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from itertools import groupby

from reportlab.lib.styles import ParagraphStyle  # type: ignore[import-untyped]
from reportlab.platypus import Flowable, KeepTogether, PageBreak  # type: ignore[import-untyped]

from partkin.exports.papers.model import (
    CaseHead,
    CaseReport,
    Certainty,
    LotBalance,
    ModelFacts,
    NoticeLine,
    SortingLine,
    SpreadNode,
    UnitLine,
)
from partkin.exports.papers.pictures import spread, timeline
from partkin.exports.papers.sheet import (
    BODY,
    BOX,
    HEADING,
    INTRO,
    SMALL,
    TITLE,
    WIDTH,
    Column,
    build,
    day,
    facts,
    minute,
    paragraph,
    table,
)

# A list stops nothing and decides nothing by itself; opened units have mains voltage and flammable refrigerant inside.
_CAUTIONS = (
    "A list is no decision. What becomes of a unit is decided by whoever the plant's procedure names; local law and "
    "the deadlines of the authorities come first. Work on the electrical parts and on the circuit of flammable "
    "refrigerant is for qualified persons only, as local codes say."
)
_AGAIN = (
    "The list was frozen from the journal as it stood at the seal. Whoever has a copy of the journal up to that seal "
    "can reckon the list again from what is suspected, and compare its SHA-256 with the one above: one unit more, "
    "fewer or other gives another sum. What was recorded later is told apart below as added since."
)
_NOT_FROZEN = (
    "No list is frozen yet: what follows is as the books were when this report was made, and may still change."
)
_COUNTED = (
    "Certain: by the records the unit contains something suspect. Possible: it may, and the records cannot tell; it is "
    "to be treated as affected until something shows the contrary."
)
_BOUND = (
    "The bound of a sorting says how large the bad fraction may still be after what was seen in the things inspected, "
    "at the confidence given. It does not say that the rest is safe."
)
_USES = "Bars above: suspect lots at points of use, and receipts."
_STARTS = "Bars below: units started, by what is known of them."
_HOW_FAR = (
    "From what is suspected to where the units are now; the thicker a line, the more went along it. A lot is counted "
    "by the things that its pieces went into."
)
_LEVELS: Mapping[str, str] = {
    "A": "every consignee is checked",
    "B": "a share of the consignees set for this case, more than 10 % and less than 100 %, is checked",
    "C": "10 % of the consignees are checked, rounded up",
    "D": "2 % of the consignees are checked, rounded up",
    "E": "no consignee is checked",
}
_SOURCE = "Levels as in 21 CFR 7.42(b)(3), taken as a public model; it is not law for appliances."

_LEAST_HEIGHT, _MOST_HEIGHT = 130.0, 460.0
_BOX_HEIGHT = 46.0
"""Of a box in the second picture, with what is free around it."""

_Story = Iterator[Flowable]


def case_report(report: CaseReport) -> bytes:
    """The report as a PDF file; the same report gives the same bytes."""
    title = f"Containment case {report.head.case}: {_status(report.head)}"
    story = [*_body(report, title), *_appendix(report.units)]
    mark = "" if report.head.status == "closed" else "OPEN CASE"
    return build(story, report.plant, report.head, title, report.made_at, mark)


def _status(head: CaseHead) -> str:
    if head.status == "closed":
        return "closed"
    return f"open, revision {head.revision} frozen" if head.revision else "open, no list frozen"


def _body(report: CaseReport, title: str) -> _Story:
    yield paragraph(title, TITLE)
    yield from _summary(report)
    yield from _suspected(report.head)
    yield from _counts(report.counts)
    yield from _pictures(report)
    yield from _balances(report.balances)
    yield from _sortings(report.sortings)
    yield from _decisions(report.units)
    yield from _section("Added since the list was frozen", ("Item", "Why"), report.added, "Nothing was added.")
    yield from _notices(report)
    yield from _models(report.models)
    events = [(minute(event.at), event.by, str(event.entry), event.words) for event in report.events]
    yield from _section(
        "Journal of the case", ("When", "By", "-Entry", "What"), events, "The journal says nothing yet."
    )


def _section(heading: str, names: Iterable[str], rows: Sequence[Sequence[object]], nothing: str) -> _Story:
    """A table under a heading; a name that begins with a hyphen heads a column of numbers."""
    yield paragraph(heading, HEADING)
    yield _table(names, rows) if rows else paragraph(nothing)


def _table(names: Iterable[str], rows: Iterable[Sequence[object]]) -> Flowable:
    columns = [Column(name.removeprefix("-"), right=name.startswith("-")) for name in names]
    return table(columns, ([_cell(value) for value in row] for row in rows))


def _cell(value: object) -> object:
    return f"{value:,}" if type(value) is int else value


# ------------------------------------------------------------------------------------------------------------
# What it is about
# ------------------------------------------------------------------------------------------------------------


def _summary(report: CaseReport) -> _Story:
    head = report.head
    yield facts(
        [
            ("What it is about", head.title),
            ("What may happen", head.hazard or "not said yet"),
            ("What is to be done", head.action or "not said yet"),
            ("Opened", minute(head.opened_at)),
            ("List frozen", minute(head.frozen_at)),
            *_closed(head),
            ("Revision of the list", head.revision),
            ("Seal of the journal", head.seal),
            ("SHA-256 of the list", head.list_sha256),
            ("This report made", minute(report.made_at)),
        ]
    )
    yield paragraph(_AGAIN if head.revision else _NOT_FROZEN)
    yield paragraph(_CAUTIONS, BOX)


def _closed(head: CaseHead) -> Iterator[tuple[str, str]]:
    if (last := head.closing) is not None:
        yield "Closed", f"{minute(last.at)} by {last.by}, entry {last.entry}: {last.words}"


def _suspected(head: CaseHead) -> _Story:
    yield paragraph("What is suspected", HEADING)
    for line in head.suspected:
        words = line.lstrip(" ")
        indent = 7 * (len(line) - len(words))
        yield paragraph(words, ParagraphStyle("suspected", BODY, leftIndent=min(indent, WIDTH / 2), spaceAfter=2))


def _counts(counts: Mapping[str, Mapping[Certainty, int]]) -> _Story:
    rows = [(state, of.get("certain", 0), of.get("possible", 0)) for state, of in counts.items()]
    rows.append(("all", sum(row[1] for row in rows), sum(row[2] for row in rows)))
    yield from _section(
        "Units affected, by their state", ("State", "-Certain", "-Possible", "-Both"), _with_sums(rows), ""
    )
    yield paragraph(_COUNTED, SMALL)


def _with_sums(rows: Iterable[tuple[str, int, int]]) -> list[tuple[str, int, int, int]]:
    return [(name, certain, possible, certain + possible) for name, certain, possible in rows]


def _pictures(report: CaseReport) -> _Story:
    when = timeline(report.uses, report.production, WIDTH)
    said = ((report.uses, _USES), (report.production, _STARTS))
    yield _picture("When", when, " ".join(words for shown, words in said if shown))
    far = spread(report.nodes, report.edges, WIDTH, _height(report.nodes))
    yield _picture("How far", far, _HOW_FAR if report.nodes else "")


def _picture(heading: str, picture: Flowable, caption: str) -> Flowable:
    return KeepTogether([paragraph(heading, HEADING), picture, paragraph(caption, SMALL)])


def _height(nodes: Iterable[SpreadNode]) -> float:
    most = max(Counter(node.level for node in nodes).values(), default=0)
    return min(max(most * _BOX_HEIGHT + 20, _LEAST_HEIGHT), _MOST_HEIGHT)


# ------------------------------------------------------------------------------------------------------------
# What was done and what it showed
# ------------------------------------------------------------------------------------------------------------


def _balances(balances: Sequence[LotBalance]) -> _Story:
    head = [paragraph("Mass balance", HEADING)]
    if not balances:
        yield from (*head, paragraph("No lot is on the list, so there is no balance."))
    for balance in balances:
        known = (
            f"stock counted {minute(balance.counted_at)}" if balance.counted_at else "stock by the books, not counted"
        )
        rows = [(line.name, line.pieces, _share(line.per_cent)) for line in balance.lines]
        kind = "container" if balance.container else "lot"
        name = paragraph(f"{balance.part}, {kind} {balance.lot}: {known}", INTRO)
        pieces = _table(("Pieces", "-Number", "-Per cent"), rows)
        yield KeepTogether([*head, name, pieces, paragraph(_sum(balance), SMALL)])
        head = []


def _share(per_cent: float | None) -> str | None:
    return None if per_cent is None else f"{per_cent:.2f} %"


def _sum(balance: LotBalance) -> str:
    received, rest = balance.lines[0].pieces, sum(line.pieces for line in balance.lines[1:])
    beside = f" Booked on other lots, but possibly of this one: {balance.elsewhere:,}." if balance.elsewhere else ""
    if received == rest:
        return f"All lines below the first add up to the {received:,} pieces received.{beside}"
    return f"The lines below the first add up to {rest:,} pieces, and {received:,} were received: find out why.{beside}"


def _sortings(sortings: Sequence[SortingLine]) -> _Story:
    yield paragraph("Sorting", HEADING)
    if not sortings:
        yield paragraph("No sorting was planned.")
        return
    for sorting in sortings:
        yield KeepTogether([facts(_sorting(sorting))])
    yield paragraph(_BOUND)


def _per_cent(fraction: float) -> str:
    return f"{100 * fraction:.4g} %"


def _sorting(sorting: SortingLine) -> list[tuple[str, str]]:
    bound = sorting.upper_bound
    return [
        ("Sorting", sorting.sorting),
        (
            "Rule",
            f"{sorting.rule}: less than {_per_cent(sorting.fraction)} bad, {_per_cent(sorting.confidence)} confidence",
        ),
        ("Population", f"{sorting.population:,}"),
        ("To inspect (n)", f"{sorting.drawn:,}, drawn with the seed {sorting.seed}"),
        ("Inspected", f"{sorting.inspected:,}, of these {sorting.bad:,} bad"),
        ("Upper bound of the bad part", "not all inspected yet" if bound is None else _per_cent(bound)),
        ("Conclusion", sorting.conclusion),
    ]


def _decisions(units: Iterable[UnitLine]) -> _Story:
    by = Counter((unit.decision or "none yet", unit.certainty) for unit in units)
    rows = [(name, by[name, "certain"], by[name, "possible"]) for name in sorted({name for name, _ in by})]
    names = ("Decision", "-Certain", "-Possible", "-Both")
    yield from _section(
        "Decisions so far", names, _with_sums(rows), "No unit is affected, so there is nothing to decide."
    )


def _notices(report: CaseReport) -> _Story:
    level = report.effectiveness_level
    yield from _section(
        "Consignees and their notices",
        ("Consignee", "-Units", "Sent", "Answered", "-On hand", "-Corrected", "Check"),
        [_notice(notice) for notice in report.notices],
        "No affected unit was sent to a consignee.",
    )
    if level is None:
        yield paragraph("No level of effectiveness checks was chosen yet.")
    else:
        yield paragraph(f"Effectiveness checks, level {level}: {_LEVELS.get(level[:1], 'as set for this case')}.")
    yield paragraph(_SOURCE, SMALL)


def _notice(notice: NoticeLine) -> tuple[object, ...]:
    check = notice.checked or ("to be made" if notice.chosen else "not chosen")
    name = f"{notice.consignee} {notice.name}".rstrip()
    sent, answered = day(notice.sent_on), day(notice.answered_on)
    return name, notice.units, sent, answered, notice.on_hand, notice.corrected, check


def _models(models: Sequence[ModelFacts]) -> _Story:
    yield paragraph("Models and ranges of serial numbers", HEADING)
    if not models:
        yield paragraph("No model is affected.")
    for model in models:
        yield KeepTogether([facts(_model(model))])
        ranges = [(one.first, one.last, one.units) for one in model.ranges]
        yield _table(("First serial number", "Last serial number", "-Units"), ranges)


def _model(model: ModelFacts) -> list[tuple[str, str]]:
    return [
        ("Model", f"{model.part} {model.description}"),
        ("GTIN", model.gtin or "none"),
        ("Affected units made", f"{model.made:,}, from {day(model.first_made)} to {day(model.last_made)}"),
        ("Sold", f"{model.sold:,}, from {day(model.first_despatched)} to {day(model.last_despatched)}"),
        ("In the plant, scrapped", f"{model.in_plant:,} in the plant, {model.scrapped:,} scrapped"),
        ("Serial number", model.how_to_read),
    ]


# ------------------------------------------------------------------------------------------------------------
# The list
# ------------------------------------------------------------------------------------------------------------

_OF_UNIT = "Serial number,Certainty,State,Started,Consignee,Shipment,Delivery note,Despatched,Decision".split(",")


def _appendix(units: Sequence[UnitLine]) -> _Story:
    if not units:
        return
    yield PageBreak()
    yield paragraph(f"Appendix: all {len(units):,} units affected", TITLE)
    ordered = sorted(units, key=lambda unit: (unit.part, unit.serial))
    for part, of_part in groupby(ordered, key=lambda unit: unit.part):
        lines = list(of_part)
        yield paragraph(f"{part} {lines[0].description}: {len(lines):,}", HEADING)
        yield _table(_OF_UNIT, (_unit(unit) for unit in lines))


def _unit(unit: UnitLine) -> tuple[str | None, ...]:
    sent = (unit.consignee, unit.shipment, unit.delivery_note, day(unit.despatched_on))
    return unit.serial, unit.certainty, unit.state, day(unit.made_on), *sent, unit.decision
