"""Which lots pieces are of: those that they may be of instead, and those that went into their containers.

One statement, whatever there is to tell.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from functools import cache
from operator import attrgetter
from typing import Any, NamedTuple

from sqlalchemy import Connection

from partkin.rules.facts import ItemKey
from partkin.store.column_types import BigId
from partkin.store.dialects import Dialect, dialect_of, given_rows, row_parameters, stacked
from partkin.store.genealogy.containers import sources_of
from partkin.store.genealogy.lot_changes import Doubts, Draught, doubts_of, kinds_of_doubt
from partkin.store.statements import Query


class Origins(NamedTuple):
    """What is known of where pieces are from."""

    doubts: Doubts
    poured: Mapping[int, Sequence[Any]]
    """All that went into each container, in order: see `sources_of`."""
    names: Mapping[int, ItemKey]
    """Of all lots in these."""


def origins_of(connection: Connection, pieces: Sequence[Draught]) -> Origins:
    """Where pieces of lots are from that are in something."""
    if not pieces:
        return Origins({}, {}, {})
    columns = dict(zip(Draught._fields, zip(*pieces, strict=True), strict=True))
    found = _origins(dialect_of(connection)).named_rows(connection, row_parameters(connection, columns))
    poured: dict[int, list[Any]] = defaultdict(list)
    for row in sorted((row for row in found if row.what == "poured"), key=attrgetter("at", "id")):
        poured[row.target_id].append(row)
    names = {row.lot_id: ItemKey(row.part, "lot", row.code) for row in found if row.lot_id is not None}
    return Origins(doubts_of(found), poured, names)


@cache
def _origins(dialect: Dialect) -> Query:
    pieces = given_rows(dialect, "piece", dict.fromkeys(Draught._fields, BigId))
    return Query(dialect, stacked({**kinds_of_doubt(dialect, pieces), "poured": sources_of(pieces)}))
