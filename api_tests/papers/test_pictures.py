"""Pictures of a case: texts are never on each other, time and thickness are to scale, few lines cross."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from itertools import combinations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from reportlab.graphics import renderPDF  # type: ignore[import-untyped]
from reportlab.graphics.shapes import Drawing, Path, Rect, String  # type: ignore[import-untyped]
from reportlab.pdfbase.pdfmetrics import stringWidth  # type: ignore[import-untyped]

from api_tests.papers.invented_case import EDGES, HOUR, NODES, PRODUCTION, START, USES
from partkin.exports.papers.model import LotUse, Production, SpreadEdge, SpreadNode
from partkin.exports.papers.pictures import spread, timeline

WIDTH = 482.0
Box = tuple[float, float, float, float]
"""Left, bottom, right, top."""

words = st.text(st.characters(min_codepoint=32, max_codepoint=0x17F, exclude_categories=["Cc"]), max_size=60)
moments = st.datetimes(datetime(2020, 1, 1), datetime(2031, 1, 1), timezones=st.just(UTC))
spans = st.timedeltas(timedelta(), timedelta(days=1100))


def _strings(drawing: Drawing) -> list[String]:
    return [shape for shape in drawing.contents if isinstance(shape, String)]


def _texts(drawing: Drawing) -> list[str]:
    return [string.text for string in _strings(drawing)]


def _box(string: String) -> Box:
    width = stringWidth(string.text, string.fontName, string.fontSize)
    left = string.x - {"start": 0, "middle": width / 2, "end": width}[string.textAnchor]
    # DejaVu Sans Condensed: ascender 0.76, descender 0.24 of the size.
    return left, string.y - 0.24 * string.fontSize, left + width, string.y + 0.76 * string.fontSize


def _rectangles(drawing: Drawing) -> list[Box]:
    of = [shape for shape in drawing.contents if isinstance(shape, Rect)]
    return [(one.x, one.y, one.x + one.width, one.y + one.height) for one in of]


def _apart(boxes: list[Box]) -> bool:
    return all(
        a[2] <= b[0] + 0.01 or b[2] <= a[0] + 0.01 or a[3] <= b[1] + 0.01 or b[3] <= a[1] + 0.01
        for a, b in combinations(boxes, 2)
    )


def _inside(boxes: list[Box], drawing: Drawing) -> bool:
    return all(
        box[0] >= -0.01 and box[1] >= -0.01 and box[2] <= drawing.width + 0.01 and box[3] <= drawing.height + 0.01
        for box in boxes
    )


def _check_readable(drawing: Drawing) -> None:
    boxes = [_box(string) for string in _strings(drawing) if string.text.strip()]
    assert boxes
    assert _apart(boxes)
    assert _inside(boxes, drawing)
    assert _inside(_rectangles(drawing), drawing)
    assert renderPDF.drawToString(drawing).startswith(b"%PDF")


@st.composite
def lot_uses(draw: st.DrawFn) -> LotUse:
    since = draw(moments)
    lot = draw(st.sampled_from(["K26-2291", "K26-2300", "K" * 70]))
    return LotUse("CAP-470", lot, draw(words), since, draw(st.none() | spans.map(lambda span: since + span)))


@st.composite
def productions(draw: st.DrawFn) -> Production:
    since = draw(moments)
    certain, possible, rest = (draw(st.integers(0, 100_000)) for _ in range(3))
    return Production(since, since + draw(spans), certain + possible + rest, certain, possible)


@settings(max_examples=40, deadline=None)
@given(st.lists(lot_uses(), max_size=60), st.lists(productions(), max_size=20), st.floats(380, 520))
def test_a_timeline_can_be_read(uses: list[LotUse], production: list[Production], width: float) -> None:
    drawing = timeline(uses, production, width)
    _check_readable(drawing)
    assert drawing.height < 640


@pytest.mark.parametrize(
    ("span", "shown"),
    [
        (timedelta(minutes=20), {"06:05", "06:10", "2 Mar 2026"}),
        (timedelta(hours=30), {"12:00", "18:00", "3 Mar 2026"}),
        (timedelta(days=6), {"4 Mar", "5 Mar", "2026"}),
        # 2 March 2026 is a Monday.
        (timedelta(days=40), {"9 Mar", "16 Mar", "2026"}),
        (timedelta(days=3 * 365), {"Jan", "Jul", "2027", "2028"}),
        (timedelta(days=40 * 365), {"2030", "2040"}),
    ],
)
def test_ticks_are_at_round_moments_of_a_sensible_step(span: timedelta, shown: set[str]) -> None:
    texts = _texts(timeline([LotUse("CAP-470", "K26-2291", "F12", START, START + span)], [], WIDTH))
    assert shown <= set(texts)
    assert "UTC" in texts


def test_bars_stand_where_the_axis_says() -> None:
    offset = START.astimezone(datetime.strptime("+0530", "%z").tzinfo)
    drawing = timeline(
        [
            LotUse("CAP-470", "K26-2291", "F12", offset + 2 * HOUR, offset + 4 * HOUR),
            LotUse("CAP-470", "K26-2291", "F13", offset, offset + 5 * HOUR),
        ],
        [],
        WIDTH,
    )
    at = {string.text: string.x for string in _strings(drawing)}
    bars = sorted(box for box in _rectangles(drawing) if box[3] - box[1] == pytest.approx(6))
    assert [edge for left, _, right, _ in bars for edge in (left, right)] == pytest.approx(
        [at["06:00"], at["11:00"], at["08:00"], at["10:00"]]
    )


def test_what_a_timeline_shows_is_said_in_words_and_numbers() -> None:
    texts = _texts(timeline(USES, PRODUCTION, WIDTH))
    # Of 24 hours of 40 units 11 had 30 certain ones and 14 had 5 possible ones.
    said = {"certain: 330 units", "possible: 70 units", "not affected: 560 units", "highest: 40 units"}
    assert said | {"CAP-470, lot K26-2291", "still in use", "received"} <= set(texts)
    many = [LotUse("CAP-470", "K26-2291", f"F{place}", START, START + HOUR) for place in range(60)]
    assert "… and 20 more places" in _texts(timeline(many, [], WIDTH))
    assert len(timeline([], PRODUCTION * 100, WIDTH).contents) < 5000


@st.composite
def graphs(draw: st.DrawFn) -> tuple[list[SpreadNode], list[SpreadEdge]]:
    numbers = st.integers(0, 20_000)
    sizes = draw(st.lists(st.integers(1, 20), min_size=1, max_size=5))
    nodes = [
        SpreadNode(f"{level}/{index}", level, draw(words.filter(str.strip)), draw(words), draw(numbers), draw(numbers))
        for level, size in enumerate(sizes)
        for index in range(size)
    ]
    pairs = [(one.key, other.key) for one in nodes for other in nodes if one.level < other.level]
    chosen = draw(st.lists(st.sampled_from(pairs), max_size=60, unique=True)) if pairs else []
    return nodes, [SpreadEdge(*pair, draw(st.integers(1, 9999))) for pair in chosen]


@settings(max_examples=40, deadline=None)
@given(graphs(), st.floats(380, 520), st.floats(60, 500))
def test_a_spread_can_be_read(graph: tuple[list[SpreadNode], list[SpreadEdge]], width: float, height: float) -> None:
    drawing = spread(*graph, width, height)
    _check_readable(drawing)
    rectangles = _rectangles(drawing)
    assert _apart(rectangles)
    texts = [_box(string) for string in _strings(drawing) if string.fontSize < 7]
    assert all(
        any(
            left <= box[0] and bottom <= box[1] and box[2] <= right and box[3] <= top
            for left, bottom, right, top in rectangles
        )
        for box in texts
    )


def test_a_spread_names_everything_and_folds_what_is_too_much() -> None:
    texts = _texts(spread(NODES, EDGES, WIDTH, 240))
    assert {"Suspected", "Subassemblies", "Units", "Where they are", "412 certain, 37 possible", "3 possible"} <= set(
        texts
    )
    shops = [SpreadNode(f"s{number}", 1, f"SHOP-{number}", "", number, 1) for number in range(1, 41)]
    folded = _texts(spread([NODES[0], *shops], [SpreadEdge("lot", shop.key, 5) for shop in shops], WIDTH, 500))
    # 13 keep their boxes, those with the most units; 1 + 2 + … + 27 = 378 are in the last one.
    assert {f"SHOP-{number}" for number in range(28, 41)} < set(folded)
    assert {"… and 27 more", "378 certain, 27 possible"} < set(folded)


def test_lines_grow_with_what_went_along_them() -> None:
    drawing = spread(
        NODES[:4],
        [SpreadEdge("lot", "drive", 400), SpreadEdge("drive", "hd8", 300), SpreadEdge("drive", "hd9", 100)],
        WIDTH,
        240,
    )
    widths = sorted(shape.strokeWidth for shape in drawing.contents if isinstance(shape, Path))
    assert widths[0] < widths[1] < widths[2]
    assert (widths[2] - widths[1]) * 2 == pytest.approx(widths[1] - widths[0])


def test_lines_that_need_not_cross_do_not() -> None:
    left = [SpreadNode(f"a{number}", 0, f"A{number}", "", 1, 0) for number in range(7)]
    right = [SpreadNode(f"b{number}", 1, f"B{number}", "", 1, 0) for number in range(7)]
    edges = [SpreadEdge(f"a{number}", f"b{number * 3 % 7}", 1) for number in range(7)]
    heights = {string.text: string.y for string in _strings(spread([*left, *right], edges, WIDTH, 400))}
    first = sorted(range(7), key=lambda number: heights[f"A{number}"])
    assert [number * 3 % 7 for number in first] == sorted(range(7), key=lambda number: heights[f"B{number}"])


def test_nothing_is_said_in_words() -> None:
    assert _texts(timeline([], [], WIDTH)) == ["No use of a suspect lot and no production is known."]
    assert _texts(spread([], [], WIDTH, 300)) == ["Nothing that is affected is known."]
