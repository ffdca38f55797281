"""Whether a catalogue holds together: what its rows must keep with each other."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Mapping
from datetime import date
from graphlib import CycleError, TopologicalSorter
from typing import TypeVar

from partkin.rules.catalogue import (
    Alternate,
    Catalogue,
    CatalogueRow,
    Characteristic,
    Part,
    Position,
    RouteStep,
    TraceLevel,
)
from partkin.rules.catalogue.part_checks import numbering_mistakes, part_mistakes
from partkin.rules.catalogue.sheets import CatalogueMistakes, Mistake, Sheets, read_sheets
from partkin.rules.catalogue.tables import KINDS, RowKey, catalogue_of, row_key, rows_of

Mistakes = Iterator[Mistake]


def read_catalogue(files: Mapping[str, bytes]) -> Catalogue:
    """The catalogue that its CSV files, given by name, describe; its rows in the order of their keys.

    Raises CatalogueMistakes with all that is wrong, in the form of the rows and between them.
    """
    sheets = read_sheets(files)
    catalogue = catalogue_of(sheets.rows)
    mistakes = [*sheets.mistakes, *mistakes_between_rows(catalogue, sheets)]
    if mistakes:
        raise CatalogueMistakes(sorted(mistakes, key=_in_reading_order))
    return catalogue


def _in_reading_order(mistake: Mistake) -> tuple[int, str, int, str]:
    files = [kind.file for kind in KINDS.values()]
    place = files.index(mistake.file) if mistake.file in files else len(files)
    return place, mistake.file, mistake.line or 0, mistake.column or ""


def mistakes_between_rows(catalogue: Catalogue, sheets: Sheets) -> Mistakes:
    """What is wrong between rows. Rows that could not be read count as being there, with unknown contents."""
    for check in _CHECKS:
        yield from check(catalogue, sheets)
    for numbering in catalogue.numberings:
        yield from numbering_mistakes(numbering, sheets)
    for part in catalogue.parts:
        yield from part_mistakes(part, catalogue.numbering.get(part.numbering or ""), sheets)


# ------------------------------------------------------------------------------------------------------------
# Keys and references


def _keys(catalogue: Catalogue, sheets: Sheets) -> Mistakes:
    for kind in KINDS.values():
        first: dict[RowKey, CatalogueRow] = {}
        for row in rows_of(catalogue, kind):
            other = first.setdefault(row_key(row), row)
            if other is not row:
                expected = f"one row for it; there is one in line {sheets.line(other)}"
                yield sheets.mistake(row, None, expected, f"{' '.join(row_key(row))} again")


def _references(catalogue: Catalogue, sheets: Sheets) -> Mistakes:
    keys = {name: {row_key(row) for row in rows_of(catalogue, kind)} for name, kind in KINDS.items()}
    for kind in KINDS.values():
        for row in rows_of(catalogue, kind):
            for column, target in kind.refers.items():
                named = getattr(row, column)
                for code in named if isinstance(named, tuple) else () if named is None else (named,):
                    if (code,) not in keys[target] and not sheets.unread.may_hold(target, code):
                        yield sheets.mistake(row, column, f"a code of {KINDS[target].file}", repr(code))
    positions = {(row.part, row.position) for row in catalogue.positions}
    for row in catalogue.alternates:
        of = (row.part, row.position)
        if of not in positions and not sheets.unread.may_hold("position", *of):
            yield sheets.mistake(row, "position", f"a position of {row.part} in positions.csv")


def _claims(catalogue: Catalogue, sheets: Sheets) -> Mistakes:
    """What a label names must not name two parts."""
    for columns in (("gtin",), ("cpid",), ("supplier", "supplier_part")):
        first: dict[RowKey, Part] = {}
        for part in catalogue.parts:
            claim = tuple(getattr(part, column) for column in columns)
            if None not in claim and (other := first.setdefault(claim, part)).part != part.part:
                expected = f"one that part {other.part} in line {sheets.line(other)} does not have"
                yield sheets.mistake(part, columns[-1], expected)


# ------------------------------------------------------------------------------------------------------------
# Effective dates

_Dated = TypeVar("_Dated", Position, Alternate)
_Row = TypeVar("_Row", bound=CatalogueRow)


def _grouped(rows: Iterable[_Row], by: Callable[[_Row], RowKey]) -> Mapping[RowKey, list[_Row]]:
    groups: dict[RowKey, list[_Row]] = defaultdict(list)
    for row in rows:
        groups[by(row)].append(row)
    return groups


def _end(row: Position | Alternate) -> date:
    return row.effective_to or date.max


def _periods(catalogue: Catalogue, sheets: Sheets) -> Mistakes:
    dated: tuple[Position | Alternate, ...] = (*catalogue.positions, *catalogue.alternates)
    for row in dated:
        if _end(row) <= row.effective_from:
            yield sheets.mistake(row, "effective_to", "a day after effective_from, or nothing")
    yield from _overlaps(_grouped(catalogue.positions, lambda row: (row.part, row.position)), sheets)
    by_component = _grouped(catalogue.alternates, lambda row: (row.part, row.position, row.component))
    yield from _overlaps(by_component, sheets)


def _overlaps(groups: Mapping[RowKey, list[_Dated]], sheets: Sheets) -> Mistakes:
    for rows in groups.values():
        longest = rows[0]
        for row in rows[1:]:
            # The same first day is the same key, and reported as such.
            if longest.effective_from < row.effective_from < _end(longest):
                expected = f"a day on which the row in line {sheets.line(longest)} no longer holds"
                yield sheets.mistake(row, "effective_from", expected)
            longest = max(longest, row, key=_end)


# ------------------------------------------------------------------------------------------------------------
# Bills of materials


def _bills(catalogue: Catalogue, sheets: Sheets) -> Mistakes:
    alternates = _grouped(catalogue.alternates, lambda row: (row.part, row.position))
    for (code,), rows in _grouped(catalogue.positions, lambda row: (row.part,)).items():
        yield from _built(catalogue.part.get(code), rows[0], "positions", sheets)
    for of_position in alternates.values():
        yield from _trace_levels(catalogue, of_position, sheets)
    for position in catalogue.positions:
        of = (position.part, position.position)
        if not sheets.unread.may_hold("alternate", *of):
            yield from _uncovered(position, alternates.get(of, []), sheets)


def _built(part: Part | None, row: Position | RouteStep, what: str, sheets: Sheets) -> Mistakes:
    """Only what is built here under serial numbers has positions or a route."""
    if part is not None and not (part.made and part.trace == "serial"):
        yield sheets.mistake(row, "part", f"a part that is made here and traced by serial, as it has {what}")


def _uncovered(position: Position, alternates: list[Alternate], sheets: Sheets) -> Mistakes:
    """The first day on which a position takes nothing."""
    day = position.effective_from
    for alternate in sorted(alternates, key=lambda row: row.effective_from):
        if alternate.effective_from <= day:
            day = max(day, _end(alternate))
    if day < _end(position):
        yield sheets.mistake(position, "position", f"an alternate on each of its days; on {day} it has none")


def _trace_levels(catalogue: Catalogue, alternates: list[Alternate], sheets: Sheets) -> Mistakes:
    known = [(row, part.trace) for row in alternates if (part := catalogue.part.get(row.component))]
    for row, trace in known[1:]:
        first, level = known[0]
        if trace != level:
            expected = f"a part traced by {level}, like {first.component} in line {sheets.line(first)}"
            yield sheets.mistake(row, "component", expected, f"{row.component}, traced by {trace}")


def _cycles(catalogue: Catalogue, sheets: Sheets) -> Mistakes:
    """A part must not hold itself, whatever the day: what it holds may have been started on another."""
    inside: dict[str, dict[str, Alternate]] = defaultdict(dict)
    for row in catalogue.alternates:
        inside[row.part][row.component] = row
    while True:
        try:
            TopologicalSorter(inside).prepare()
            return
        except CycleError as error:
            cycle: list[str] = error.args[1]
            row = inside[cycle[1]].pop(cycle[0])
            yield sheets.mistake(row, "component", "no part that holds itself", " in ".join(cycle))


# ------------------------------------------------------------------------------------------------------------
# Routes


def _routes(catalogue: Catalogue, sheets: Sheets) -> Mistakes:
    for code, route in catalogue.route.items():
        part = catalogue.part.get(code)
        yield from _built(part, route[0], "a route", sheets)
        if part is not None and part.packaging:
            expected = "no packaging: that is packed at any pack point that fills its positions"
            yield sheets.mistake(route[0], "part", expected)
        yield from _route(catalogue, route, sheets)
    for part in catalogue.parts:
        routed = part.part in catalogue.route or sheets.unread.may_hold("route_step", part.part)
        if part.sold and not routed:
            yield sheets.mistake(part, "part", "a route in routes.csv: a unit is finished at its last step")


def _route(catalogue: Catalogue, route: Iterable[RouteStep], sheets: Sheets) -> Mistakes:
    first: dict[str, RouteStep] = {}
    for step in route:
        other = first.setdefault(step.scan_point, step)
        if other.step != step.step:
            expected = f"it once on a route; line {sheets.line(other)} has it at step {other.step}"
            yield sheets.mistake(step, "scan_point", expected)
        kind = _kind_of_point(catalogue, step.scan_point)
        if kind in ("rework", "ship"):
            yield sheets.mistake(step, "scan_point", f"no {kind} point: they are in no route")


def _kind_of_point(catalogue: Catalogue, scan_point: str) -> str | None:
    known = catalogue.scan_point.get(scan_point)
    return None if known is None else known.kind


def _filling(catalogue: Catalogue, sheets: Sheets) -> Mistakes:
    """Each position is filled on the part's route, on every parallel line of it; what is packed, at pack points."""
    levels: dict[RowKey, TraceLevel] = {
        (row.part, row.position): part.trace
        for row in catalogue.alternates
        if (part := catalogue.part.get(row.component))
    }
    for position in catalogue.positions:
        part = catalogue.part.get(position.part)
        if part is not None and part.packaging:
            yield from _at_pack_points(catalogue, position, sheets)
        elif not any(sheets.unread.may_hold(kind, position.part) for kind in ("part", "route_step")):
            traced = levels.get((position.part, position.position), "none") != "none"
            yield from _on_route(catalogue, position, traced, sheets)
            yield from _parallel(catalogue, position, catalogue.route.get(position.part, ()), sheets)


