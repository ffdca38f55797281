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
on_routes: st.SearchStrategy[Literal["build", "test", "store"]] = st.sampled_from(["build", "test", "store"])
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
    )


@st.composite
def bills(
    draw: st.DrawFn, part: str, components: list[Part], plans: list[str], points: list[str]
) -> list[CatalogueRow]:
    """The route and the positions of a made part."""
    steps = draw(st.lists(st.lists(st.sampled_from(points), min_size=1, max_size=2), min_size=1, max_size=3))
    some_plans = st.lists(st.sampled_from(plans), unique=True).map(tuple) if plans else st.just(())
    on_route: set[str] = set()
    rows: list[CatalogueRow] = []
    for number, parallel in enumerate(steps):
        rows += [
            RouteStep(part, number, point, draw(st.booleans()), draw(some_plans))
            for point in dict.fromkeys(parallel)
            if point not in on_route
        ]
        on_route.update(parallel)
    for code in draw(st.lists(codes, unique=True, max_size=3)):
        first = draw(days)
        second = first + timedelta(days=draw(st.integers(1, 900)))
        at = tuple(sorted(on_route))
        common = (part, code, draw(texts), draw(st.integers(1, 9)), at, draw(some_plans))
        rows.append(Position(*common, first, second))
        rows.append(Position(*common, second, draw(st.none() | st.just(date(2050, 1, 1)))))
        taken = draw(st.sampled_from(components))
        rows.append(Alternate(part, code, taken.part, date(2026, 1, 1)))
        rows += [
            Alternate(part, code, other.part, first, draw(st.none() | st.just(second)))
            for other in components
            if other.part != taken.part and other.trace == taken.trace and draw(st.booleans())
        ]
    return rows


@st.composite
def catalogues(draw: st.DrawFn, codes: st.SearchStrategy[str] = codes) -> Catalogue:
    """A catalogue that keeps every rule, with such codes; there must be six at least."""

    def some(least: int, most: int) -> list[str]:
        return draw(st.lists(codes, unique=True, min_size=least, max_size=most))

    suppliers, plans, points, parts = some(1, 3), some(0, 3), some(1, 5), some(2, 6)
    rows: list[CatalogueRow] = [Supplier(code, draw(texts)) for code in suppliers]
    # One line, so that any of its points may fill what is filled in parallel.
    line = draw(codes)
    rows += [ScanPoint(code, line, draw(texts), draw(on_routes), draw(st.integers(0, 9))) for code in points]
    for plan in plans:
        rows.append(TestPlan(plan, draw(texts), draw(st.none() | texts)))
        rows += [draw(characteristics(plan, code)) for code in some(1, 3)]
    split = draw(st.integers(1, len(parts) - 1))
    components = [draw(bought_parts(code, number, suppliers)) for number, code in enumerate(parts[:split])]
    for code in parts[split:]:
        rows += draw(bills(code, components, plans, points))
        prefix, digits = draw(codes), draw(st.integers(1, 15))
        sold = draw(st.booleans())
        made = Part(code, draw(texts), "serial", True, sold, serial_prefix=prefix, serial_digits=digits)
        components.append(made)
    return catalogue_of([*rows, *components])
