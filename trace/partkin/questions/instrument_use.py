"""What was tested on an instrument, and when instruments are due for calibration."""

from __future__ import annotations

from collections.abc import Generator, Sequence
from datetime import date
from itertools import groupby
from operator import attrgetter
from typing import Any

from sqlalchemy import Connection, Row

from partkin.questions.whereabouts import standing_json
from partkin.rules.facts import FACTS_PER_ENTRY
from partkin.rules.moments import Moment, text_of
from partkin.store.database import Readable
from partkin.store.genealogy.walks import BEGINNING
from partkin.store.genealogy.whereabouts import standing
from partkin.store.instrument_use import calibrations_of, instrument_named, instruments, runs_on

Place = tuple[Moment, int]
"""When a run was, and its number: runs come in this order."""

FIRST: Place = (BEGINNING, 0)


class NoSuchInstrument(LookupError):
    """Neither the catalogue nor the books know an instrument."""


def list_instruments(database: Readable, on: date) -> list[dict[str, Any]]:
    """All instruments with their last calibrations; `overdue`: nothing may be tested with it on that day."""
    with database.read() as connection:
        rows = instruments(connection)
    return [
        {
            "instrument": row.instrument,
            "description": row.description,
            "calibrated": row.calibrated,
            "last_calibration": None if row.id is None else _calibration(row),
            "due_on": row.due_on.isoformat() if row.calibrated and row.good and row.due_on is not None else None,
            "overdue": bool(row.calibrated and not (row.good and row.due_on is not None and on <= row.due_on)),
        }
        for row in rows
    ]


def tested_page(
    database: Readable, code: str, *, since: Moment | None, after: Place, limit: int
) -> tuple[dict[str, Any], Place | None]:
    """What was tested on an instrument since its last good calibration, or since a moment; up to `limit` runs.

    With the last of them where there are more. Raises NoSuchInstrument.
    """
    with database.read() as connection:
        head, begin = _head(connection, code, since)
        found = [row for rows in runs_on(connection, code, since=begin, after=after, limit=limit + 1) for row in rows]
        items = _runs(connection, found[:limit])
    last = found[limit - 1] if len(found) > limit else None
    return {**head, "items": items}, None if last is None else (last.occurred_at, last.id)


def tested_rows(database: Readable, code: str, *, since: Moment | None) -> Generator[list[dict[str, Any]], None, None]:
    """All of it, some runs at a time. The first chunk is empty: asking for it raises NoSuchInstrument."""
    with database.read() as connection:
        _, begin = _head(connection, code, since)
        yield []
        for rows in runs_on(connection, code, since=begin, after=FIRST):
            yield _runs(connection, rows)


def _head(connection: Connection, code: str, since: Moment | None) -> tuple[dict[str, Any], Moment]:
    """The instrument with its calibrations, and since when runs count."""
    known = instrument_named(connection, code)
    calibrations = calibrations_of(connection, code)
    if known is None and not calibrations and not any(runs_on(connection, code, since=BEGINNING, after=FIRST, limit=1)):
        raise NoSuchInstrument(f"Neither the catalogue nor the books have an instrument {code}.")
    begin = since
    if begin is None:
        begin = max((row.occurred_at for row in calibrations if row.good), default=BEGINNING)
    return {
        "instrument": code,
        "description": None if known is None else known.description,
        "calibrated": None if known is None else known.calibrated,
        "calibrations": [_calibration(row) for row in calibrations],
        "since": None if begin == BEGINNING else text_of(begin),
    }, begin


def _calibration(row: Row[*tuple[Any, ...]]) -> dict[str, Any]:
    return {
        "at": text_of(row.occurred_at),
        "good": row.good,
        "due_on": None if row.due_on is None else row.due_on.isoformat(),
        "certificate": row.certificate,
        "entry": row.id // FACTS_PER_ENTRY,
    }


def _runs(connection: Connection, runs: Sequence[Row[*tuple[Any, ...]]]) -> list[dict[str, Any]]:
    """Runs, each with the item as it is now and where that is."""
    rows = standing(connection, sorted({run.item_id for run in runs}))
    where = {root: standing_json(list(of_root)) for root, of_root in groupby(rows, key=attrgetter("root"))}
    return [
        {
            "test_run": run.id,
            "entry": run.id // FACTS_PER_ENTRY,
            "plan": run.plan,
            "revision": run.revision,
            "occurred_at": text_of(run.occurred_at),
            "verdict": run.verdict,
            "tester": run.tester,
            **where[run.item_id],
        }
        for run in runs
    ]