def _at_pack_points(catalogue: Catalogue, position: Position, sheets: Sheets) -> Mistakes:
    """Packaging has no route: each pack point that fills its positions may pack it."""
    expected = f"pack points, as {position.part} is packaging"
    if not position.scan_points:
        yield sheets.mistake(position, "scan_points", expected)
    for point in position.scan_points:
        if _kind_of_point(catalogue, point) not in ("pack", None):
            yield sheets.mistake(position, "scan_points", expected, repr(point))


def _on_route(catalogue: Catalogue, position: Position, traced: bool, sheets: Sheets) -> Mistakes:
    on_route = {step.scan_point for step in catalogue.route.get(position.part, ())}
    anywhere = ("rework", "pack") if position.packing else ("rework",)
    bound = [point for point in position.scan_points if _kind_of_point(catalogue, point) not in anywhere]
    for point in bound:
        if point in catalogue.scan_point and point not in on_route:
            expected = f"scan points on the route of {position.part}, or {' or '.join(anywhere)} points"
            yield sheets.mistake(position, "scan_points", expected, repr(point))
    if traced and not bound and not position.packing:
        yield sheets.mistake(position, "scan_points", f"a scan point on the route of {position.part}")


def _parallel(catalogue: Catalogue, position: Position, route: Iterable[RouteStep], sheets: Sheets) -> Mistakes:
    """A step that fills a position must do so on each line, unless the line does it at another step."""
    fills = set(position.scan_points)
    lines = {point.line for code in fills if (point := catalogue.scan_point.get(code))}
    steps = {step.step for step in route if step.scan_point in fills}
    for step in route:
        point = catalogue.scan_point.get(step.scan_point)
        if point and step.step in steps and point.scan_point not in fills and point.line not in lines:
            expected = f"{step.scan_point} too, or another one of line {point.line}: step {step.step} is there too"
            yield sheets.mistake(position, "scan_points", expected)


