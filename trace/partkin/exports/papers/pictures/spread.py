"""How far the suspect things went: lots, subassemblies, units, and where these are, column by column."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass

from reportlab.graphics.shapes import Drawing, Path, Rect, Shape  # type: ignore[import-untyped]

from partkin.exports.fonts import width_of
from partkin.exports.papers.model import SpreadEdge, SpreadNode
from partkin.exports.papers.pictures import ink
from partkin.exports.papers.pictures.order import with_few_crossings

_MOST = 14
"""Boxes in a column; the least affected ones share the last."""

_SIZE = 6.6
_LINE = 8.0
_PAD = 3.0
_LEAST_BOX, _MOST_BOX = 2 * _LINE + 2 * _PAD, 4 * _LINE + 2 * _PAD
_MOST_WIDTH = 128.0
_SHARE = 0.72
"""Of the width, for boxes; the rest is for lines."""

_HEADING = 16.0
_GAP, _LOOSE_GAP = 4.0, 16.0
_LANES = 0.25
"""Of a column's height, for lines that pass it, where there are any."""

_LANE = 7.0
_THINNEST, _THICKEST = 0.6, 9.0

_Shapes = Iterator[Shape]
_Edges = Mapping[tuple[str, str], int]
_Columns = Sequence[Mapping[str, SpreadNode | None]]
"""The nodes of each column by key; None is a lane in which a line passes the column."""


@dataclass(frozen=True, slots=True)
class _Box:
    """Where a node or a lane is: lower left corner and size."""

    x: float
    y: float
    width: float
    height: float

    @property
    def middle(self) -> float:
        return self.y + self.height / 2


def spread(nodes: Sequence[SpreadNode], edges: Sequence[SpreadEdge], width: float, height: float) -> Drawing:
    """From the suspect lots to where the units are: a column a level, lines as thick as what went along them.

    Edges go from a level to a later one. Width and height are in points; less than 60 high it shows nothing.
    """
    if not nodes:
        return ink.sentence("Nothing that is affected is known.", width)
    columns, between = _columns(nodes, edges, height - _HEADING)
    order = with_few_crossings(columns, between, {_more(level) for level in range(len(columns))})
    boxes = dict(_places(columns, order, width, height - _HEADING))
    drawing = ink.paper(width, height)
    for shape in (
        *_drawn_lines(boxes, between, columns),
        *(shape for column in columns for key, node in column.items() if node for shape in _drawn(node, boxes[key])),
        *_headings(columns, boxes, height),
    ):
        drawing.add(shape)
    return drawing


# ------------------------------------------------------------------------------------------------------------
# What is shown
# ------------------------------------------------------------------------------------------------------------


def _columns(nodes: Iterable[SpreadNode], edges: Iterable[SpreadEdge], height: float) -> tuple[_Columns, _Edges]:
    """The nodes that have room, and what went from one column to the next."""
    levels = defaultdict[int, list[SpreadNode]](list)
    for node in nodes:
        levels[node.level].append(node)
    ordered = [levels[level] for level in sorted(levels)]
    at = {node.key: number for number, column in enumerate(ordered) for node in column}
    passing = any(at[edge.target] - at[edge.source] > 1 for edge in edges)
    room = height * (1 - _LANES * passing)
    most = max(1, min(_MOST, int((room + _GAP) / (_LEAST_BOX + _GAP))))
    shown: list[dict[str, SpreadNode | None]] = []
    called: dict[str, str] = {}
    for level, column in enumerate(ordered):
        shown.append({})
        for node, original in _folded(column, level, most):
            shown[-1][node.key] = node
            called[original.key] = node.key
    return shown, _steps(edges, at, called, shown)


def _more(level: int) -> str:
    return f"\0more {level}"


def _folded(column: Sequence[SpreadNode], level: int, most: int) -> Iterator[tuple[SpreadNode, SpreadNode]]:
    """As it is shown, and each node: the least affected ones as one where there are too many."""
    ranked = sorted(column, key=lambda node: (-node.certain - node.possible, node.key))
    kept, rest = (ranked, []) if len(column) <= most else (ranked[: most - 1], ranked[most - 1 :])
    keys = {node.key for node in kept}
    yield from ((node, node) for node in column if node.key in keys)
    sums = sum(node.certain for node in rest), sum(node.possible for node in rest)
    more = SpreadNode(_more(level), level, f"… and {len(rest)} more", "", *sums)
    yield from ((more, node) for node in rest)


def _steps(
    edges: Iterable[SpreadEdge],
    at: Mapping[str, int],
    called: Mapping[str, str],
    columns: Sequence[dict[str, SpreadNode | None]],
) -> _Edges:
    """Edges from column to column; those that pass a column get a lane in it, one for each target."""
    between = defaultdict[tuple[str, str], int](int)
    for edge in edges:
        key, target = called[edge.source], called[edge.target]
        for level in range(at[edge.source] + 1, at[edge.target]):
            lane = f"\0lane {level} {target}"
            columns[level][lane] = None
            between[key, lane] += edge.things
            key = lane
        between[key, target] += edge.things
    return between


# ------------------------------------------------------------------------------------------------------------
# Where it is
# ------------------------------------------------------------------------------------------------------------


