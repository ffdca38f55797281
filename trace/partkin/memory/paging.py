"""Pages of affected units, in the order of `store.exposure`: certain ones first, then by part and serial number."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import islice
from typing import Final

import numpy as np
from sqlalchemy import Connection, select

from partkin.memory.arrays import Genealogy, Places
from partkin.memory.counting import alike
from partkin.memory.reading import STATES
from partkin.memory.walking import Affected
from partkin.store.dialects import among
from partkin.store.genealogy.exposure import Count, Cursor
from partkin.store.tables import item

_FEW: Final = 4096
"""So many units are sorted; among more, it is looked along the index of serial numbers which are affected."""


def counts(genealogy: Genealogy, units: Affected) -> list[Count]:
    """How many units of each part are in each state, in that order."""
    of = genealogy.items.of
    columns = (units.possible.astype(np.int8), of("part", units.items), of("state", units.items))
    found = alike(units.items, *columns)
    return sorted(
        Count(possible, genealogy.parts[part], STATES[state], len(members))
        for (possible, part, state), members in found
    )


def page(connection: Connection, genealogy: Genealogy, units: Affected, after: Cursor | None, limit: int) -> list[int]:
    """Numbers of up to `limit` units, from the one after `after`."""
    found: list[int] = []
    part = genealogy.items.of("part", units.items)
    groups = {
        (possible, genealogy.parts[number]): members
        for (possible, number), members in alike(units.items, units.possible.astype(np.int8), part)
    }
    for (possible, code), members in sorted(groups.items()):
        if after is not None and (possible, code) < after[:2]:
            continue
        last = after.serial if after is not None and (possible, code) == after[:2] else ""
        found += islice(_in_order(connection, genealogy, code, members, last), limit - len(found))
        if len(found) == limit:
            break
    return found


def _in_order(connection: Connection, genealogy: Genealogy, part: str, members: Places, after: str) -> Iterator[int]:
    """Numbers of units of a part, by their serial numbers."""
    t, passed = item.c, 0
    while len(members) > _FEW and passed <= len(members):
        along = select(t.id, t.code).where(t.part == part, t.kind == "serial", t.code > after)
        rows = connection.execute(along.order_by(t.code).limit(_FEW)).all()
        places = genealogy.items.places(np.array([row.id for row in rows], np.int64))
        yield from (row.id for row, found in zip(rows, np.isin(places, members), strict=True) if found)
        if len(rows) < _FEW:
            return
        passed, after = passed + len(rows), rows[-1].code
    numbers = genealogy.items.of("id", members).tolist()
    query = select(t.id).where(among(connection, t.id, numbers), t.code > after)
    yield from connection.scalars(query.order_by(t.code))