# ------------------------------------------------------------------------------------------------------------
# Packing and markings


def _packing(catalogue: Catalogue, sheets: Sheets) -> Mistakes:
    """The packing bill of a unit."""
    for position in catalogue.positions:
        part = catalogue.part.get(position.part)
        if not position.packing or part is None:
            continue
        kinds = {_kind_of_point(catalogue, point) for point in position.scan_points}
        if not part.sold:
            yield sheets.mistake(position, "packing", "no, as only what is sold has a packing bill")
        elif kinds.isdisjoint({"pack", None}):
            yield sheets.mistake(position, "scan_points", "a pack point among them, as it is filled when packing")


def _packaging(catalogue: Catalogue, sheets: Sheets) -> Mistakes:
    """Packaging holds what leaves the plant, and only packaging holds packaging."""
    for row in catalogue.alternates:
        holder, held = catalogue.part.get(row.part), catalogue.part.get(row.component)
        if holder is None or held is None:
            continue
        if holder.packaging and held.made and not (held.sold or held.packaging):
            expected = f"what is sold, packaging or what is bought, as {holder.part} is packaging"
            yield sheets.mistake(row, "component", expected)
        elif held.packaging and not holder.packaging:
            yield sheets.mistake(row, "component", f"no packaging, as {holder.part} is none")


def _markings(catalogue: Catalogue, sheets: Sheets) -> Mistakes:
    for row in catalogue.markings:
        part = catalogue.part.get(row.part)
        if part is not None and not part.sold:
            yield sheets.mistake(row, "part", "a part that is sold, as a rating plate is on a unit")


# ------------------------------------------------------------------------------------------------------------
# Test plans


def _tests(catalogue: Catalogue, sheets: Sheets) -> Mistakes:
    for plan in catalogue.test_plans:
        if plan.plan not in catalogue.measured and not sheets.unread.may_hold("characteristic", plan.plan):
            yield sheets.mistake(plan, "plan", "at least one characteristic in characteristics.csv")
    for row in catalogue.characteristics:
        yield from _limits(row, sheets)


def _limits(row: Characteristic, sheets: Sheets) -> Mistakes:
    if row.kind == "attribute":
        for column in ("unit", "lower", "upper"):
            if getattr(row, column) is not None:
                yield sheets.mistake(row, column, "nothing, as an attribute is judged, not measured")
        return
    if row.unit is None:
        yield sheets.mistake(row, "unit", "the unit of measurement")
    if row.lower is None and row.upper is None:
        yield sheets.mistake(row, "lower", "at least one limit, lower or upper")
    if row.lower is not None and row.upper is not None and row.lower > row.upper:
        yield sheets.mistake(row, "upper", "an upper limit not below the lower one")


_CHECKS: tuple[Callable[[Catalogue, Sheets], Mistakes], ...] = (
    _keys,
    _references,
    _periods,
    _claims,
    _bills,
    _cycles,
    _routes,
    _filling,
    _packing,
    _packaging,
    _markings,
    _tests,
)
