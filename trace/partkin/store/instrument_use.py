"""Instruments: their calibrations, and the test runs on them."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

from sqlalchemy import Connection, Row, and_, select, tuple_

from partkin.rules.moments import Moment
from partkin.store.tables import calibration, instrument, item, test_run

CHUNK = 500
"""Runs that are read in one trip."""

_latest = calibration.alias("latest")


def instruments(connection: Connection) -> Sequence[Row[*tuple[Any, ...]]]:
    """All instruments of the catalogue, each with its last calibration."""
    t = _latest.c
    last = select(t.id).where(t.instrument == instrument.c.instrument)
    last = last.order_by(t.occurred_at.desc(), t.id.desc()).limit(1).correlate(instrument)
    c = calibration.c
    rows = instrument.outerjoin(calibration, c.id == last.scalar_subquery())
    query = select(instrument, c.id, c.occurred_at, c.good, c.due_on, c.certificate).select_from(rows)
    return connection.execute(query.order_by(instrument.c.instrument)).all()


def instrument_named(connection: Connection, code: str) -> Row[*tuple[Any, ...]] | None:
    """The instrument of the catalogue."""
    return connection.execute(select(instrument).where(instrument.c.instrument == code)).first()


def calibrations_of(connection: Connection, code: str) -> Sequence[Row[*tuple[Any, ...]]]:
    """All calibrations of an instrument, in order."""
    t = calibration.c
    return connection.execute(select(calibration).where(t.instrument == code).order_by(t.occurred_at, t.id)).all()


def runs_on(
    connection: Connection, code: str, *, since: Moment, after: tuple[Moment, int], limit: int | None = None
) -> Iterator[Sequence[Row[*tuple[Any, ...]]]]:
    """Test runs on an instrument since a moment, but those found wrong, in order, from the one after `after`."""
    t = test_run.c
    place = (t.occurred_at, t.id)
    query = (
        select(t.id, t.item_id, t.plan, t.occurred_at, t.verdict, t.tester, t.revision)
        .join_from(test_run, item, item.c.id == t.item_id)
        .where(and_(t.instrument == code, t.occurred_at >= since, ~t.wrong), tuple_(*place) > tuple_(*after))
        .order_by(*place)
        .limit(limit)
        .execution_options(yield_per=CHUNK)
    )
    with connection.execute(query) as found:
        yield from found.partitions()
