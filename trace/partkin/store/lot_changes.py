"""Lot changes at points of use, and the draws near them that may be of the other lot."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from functools import cache
from itertools import groupby
from operator import attrgetter
from typing import Any

from sqlalchemy import (
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
from partkin.store.database import BigId, Dialect, dialect_of, given_rows, row_parameters
from partkin.store.tables import loading, marriage, point_of_use, scan_point
from partkin.store.walks import BEGINNING, looked_up

_draw = marriage.alias("draw")
_later = loading.alias("later")
_MOST_SLACK = select(func.max(scan_point.c.changeover_slack)).scalar_subquery()


def lots_in_doubt(connection: Connection, lots: FromClause) -> dict[int, set[int]]:
    """Marriages drawn within the slack of a change to or from these lots (`id`), with the other lots they may be of."""
    columns = ("point_of_use_id", "loaded_at", "unloaded_at")
    rows, at = looked_up(dialect_of(connection), lots, loading, loading.c.lot_id == lots.c.id, *columns)
    times = select(at.c.point_of_use_id, at.c.loaded_at.label("since"), at.c.unloaded_at.label("until"))
    return _in_doubt(connection, connection.execute(_loadings_around(times.select_from(rows).subquery("loaded"))))


def draws_in_doubt(connection: Connection, times: Sequence[tuple[int, Moment, Moment]]) -> dict[int, set[int]]:
    """Marriages drawn within the slack of a lot change, each with the other lots that it may be of.

    Looks at all draws at some points of use in some time (number, from, until before), and at some around them.
    """
    if not times:
        return {}
    parameters = row_parameters(connection, dict(zip(_TIMES, zip(*times, strict=True), strict=True)))
    return _in_doubt(connection, connection.execute(_loadings_around_given(dialect_of(connection)), parameters))


def _in_doubt(connection: Connection, found: Iterable[Row[*tuple[Any, ...]]]) -> dict[int, set[int]]:
    slack: dict[int, int] = {}
    loadings = []
    for number, point_of_use_id, lot_id, loaded_at, unloaded_at, pieces in found:
        loadings.append(LoadingRow(number, point_of_use_id, lot_id, loaded_at, unloaded_at))
        slack[point_of_use_id] = pieces
    doubts: dict[int, set[int]] = defaultdict(set)
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
    # The loading that lasts at `until` is the first to end after it.
    last_end = (
        select(func.min(_later.c.unloaded_at))
        .where(_later.c.point_of_use_id == around.c.point_of_use_id, _later.c.unloaded_at > around.c.until)
        .scalar_subquery()
    )
    bounded = (
        select(around, func.coalesce(last_end, FOREVER).label("last_end"))
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
