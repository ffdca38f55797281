"""Draws that may be of another lot: near a lot change, or while several feeders are loaded with different lots."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from functools import cache
from typing import Any, NamedTuple

from sqlalchemy import (
    CTE,
    ColumnElement,
    CompoundSelect,
    Connection,
    FromClause,
    Select,
    and_,
    func,
    select,
    true,
    union_all,
)

from partkin.rules.certainty import Draw, lot_changes, other_lots
from partkin.rules.moments import FOREVER, Moment
from partkin.rules.rows import LoadingRow
from partkin.store.column_types import BigId
from partkin.store.dialects import Dialect, dialect_of, earlier, given_rows, later, row_parameters, stacked
from partkin.store.genealogy.walks import BEGINNING, looked_up
from partkin.store.tables import item, loading, marriage, point_of_use, scan_point

_draw = marriage.alias("draw")
_later = loading.alias("later")
_MOST_SLACK = select(func.max(scan_point.c.changeover_slack)).scalar_subquery()


Doubts = dict[int, set[int]]
"""Marriages with the other lots that they may be of."""


class Draught(NamedTuple):
    """Pieces of a lot that are in something: which marriage, where they were drawn, and when."""

    marriage: int | None
    point_of_use_id: int | None
    lot_id: int | None
    at: Moment | None


def lots_in_doubt(connection: Connection, lots: FromClause) -> Doubts:
    """Marriages drawn of these lots (`id`), or perhaps of them, where another lot cannot be told from them."""
    columns = ("point_of_use_id", "loaded_at", "unloaded_at", "feeder", "lot_id")
    dialect = dialect_of(connection)
    rows, at = looked_up(dialect, lots, loading, loading.c.lot_id == lots.c.id, *columns)
    loaded = select(*(at.c[name] for name in columns)).select_from(rows).subquery("loaded")
    times = select(loaded.c.point_of_use_id, loaded.c.loaded_at.label("since"), loaded.c.unloaded_at.label("until"))
    doubts = doubts_of(connection.execute(stacked(_near_changes(dialect, times.subquery("times")))))
    for number, drawn, *both in connection.execute(_drawn_from_several(loaded)):
        doubts[number].update(lot for lot in both if lot != drawn)
    return doubts


def draws_in_doubt(connection: Connection, draws: Sequence[Draught]) -> Doubts:
    """Of these draws, those that may be of another lot, and perhaps some near them."""
    if not draws:
        return {}
    columns = dict(zip(Draught._fields, zip(*draws, strict=True), strict=True))
    return doubts_of(connection.execute(_in_doubt(dialect_of(connection)), row_parameters(connection, columns)))


@cache
def _in_doubt(dialect: Dialect) -> CompoundSelect[Any]:
    return stacked(kinds_of_doubt(dialect, given_rows(dialect, "draught", dict.fromkeys(Draught._fields, BigId))))


def kinds_of_doubt(dialect: Dialect, draws: FromClause) -> dict[str, Select[*tuple[Any, ...]]]:
    """What must be read to tell which draws may be of other lots, by its kind: `stacked`, it is for `doubts_of`."""
    d = draws.c
    times = select(d.point_of_use_id, func.min(d.at).label("since"), (func.max(d.at) + 1).label("until"))
    return {
        **_near_changes(dialect, times.group_by(d.point_of_use_id).subquery("times")),
        "feeder": _other_feeders(draws),
    }


def doubts_of(found: Iterable[Any]) -> Doubts:
    """The draws that may be of other lots, from what was read of lot changes and other feeders."""
    loadings, slack = [], {}
    draws: dict[tuple[int, Moment], list[tuple[Moment, Draw]]] = defaultdict(list)
    doubts: Doubts = defaultdict(set)
    for row in found:
        if row.what == "loading":
            slack[row.point_of_use_id] = row.pieces
            loadings.append(LoadingRow(row.id, row.point_of_use_id, row.lot_id, row.at, row.until, row.feeder))
        elif row.what == "draw":
            draws[row.point_of_use_id, row.at].append((row.until, Draw(row.id, row.pieces)))
        elif row.what == "feeder":
            doubts[row.id].add(row.lot_id)
    for change in lot_changes(loadings):
        near = sorted(draws[change.point_of_use_id, change.at])
        before = [draw for started, draw in reversed(near) if started < change.at]
        after = [draw for started, draw in near if started >= change.at]
        for marriage_id, lot_id in other_lots(change, before, after, slack[change.point_of_use_id]):
            doubts[marriage_id].add(lot_id)
    return doubts


def _near_changes(dialect: Dialect, times: FromClause) -> dict[str, Select[*tuple[Any, ...]]]:
    """The loadings in some times and around them, and the draws next to where each of them begins."""
    around = _loadings_around(times).cte("loading_around").prefix_with("MATERIALIZED", dialect="postgresql")
    loadings = select(around, item.c.part, item.c.code).outerjoin_from(around, item, item.c.id == around.c.lot_id)
    begins = select(around.c.point_of_use_id, around.c.at).distinct().cte("begin")
    sides = union_all(*(_draws_beside(dialect, begins, before=side) for side in (True, False))).subquery("beside")
    return {"loading": loadings, "draw": select(sides)}


def _loadings_around(times: FromClause) -> Select[*tuple[Any, ...]]:
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
    feeders = _feeders(around, "feeder_around")
    same_feeder = and_(_later.c.point_of_use_id == around.c.point_of_use_id, _later.c.feeder == feeders.c.feeder)
    last_end = select(func.min(_later.c.unloaded_at)).where(same_feeder, _later.c.unloaded_at > around.c.until)
    bounded = (
        select(around, feeders.c.feeder, func.coalesce(last_end.scalar_subquery(), FOREVER).label("last_end"))
        .join_from(around, feeders, feeders.c.point_of_use_id == around.c.point_of_use_id)
        .cte("bounded")
        .prefix_with("MATERIALIZED", dialect="postgresql")
    )
    t = loading.c
    return (
        select(
            *(t.id, t.point_of_use_id, t.lot_id, t.loaded_at.label("at"), t.unloaded_at.label("until"), t.feeder),
            bounded.c.changeover_slack.label("pieces"),
        )
        .join_from(
            bounded,
            loading,
            and_(
                t.point_of_use_id == bounded.c.point_of_use_id,
                t.feeder == bounded.c.feeder,
                t.unloaded_at.between(bounded.c.since, bounded.c.last_end),
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


def _draws_beside(dialect: Dialect, each: FromClause, *, before: bool) -> Select[*tuple[Any, ...]]:
    """The nearest draws on one side of each change (`at`): the marriage, when it was (`until`), its pieces."""
    is_near, nearest_first = _nearest(_draw.c.started, each.c.at, before=before)
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
    drawn = (found.c.id, found.c.started.label("until"), found.c.quantity.label("pieces"))
    return select(each.c.point_of_use_id, each.c.at, *drawn).select_from(rows)


# -- several feeders


def _feeders(points: FromClause, name: str = "feeders") -> CTE:
    """The feeders of some points of use (`point_of_use_id`), found by skipping along an index."""
    t = loading.c

    def first(point: ColumnElement[int], *after: ColumnElement[bool]) -> ColumnElement[str]:
        return select(func.min(t.feeder)).where(t.point_of_use_id == point, *after).scalar_subquery()

    each = select(points.c.point_of_use_id).distinct().subquery("each_point")
    start = select(each.c.point_of_use_id, first(each.c.point_of_use_id).label("feeder"))
    found = start.cte(name, recursive=True)
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


def _other_feeders(draws: FromClause) -> Select[*tuple[Any, ...]]:
    """Other lots that were up at other feeders when some pieces were drawn."""
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
        select(draws.c.marriage.label("id"), loading.c.lot_id, item.c.part, item.c.code)
        .select_from(draws)
        .join(feeders, feeders.c.point_of_use_id == draws.c.point_of_use_id)
        .join(loading, loading.c.id == up)
        .join(item, item.c.id == loading.c.lot_id)
        .where(loading.c.loaded_at <= draws.c.at, loading.c.lot_id != draws.c.lot_id)
    )