def _places(
    columns: _Columns, order: Sequence[Sequence[str]], width: float, height: float
) -> Iterator[tuple[str, _Box]]:
    box = min(_MOST_WIDTH, width / len(columns) * (_SHARE if len(columns) > 1 else 1))
    pitch = (width - box) / max(1, len(columns) - 1)
    for number, keys in enumerate(order):
        heights = _heights([columns[number][key] for key in keys], box, height)
        gap = min(_LOOSE_GAP, (height - sum(heights)) / max(1, len(keys) - 1))
        y = (height + sum(heights) + gap * (len(keys) - 1)) / 2
        for key, own in zip(keys, heights, strict=True):
            yield key, _Box(number * pitch, y - own, box, own)
            y -= own + gap


def _heights(column: Sequence[SpreadNode | None], width: float, height: float) -> list[float]:
    lanes = sum(node is None for node in column)
    lane = min(_LANE, _LANES * height / max(1, lanes) / 2)
    room = height - lanes * 2 * lane
    most = min(_MOST_BOX, (room + _GAP) / max(1, len(column) - lanes) - _GAP)
    return [lane if node is None else len(_lines(node, width, most)) * _LINE + 2 * _PAD for node in column]


def _lines(node: SpreadNode, width: float, height: float) -> list[str]:
    """Label, detail where there is room, counts."""
    room = width - 2 * _PAD
    most = max(2, int((height - 2 * _PAD + 0.01) / _LINE))
    words = [f"{count:,} {name}" for count, name in ((node.certain, "certain"), (node.possible, "possible")) if count]
    together = ", ".join(words)
    counts = [together] if width_of(together, _SIZE, False) <= room or len(words) >= most else words
    detail = [node.detail] if node.detail and len(counts) + 2 <= most else []
    return [node.label, *detail, *(count for count in counts if count)]


# ------------------------------------------------------------------------------------------------------------
# Drawn
# ------------------------------------------------------------------------------------------------------------


def _drawn(node: SpreadNode, box: _Box) -> _Shapes:
    dash = None if node.certain or not node.possible else [3, 1.6]
    yield Rect(
        box.x, box.y, box.width, box.height, 2, 2,
        fillColor=ink.PAPER, strokeColor=ink.INK, strokeWidth=0.8, strokeDashArray=dash,
    )  # fmt: skip
    for number, line in enumerate(_lines(node, box.width, box.height), 1):
        words = ink.cut(line, box.width - 2 * _PAD, bold=number == 1, size=_SIZE)
        yield ink.text(
            words, box.x + _PAD, box.y + box.height - _PAD - number * _LINE + 2, bold=number == 1, size=_SIZE
        )


def _headings(columns: _Columns, boxes: Mapping[str, _Box], height: float) -> _Shapes:
    if len(columns) < 3:
        return
    names = ["Suspected", *["Subassemblies"] * (len(columns) - 3), "Units", "Where they are"]
    for name, column in zip(names, columns, strict=True):
        box = boxes[next(iter(column))]
        yield ink.text(ink.cut(name, box.width, bold=True), box.x, height - 9, bold=True)


def _drawn_lines(boxes: Mapping[str, _Box], between: _Edges, columns: _Columns) -> _Shapes:
    thickness = _thickness(boxes, between)
    leaving = _ports(boxes, thickness, 0)
    arriving = _ports(boxes, thickness, 1)
    for edge, thick in thickness.items():
        source, target = boxes[edge[0]], boxes[edge[1]]
        yield _curve(source.x + source.width, leaving[edge], target.x, arriving[edge], thick)
    for key in (key for column in columns for key, node in column.items() if node is None):
        box, thick = boxes[key], sum(thickness[edge] for edge in thickness if edge[0] == key)
        yield _curve(box.x, box.middle, box.x + box.width, box.middle, thick)


def _thickness(boxes: Mapping[str, _Box], between: _Edges) -> dict[tuple[str, str], float]:
    """Grows evenly with the things, and no side of a box has thicker lines than it is high."""
    per_thing = (_THICKEST - _THINNEST) / max([*between.values(), 1])
    for end in (0, 1):
        sides = defaultdict[str, list[int]](list)
        for edge, things in between.items():
            sides[edge[end]].append(things)
        for key, sent in sides.items():
            room = 0.9 * boxes[key].height - _THINNEST * len(sent)
            per_thing = min(per_thing, max(0.0, room) / max(1, sum(sent)))
    return {edge: _THINNEST + per_thing * things for edge, things in between.items()}


def _ports(
    boxes: Mapping[str, _Box], thickness: Mapping[tuple[str, str], float], end: int
) -> dict[tuple[str, str], float]:
    """At which height lines leave (end 0) or reach (end 1) a box: one below the other, without a crossing."""
    sides = defaultdict[str, list[tuple[str, str]]](list)
    for edge in sorted(thickness, key=lambda edge: -boxes[edge[1 - end]].middle):
        sides[edge[end]].append(edge)
    ports: dict[tuple[str, str], float] = {}
    for key, edges in sides.items():
        y = boxes[key].middle + sum(thickness[edge] for edge in edges) / 2
        for edge in edges:
            ports[edge] = y - thickness[edge] / 2
            y -= thickness[edge]
    return ports


def _curve(x: float, y: float, to_x: float, to_y: float, thick: float) -> Shape:
    path = Path(fillColor=None, strokeColor=ink.LINE, strokeWidth=thick)
    path.moveTo(x, y)
    path.curveTo((x + to_x) / 2, y, (x + to_x) / 2, to_y, to_x, to_y)
    return path
