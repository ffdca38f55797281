"""Draws that may be of another lot: near a lot change, or while several feeders are loaded with different lots."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from functools import cache
from itertools import groupby
from operator import attrgetter
from typing import Any, NamedTuple

from sqlalchemy import (
    CTE,
    ColumnElement,
    CompoundSelect,
    Connection,
    FromClause,
    Integer,
    Row,
    Select,
    and_,
    func,
    literal_column,
    select,
    true,
    union_all,
)

from partkin.rules.certainty import Draw, LotChange, lot_changes, other_lots
from partkin.rules.moments import FOREVER, Moment
from partkin.rules.rows import LoadingRow
from partkin.store.database import BigId, Dialect, dialect_of, earlier, given_rows, later, row_parameters
from partkin.store.tables import loading, marriage, point_of_use, scan_point
from partkin.store.walks import BEGINNING, looked_up

_draw = marriage.alias("draw")
_later = loading.alias("later")
_MOST_SLACK = select(func.max(scan_point.c.changeover_slack)).scalar_subquery()


Doubts = dict[int, set[int]]
"""Marriages with the other lots that they may be of."""


def lots_in_doubt(connection: Connection, lots: FromClause) -> Doubts:
    """Marriages drawn of these lots (`id`), or perhaps of them, where another lot cannot be told from them."""
    columns = ("point_of_use_id", "loaded_at", "unloaded_at", "feeder", "lot_id")
    rows, at = looked_up(dialect_of(connection), lots, loading, loading.c.lot_id == lots.c.id, *columns)
    loaded = select(*(at.c[name] for name in columns)).select_from(rows).subquery("loaded")
    times = select(loaded.c.point_of_use_id, loaded.c.loaded_at.label("since"), loaded.c.unloaded_at.label("until"))
    doubts = _near_changes(connection, connection.execute(_loadings_around(times.subquery("times"))))
    for number, drawn, *both in connection.execute(_drawn_from_several(loaded)):
        doubts[number].update(lot for lot in both if lot != drawn)
    return doubts


def draws_in_doubt(connection: Connection, draws: Sequence[Draught]) -> Doubts:
    """Of these draws, those that may be of another lot, and perhaps some near them."""
    if not draws:
        return {}
    doubts = _near_changes(connection, connection.execute(*_loadings_near(connection, draws)))
    columns = dict(zip(Draught._fields, zip(*draws, strict=True), strict=True))
    others = connection.execute(_other_feeders(dialect_of(connection)), row_parameters(connection, columns))
    for number, lot_id in others:
        doubts[number].add(lot_id)
    return doubts


class Draught(NamedTuple):
    """Pieces of a lot that a unit took at a point of use."""

    marriage: int
    point_of_use_id: int
    lot_id: int | None
    at: Moment


def _loadings_near(connection: Connection, draws: Sequence[Draught]) -> tuple[Select[Any], dict[str, Any]]:
    moments: dict[int, list[Moment]] = defaultdict(list)
    for draw in draws:
        moments[draw.point_of_use_id].append(draw.at)
    times = [(point, min(at), max(at) + 1) for point, at in moments.items()]
    parameters = row_parameters(connection, dict(zip(_TIMES, zip(*times, strict=True), strict=True)))
    return _loadings_around_given(dialect_of(connection)), parameters


def _near_changes(connection: Connection, found: Iterable[Row[*tuple[Any, ...]]]) -> Doubts:
    slack: dict[int, int] = {}
    loadings = []
    for *row, pieces in found:
        loadings.append(LoadingRow(*row))
        slack[loadings[-1].point_of_use_id] = pieces
    doubts: Doubts = defaultdict(set)
    for change, before, after in _draws_near(connection, list(lot_changes(loadings))):
        for marriage_id, lot_id in other_lots(change, before, after, slack[change.point_of_use_id]):
            doubts[marriage_id].add(lot_id)
    return doubts


_TIMES = ("point_of_use_id", "since", "until")


@cache
def _loadings_around_given(dialect: Dialect) -> Select[Any]:
    return _loadings_around(given_rows(dialect, "times", dict.fromkeys(_TIMES, BigId)))


def _loadings_around(times: FromClause) -> Select[Any]:
    """The loadings in these times, and in the times before and after them in which slack may reach them.

    As many draws away as the greatest slack has pieces, none reaches any further.
    """
    around = (
        select(
            times.c.point_of_use_id,
            scan_point.c.changeover_slack,
            func.coalesce(_draw_away(times, before=True), BEGINNING).label("since"),
            func.coalesce(_draw_away(times, before=False), FOREVER).label("until"),
        )
        .join_from(times, point_of_use, point_of_use.c.id == times.c.point_of_use_id)
        .join(scan_point, scan_point.c.scan_point == point_of_use.c.scan_point)
        .where(scan_point.c.changeover_slack > 0)
        .cte("around")
        .prefix_with("MATERIALIZED", dialect="postgresql")
    )
    # The loading that lasts at `until` is the first to end after it, at each feeder.
    feeders = _feeders(around)
    same_feeder = and_(_later.c.point_of_use_id == around.c.point_of_use_id, _later.c.feeder == feeders.c.feeder)
    last_end = select(func.min(_later.c.unloaded_at)).where(same_feeder, _later.c.unloaded_at > around.c.until)
    bounded = (
        select(around, feeders.c.feeder, func.coalesce(last_end.scalar_subquery(), FOREVER).label("last_end"))
        .join_from(around, feeders, feeders.c.point_of_use_id == around.c.point_of_use_id)
        .cte("bounded")
        .prefix_with("MATERIALIZED", dialect="postgresql")
    )
    return (
        select(loading, bounded.c.changeover_slack)
        .join_from(
            bounded,
            loading,
            and_(
                loading.c.point_of_use_id == bounded.c.point_of_use_id,
                loading.c.feeder == bounded.c.feeder,
                loading.c.unloaded_at.between(bounded.c.since, bounded.c.last_end),
            ),
        )
        .distinct()
    )


def _draw_away(times: FromClause, *, before: bool) -> ColumnElement[int]:
    """When the draw was that is as many draws away as the greatest slack."""
    nearest = _nearest(_draw.c.started, times.c.since if before else times.c.until, before=before)
    return (
        select(_draw.c.started)
        .where(_draw.c.point_of_use_id == times.c.point_of_use_id, nearest[0])
        .order_by(nearest[1])
        .limit(1)
        .offset(_MOST_SLACK)
        .scalar_subquery()
    )


def _nearest(
    started: ColumnElement[int], at: ColumnElement[int], *, before: bool
) -> tuple[ColumnElement[bool], ColumnElement[int]]:
    return (started < at, started.desc()) if before else (started >= at, started)


def _draws_near(
    connection: Connection, changes: Sequence[LotChange]
) -> Iterator[tuple[LotChange, list[Draw], list[Draw]]]:
    """Each change with the draws before and after it, nearest first; as many as the greatest slack, at least."""
    if not changes:
        return
    points, moments = [change.point_of_use_id for change in changes], [change.at for change in changes]
    parameters = row_parameters(connection, {"place": range(len(changes)), "point_of_use_id": points, "at": moments})
    near = sorted(connection.execute(_draws_near_given(dialect_of(connection)), parameters).all())
    for place, rows in groupby(near, key=attrgetter("place")):
        sides: tuple[list[Draw], list[Draw]] = ([], [])
        for row in rows:
            sides[row.side].append(Draw(row.id, row.quantity))
        sides[0].reverse()
        yield changes[place], *sides


@cache
def _draws_near_given(dialect: Dialect) -> CompoundSelect[Any]:
    each = given_rows(dialect, "change", {"place": Integer(), "point_of_use_id": BigId, "at": BigId})
    return union_all(*(_draws_beside(dialect, each, before=side) for side in (True, False)))


def _draws_beside(dialect: Dialect, each: FromClause, *, before: bool) -> Select[Any]:
    """The nearest draws on one side of each change: its place, 0 before or 1 after, when, marriage, pieces."""
    is_near, nearest_first = _nearest(_draw.c.started, each.c.at, before=before)
    side = literal_column("0" if before else "1", Integer).label("side")
    nearest = (
        select(_draw.c.id, _draw.c.started, _draw.c.quantity)
        .where(_draw.c.point_of_use_id == each.c.point_of_use_id, is_near)
        .order_by(nearest_first, _draw.c.id.desc() if before else _draw.c.id)
        .limit(_MOST_SLACK)
    )
    if dialect == "postgresql":
        found: Any = nearest.lateral()
        rows = each.join(found, true())
    else:
        found = marriage
        rows = each.join(found, found.c.id.in_(nearest.with_only_columns(_draw.c.id).correlate(each)))
    return select(each.c.place, side, found.c.started, found.c.id, found.c.quantity).select_from(rows)


# -- several feeders


def _feeders(points: FromClause) -> CTE:
    """The feeders of some points of use (`point_of_use_id`), found by skipping along an index."""
    t = loading.c

    def first(point: ColumnElement[int], *after: ColumnElement[bool]) -> ColumnElement[str]:
        return select(func.min(t.feeder)).where(t.point_of_use_id == point, *after).scalar_subquery()

    each = select(points.c.point_of_use_id).distinct().subquery("each_point")
    start = select(each.c.point_of_use_id, first(each.c.point_of_use_id).label("feeder"))
    found = start.cte("feeders", recursive=True)
    further = select(found.c.point_of_use_id, first(found.c.point_of_use_id, t.feeder > found.c.feeder))
    return found.union_all(further.where(found.c.feeder.is_not(None)))


def _drawn_from_several(loaded: FromClause) -> Select[Any]:
    """Draws while a loading and one of another lot at another feeder were both up: what was booked, and both lots."""
    feeders, other = _feeders(loaded), loading.alias("other")
    same_feeder = and_(_later.c.point_of_use_id == loaded.c.point_of_use_id, _later.c.feeder == feeders.c.feeder)
    last = select(func.min(_later.c.unloaded_at)).where(same_feeder, _later.c.unloaded_at >= loaded.c.unloaded_at)
    overlapping = and_(
        other.c.point_of_use_id == loaded.c.point_of_use_id,
        other.c.feeder == feeders.c.feeder,
        other.c.lot_id != loaded.c.lot_id,
        other.c.unloaded_at > loaded.c.loaded_at,
        other.c.unloaded_at <= func.coalesce(last.scalar_subquery(), FOREVER),
        other.c.loaded_at < loaded.c.unloaded_at,
    )
    drawn_then = and_(
        _draw.c.point_of_use_id == loaded.c.point_of_use_id,
        _draw.c.started >= later(loaded.c.loaded_at, other.c.loaded_at),
        _draw.c.started < earlier(loaded.c.unloaded_at, other.c.unloaded_at),
    )
    return (
        select(_draw.c.id, _draw.c.child_id, loaded.c.lot_id, other.c.lot_id)
        .select_from(loaded)
        .join(
            feeders,
            and_(feeders.c.point_of_use_id == loaded.c.point_of_use_id, feeders.c.feeder != loaded.c.feeder),
        )
        .join(other, overlapping)
        .join(_draw, drawn_then)
    )


@cache
def _other_feeders(dialect: Dialect) -> Select[Any]:
    """Other lots that were up at other feeders when some pieces were drawn."""
    draws = given_rows(dialect, "draught", dict.fromkeys(Draught._fields, BigId))
    feeders = _feeders(draws)
    # A feeder's loadings follow each other without a gap: the first to end after a moment is the one that was up then.
    up = (
        select(_later.c.id)
        .where(
            _later.c.point_of_use_id == draws.c.point_of_use_id,
            _later.c.feeder == feeders.c.feeder,
            _later.c.unloaded_at > draws.c.at,
        )
        .order_by(_later.c.unloaded_at)
        .limit(1)
        .scalar_subquery()
    )
    return (
        select(draws.c.marriage, loading.c.lot_id)
        .select_from(draws)
        .join(feeders, feeders.c.point_of_use_id == draws.c.point_of_use_id)
        .join(loading, loading.c.id == up)
        .where(loading.c.loaded_at <= draws.c.at, loading.c.lot_id != draws.c.lot_id)
    )
