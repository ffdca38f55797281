"""Catalogues that keep every rule, for tests with random ones."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Literal, get_args

from hypothesis import strategies as st

from partkin.rules.catalogue import (
    Alternate,
    Catalogue,
    CatalogueRow,
    Characteristic,
    Consignee,
    Instrument,
    Marking,
    Numbering,
    Part,
    Position,
    RouteStep,
    ScanPoint,
    Supplier,
    TestPlan,
    TraceLevel,
)
from partkin.rules.catalogue.tables import catalogue_of
from partkin.rules.check_characters import SCHEMES

codes = st.text(st.characters(min_codepoint=0x21, max_codepoint=0x7E), min_size=1, max_size=40)
texts = st.text(st.characters(categories=["L", "M", "N", "P", "S", "Zs"]), min_size=1).map(str.strip).filter(bool)
days = st.dates(date(2026, 1, 1), date(2040, 12, 31))
traces: st.SearchStrategy[TraceLevel] = st.sampled_from(get_args(TraceLevel))
on_routes: st.SearchStrategy[Literal["build", "test", "store", "pack"]]
on_routes = st.sampled_from(["build", "test", "store", "pack"])
off_routes: st.SearchStrategy[Literal["rework", "ship"]] = st.sampled_from(["rework", "ship"])
numbers = st.floats(allow_nan=False, allow_infinity=False)


@st.composite
def characteristics(draw: st.DrawFn, plan: str, code: str) -> Characteristic:
    """A measured one with one or two limits, or a judged one."""
    text, source = draw(texts), draw(st.none() | texts)
    if draw(st.booleans()):
        return Characteristic(plan, code, text, "attribute", source=source)
    lower, upper = sorted(draw(st.tuples(numbers, numbers)))
    limits = draw(st.sampled_from([(lower, upper), (None, upper), (lower, None)]))
    return Characteristic(plan, code, text, "numeric", draw(texts), *limits, source)


@st.composite
def bought_parts(draw: st.DrawFn, code: str, number: int, suppliers: list[str]) -> Part:
    """A bought part with any label rules."""
    trace = draw(traces)
    body = f"{number:013}"
    supplier = draw(st.none() | st.sampled_from(suppliers))
    ruled = trace != "none" and draw(st.booleans())
    checked = ruled and draw(st.booleans())
    return Part(
        code,
        draw(texts),
        trace,
        made=False,
        sold=False,
        supplier=supplier,
        supplier_part=draw(st.none() | st.just(f"{number}{code}"[:40])) if supplier else None,
        gtin=draw(st.none() | st.just(body + SCHEMES["gs1-mod-10"].compute(body))),
        cpid=draw(st.none() | st.just(f"9501101/{number}")),
        label_pattern=f"(?P<{trace}>[0-9]{{3,9}}{'(?P<check>.)' if checked else ''})" if ruled else None,
        label_check="damm" if checked else None,
        receipts=trace != "none" and draw(st.booleans()),
        floor_life_hours=draw(st.none() | st.integers(1, 99_999)) if trace == "lot" else None,
    )


DATES: tuple[Literal["year", "year-month", "year-week", "year-day", "date"] | None, ...]
DATES = (None, "year", "year-month", "year-week", "year-day", "date")


@st.composite
def numberings(draw: st.DrawFn, code: str) -> Numbering:
    """A scheme of running or random numbers, with a prefix of digits where they have a check."""
    check = draw(st.sampled_from([None, "gs1-mod-10", "iso7064-mod-37-36", "iso7064-mod-97-10", "gs1-check-pair"]))
    prefix = draw(st.none() | (codes if check is None else st.from_regex("[0-9]{1,2}", fullmatch=True)))
    body: Literal["running", "random"] = draw(st.sampled_from(["running", "random"]))
    digits = draw(st.integers(1 if body == "running" else 6, 15))
    return Numbering(code, body, digits, prefix, draw(st.sampled_from(DATES)), check)


@st.composite
def routes(draw: st.DrawFn, part: str, plans: list[str], points: list[str]) -> list[RouteStep]:
    """The route of a made part."""
    steps = draw(st.lists(st.lists(st.sampled_from(points), min_size=1, max_size=2), min_size=1, max_size=3))
    rows: dict[str, RouteStep] = {}
    for number, parallel in enumerate(steps):
        for point in parallel:
            tests = draw(some_of(plans))
            rows.setdefault(point, RouteStep(part, number, point, draw(st.booleans()), tests))
    return list(rows.values())


def some_of(plans: list[str]) -> st.SearchStrategy[tuple[str, ...]]:
    """Some test plans."""
    return st.lists(st.sampled_from(plans), unique=True).map(tuple) if plans else st.just(())


@st.composite
def bills(
    draw: st.DrawFn, part: Part, components: list[Part], plans: list[str], points: list[str], pack_point: str
) -> list[CatalogueRow]:
    """The positions of a made part that is filled at these points; where it is sold, it may have a packing bill."""
    rows: list[CatalogueRow] = []
    for code in draw(st.lists(codes, unique=True, max_size=3)):
        first = draw(days)
        second = first + timedelta(days=draw(st.integers(1, 900)))
        packing = part.sold and draw(st.booleans())
        at = tuple(sorted({*points, pack_point} if packing else points))
        common = (part.part, code, draw(texts), draw(st.integers(1, 9)), at, draw(some_of(plans)))
        rows.append(Position(*common, first, second, packing))
        rows.append(Position(*common, second, draw(st.none() | st.just(date(2050, 1, 1))), packing))
        taken = draw(st.sampled_from(components))
        rows.append(Alternate(part.part, code, taken.part, date(2026, 1, 1)))
        rows += [
            Alternate(part.part, code, other.part, first, draw(st.none() | st.just(second)))
            for other in components
            if other.part != taken.part and other.trace == taken.trace and draw(st.booleans())
        ]
    return rows


@st.composite
def made_parts(draw: st.DrawFn, code: str, schemes: list[str]) -> Part:
    """A unit, a module or packaging."""
    sold, packaging = draw(st.sampled_from([(True, False), (False, False), (False, True)]))
    numbering = draw(st.sampled_from(schemes))
    return Part(code, draw(texts), "serial", True, sold, numbering=numbering, packaging=packaging)


def fit_into(part: Part, components: list[Part]) -> list[Part]:
    """The components that a made part may hold."""
    if part.packaging:
        return [other for other in components if other.sold or other.packaging or not other.made]
    return [other for other in components if not other.packaging]


@st.composite
def catalogues(draw: st.DrawFn, codes: st.SearchStrategy[str] = codes) -> Catalogue:
    """A catalogue that keeps every rule, with such codes; there must be six at least."""

    def some(least: int, most: int) -> list[str]:
        return draw(st.lists(codes, unique=True, min_size=least, max_size=most))

    suppliers, plans, parts, schemes = some(1, 3), some(0, 3), some(2, 6), some(1, 3)
    rows: list[CatalogueRow] = [Supplier(code, draw(texts)) for code in suppliers]
    rows += [draw(numberings(code)) for code in schemes]
    rows += [Instrument(code, draw(texts), draw(st.booleans())) for code in some(0, 2)]
    rows += [Consignee(code, draw(texts)) for code in some(0, 2)]
    # One line, so that any of its points may fill what is filled in parallel.
    line = draw(codes)
    pack_point, off_route, *points = some(3, 6)
    rows.append(ScanPoint(pack_point, line, draw(texts), "pack"))
    rows.append(ScanPoint(off_route, line, draw(texts), draw(off_routes)))
    slack, warn_below = draw(st.integers(0, 9)), draw(st.integers(0, 99))
    rows += [ScanPoint(code, line, draw(texts), draw(on_routes), slack, warn_below) for code in points]
    for plan in plans:
        revision, retests = draw(st.none() | codes), draw(st.none() | st.integers(0, 99))
        rows.append(TestPlan(plan, draw(texts), draw(st.none() | texts), revision, retests))
        rows += [draw(characteristics(plan, code)) for code in some(1, 3)]
    split = draw(st.integers(1, len(parts) - 1))
    components = [draw(bought_parts(code, number, suppliers)) for number, code in enumerate(parts[:split])]
    for code in parts[split:]:
        made = draw(made_parts(code, schemes))
        route = [] if made.packaging else draw(routes(code, plans, points))
        at = [step.scan_point for step in route] or [pack_point]
        rows += [*route, *draw(bills(made, fit_into(made, components), plans, at, pack_point))]
        rows += [Marking(code, number, draw(texts)) for number in range(1, draw(st.integers(1, 3))) if made.sold]
        components.append(made)
    return catalogue_of([*rows, *components])
