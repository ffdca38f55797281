"""Items and holds, as lists."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date
from typing import Any, NamedTuple

from sqlalchemy import CTE, Connection, Row, Select, and_, literal_column, select

from partkin.rules.facts import ItemKey
from partkin.rules.moments import FOREVER
from partkin.store.column_types import Code
from partkin.store.dialects import dialect_of, given_rows, row_parameters
from partkin.store.tables import hold, item, part, receipt, supplier


def units_after(
    connection: Connection, *, parts: Sequence[str], state: str | None, after: tuple[str, str], limit: int
) -> Sequence[Row[*tuple[Any, ...]]]:
    """Serial items of some parts in the order of part and serial number, from the one after `after`.

    One part is asked for after another: so each page is read from the index, and nothing beside it.
    """
    found: list[Row[*tuple[Any, ...]]] = []
    for code in sorted(code for code in parts if code >= after[0]):
        if len(found) == limit:
            break
        query = _units_of(code, state, after[1] if code == after[0] else "")
        found += connection.execute(query.limit(limit - len(found))).all()
    return found


def _units_of(part_code: str, state: str | None, after: str) -> Select[*tuple[Any, ...]]:
    rows = _in_work(part_code) if state == "in work" else item
    t = rows.c
    query = select(t.part, t.code, t.state, t.started_at, t.produced_on, t.expires_on)
    query = query.where(t.kind == "serial", t.part == part_code, t.code > after).order_by(t.code)
    return query if state in (None, "in work") else query.where(t.state == state)


def _in_work(part_code: str) -> CTE:
    """What is in work of a part: few items, found before they are sorted.

    SQLite would else look through all that were ever built, as these come in the order that is asked for.
    """
    t = item.c
    few = select(item).where(t.part == part_code, t.state == literal_column("'in work'"))  # as their index says it
    return few.cte("few").prefix_with("MATERIALIZED")


def holds_after(connection: Connection, *, released: bool, after: int, limit: int) -> Sequence[Row[*tuple[Any, ...]]]:
    """Holds in the order of their numbers, with the items they are on; those in force, or all of them."""
    query = (
        select(hold, item.c.part, item.c.kind, item.c.code)
        .join(item, item.c.id == hold.c.item_id)
        .where(hold.c.id > after)
    )
    if not released:
        # As the condition of their index says it.
        query = query.where(hold.c.released_at == literal_column(str(FOREVER)))
    return connection.execute(query.order_by(hold.c.id).limit(limit)).all()


def parts_in_use(connection: Connection, parts: Sequence[str]) -> set[str]:
    """Those of some parts of the catalogue that the books have items of."""
    used = select(item.c.id).where(item.c.part == part.c.part).exists()
    return set(connection.scalars(select(part.c.part).where(part.c.part.in_(parts), used)))


def suppliers_in_use(connection: Connection, suppliers: Sequence[str]) -> set[str]:
    """Those of some suppliers of the catalogue that the books have receipts from."""
    t = supplier.c
    used = select(receipt.c.id).where(receipt.c.supplier == t.supplier).exists()
    return set(connection.scalars(select(t.supplier).where(t.supplier.in_(suppliers), used)))


class Dated(NamedTuple):
    """What the books say of an item besides its name."""

    of_lot: str | None
    produced_on: date | None
    expires_on: date | None
    received: int | None
    """Pieces of a lot, where they are counted."""


def dated_items(connection: Connection, keys: Sequence[ItemKey]) -> Mapping[ItemKey, Dated]:
    """What the books say of some items."""
    names = ("part", "kind", "code")
    asked = given_rows(dialect_of(connection), "asked", dict.fromkeys(names, Code))
    lot = item.alias("lot")
    t = item.c
    query = (
        select(t.part, t.kind, t.code, lot.c.code.label("of_lot"), t.produced_on, t.expires_on, t.received)
        .join(asked, and_(*(t[name] == asked.c[name] for name in names)))
        .outerjoin(lot, lot.c.id == t.lot_id)
    )
    columns = {name: [getattr(key, name) for key in keys] for name in names}
    rows = connection.execute(query, row_parameters(connection, columns)).all() if keys else ()
    return {ItemKey(*row[:3]): Dated(*row[3:]) for row in rows}
