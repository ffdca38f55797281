"""What posts are measured beside: endpoints that validate the same body and then do nothing, or the plain thing."""

from __future__ import annotations

import json
import os
import time
from typing import Annotated, Any

from fastapi import Depends, FastAPI, Request, Response
from pydantic import TypeAdapter
from sqlalchemy import Connection, and_, insert, or_, select, update

from partkin.rules.messages import Marriage, NamedItem
from partkin.rules.moments import FOREVER
from partkin.store import tables
from partkin.store.database import Database
from partkin.store.journal.entries import next_numbers
from partkin.store.journal.journal_codec import Codec, Head

MARRIAGE = TypeAdapter(Marriage)
FACTS = 4096
CODEC = Codec()


async def read(request: Request) -> Marriage:
    """The validated message."""
    return MARRIAGE.validate_json(await request.body())


empty = FastAPI()


@empty.post("/v1/marriages", status_code=201)
async def take(request: Request) -> Response:
    """Validate, and answer."""
    await read(request)
    return Response(b"{}", 201, media_type="application/json")


plain = FastAPI()
database = Database(os.environ.get("PARTKIN_STORE", "sqlite:///unused.db"))


@plain.post("/v1/marriages", status_code=201)
def record(message: Annotated[Marriage, Depends(read)]) -> Response:
    """The usual way: look up, insert and commit, a transaction a post."""
    with database.write() as connection:
        answer = written(connection, message)
    return Response(answer, 201, media_type="application/json")


def written(connection: Connection, message: Marriage) -> str:
    """Look up what the interlocks of a marriage need, without judging, and write the rows that it makes."""
    entry, item, marriage = tables.entry, tables.item, tables.marriage
    assert isinstance(message.unit, NamedItem)
    connection.execute(select(entry).where(entry.c.message_id == message.message_id)).first()
    named = [one.item for one in message.components if isinstance(one.item, NamedItem)]
    same = (and_(item.c.part == one.part, item.c.code == one.serial) for one in (message.unit, *named))
    found = connection.execute(select(item).where(or_(*same), item.c.kind == "serial").with_for_update()).all()
    ids = [row.id for row in found]
    connection.execute(select(marriage).where(or_(marriage.c.parent_id.in_(ids), marriage.c.child_id.in_(ids)))).all()
    connection.execute(select(tables.hold).where(tables.hold.c.item_id.in_(ids))).all()
    up = tables.loading.join(tables.point_of_use)
    at_point = tables.point_of_use.c.scan_point == message.scan_point
    loaded = connection.execute(select(tables.loading).select_from(up).where(at_point)).one()
    (number,) = next_numbers(connection, 1)
    unit, base = ids[0], number * FACTS
    items = [new_item(base + place, one.part, str(one.serial)) for place, one in enumerate(named)]
    children = [*(one["id"] for one in items), loaded.lot_id]
    married = [
        new_marriage(base + 10 + place, child, unit, position, None if place < len(items) else loaded.point_of_use_id)
        for place, (child, position) in enumerate(zip(children, ("MOTOR", "BOARD", "SEAL"), strict=True))
    ]
    answer = json.dumps({"entry": number, "items": items, "married": married})
    connection.execute(insert(item), items)
    connection.execute(insert(marriage), married)
    connection.execute(update(item).where(item.c.id == unit).values(state="finished"))
    connection.execute(update(tables.visit).where(tables.visit.c.item_id == unit).values(last_at=message.moment))
    connection.execute(insert(entry), [new_entry(number, message, unit, answer)])
    return answer


def new_item(number: int, part: str, serial: str) -> dict[str, Any]:
    """A row of items."""
    return {"id": number, "part": part, "kind": "serial", "code": serial, "state": "usable", "used": 0}


def new_marriage(number: int, child: int, parent: int, position: str, point_of_use: int | None) -> dict[str, Any]:
    """A row of marriages."""
    flags = {"disputed": False, "wrong": False, "child_is_serial": point_of_use is None, "parent_is_unit": True}
    place = {"position": position, "slot": 1, "quantity": 1, "point_of_use_id": point_of_use}
    return {"id": number, "child_id": child, "parent_id": parent, "started": 1, "ended": FOREVER, **place, **flags}


def new_entry(number: int, message: Marriage, unit: int, answer: str) -> dict[str, Any]:
    """A row of the journal."""
    now, text = time.time_ns() // 1000, MARRIAGE.dump_json(message).decode()
    said = (message.message_id, message.scan_point, message.operator, message.moment)
    return {
        "id": number,
        "message_id": message.message_id,
        "kind": message.kind,
        "mode": message.mode,
        "outcome": "recorded",
        "scan_point": message.scan_point,
        "operator": message.operator,
        "occurred_at": message.moment,
        "recorded_at": now,
        "item_id": unit,
        "status": 201,
        "texts": CODEC.pack(Head(number, *said, now), text, answer),
    }
