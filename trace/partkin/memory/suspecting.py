"""What suspects reach, walked on arrays; suspects themselves are looked up in the store."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from sqlalchemy import Connection, Row, Select, select

from partkin.memory.arrays import Genealogy, Rows, taken
from partkin.memory.walking import NOWHERE, Affected, Parts, Start, Steps, Walk, affected, combined
from partkin.rules.moments import Moment
from partkin.store.genealogy.exposure import (
    Exposed,
    Exposure,
    Suspicion,
    Suspicions,
    doubtful_draws,
    exposed_by,
    exposures_among,
    marriages_by_id,
    packs_components,
)
from partkin.store.tables import part


@dataclass(frozen=True, slots=True)
class Reached:
    """What is affected, and the steps of the walks that found it."""

    genealogy: Genealogy
    found: Suspicions
    as_of: Moment | None
    things: bool
    affected: Affected
    walks: Sequence[Steps]

    def exposures(self, connection: Connection, numbers: Sequence[int]) -> tuple[Exposed, dict[int, Exposure]]:
        """The exposures of some of the items, by their numbers, as the store tells them."""
        places = self.genealogy.items.places(np.array(numbers, np.int64))
        ways = sorted({number for steps in self.walks for number in steps.ways_to(places).tolist()})
        found = exposed_by(connection, self.found, self.as_of, things=self.things, only=ways)
        return found, exposures_among(connection, found, numbers)


def reached(
    connection: Connection,
    genealogy: Genealogy,
    parts: Parts,
    found: Suspicions,
    as_of: Moment | None,
    *,
    things: bool = False,
) -> Reached:
    """The units that are exposed to suspects; with `things`, all that is, suspects themselves too."""
    walk = Walk(genealogy, parts, as_of, packs_components(connection))

    def walked(one: Suspicion) -> Steps:
        return walk.of(_start(connection, genealogy, one, as_of))

    def asked(steps: Steps) -> Affected:
        if things:
            return affected(steps.rows)
        sold = parts.sold[genealogy.items.of("part", steps.rows["item"])]
        return affected(taken(steps.rows, steps.units(sold)))

    walks = [walked(one) for one in found.conditions]
    conditions = [asked(steps) for steps in walks]
    spared = None
    if found.excepted is not None:
        walks.append(walked(found.excepted))
        spared = asked(walks[-1])
    return Reached(genealogy, found, as_of, things, combined(conditions, spared), walks)


def read_parts(connection: Connection, genealogy: Genealogy) -> Parts:
    """What the catalogue says of the parts."""
    t = part.c
    columns = (t.sold, t.packaging, t.made, (t.trace == "lot").label("in_lots"))
    said = {code: row for code, *row in connection.execute(select(t.part, *columns))}
    rows = np.array([said[code] for code in genealogy.parts], np.bool_).reshape(-1, len(columns))
    return Parts(*rows.T)


def _start(connection: Connection, genealogy: Genealogy, one: Suspicion, as_of: Moment | None) -> Start:
    s = one.suspected.items.c
    suspects = _rows(connection, genealogy, select(s.item, s.since))
    if one.containers is None:
        containers: Rows = {**_columns([], "item", "since", "certain_until"), "doubtful": np.empty(0, np.bool_)}
        containers = {**containers, "item": containers["item"].astype(np.int32)}
    else:
        c = one.containers.c
        containers = dict(_rows(connection, genealogy, select(c.item, c.since, c.certain_until, c.doubtful)))
        containers["doubtful"] = containers["doubtful"].astype(np.bool_)
    draws = _draws(connection, genealogy, doubtful_draws(connection, one, as_of))
    return Start(suspects, containers, draws, np.array(sorted(one.doubts), np.int64))


def _rows(connection: Connection, genealogy: Genealogy, query: Select[Any]) -> dict[str, Any]:
    names = [column.name for column in query.selected_columns]
    rows = _columns(connection.execute(query).all(), *names)
    return {**rows, "item": genealogy.items.places(rows["item"])}


def _columns(rows: Sequence[Any], *names: str) -> dict[str, Any]:
    numbers = np.array([tuple(row) for row in rows], np.int64).reshape(-1, len(names))
    return {name: numbers[:, place] for place, name in enumerate(names)}


def _draws(connection: Connection, genealogy: Genealogy, draws: Sequence[Row[Any]]) -> Rows:
    rows = _columns([(one.item, one.top, one.lo, one.hi, one.last) for one in draws], "item", "top", "lo", "hi", "last")
    booked = {number: row.child_id for number, row in marriages_by_id(connection, rows["last"].tolist()).items()}
    child = np.array([booked[number] or 0 for number in rows["last"].tolist()], np.int64)
    places = genealogy.items.places
    booked_on = np.where(child > 0, places(child), NOWHERE).astype(np.int32)
    return {**rows, "item": places(rows["item"]), "top": rows["top"].astype(np.bool_), "child": booked_on}
