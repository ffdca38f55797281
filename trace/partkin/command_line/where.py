"""`partkin where`."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from typing import Any

from partkin.command_line.asking import AsJson, StoreUrl, open_store
from partkin.command_line.item_asked import ItemCode, OfPart, asked_of_item

Json = Mapping[str, Any]


def where(code: ItemCode, part: OfPart = None, as_json: AsJson = False, store: StoreUrl = None) -> None:
    """Show where an item is now."""
    from partkin.command_line.terminal import console, shown
    from partkin.questions.whereabouts import where_is

    with open_store(store) as database:
        found = asked_of_item(database, code, part, lambda asked: where_is(database, asked))
    if as_json:
        print(json.dumps(found))
        return
    printer = console()
    for line in _lines(found):
        printer.print(shown(line))


def _lines(found: Json) -> Iterator[str]:
    yield f"{_name(found)}  {found['description'] or ''}".rstrip()
    place = "" if found["place"] in (None, found["state"]) else f", {found['place']}"
    yield f"{found['state']}{place}"
    for holder in found["inside"]:
        yield f"in {_holder(holder)}"
    for holder in found["said_to_be_in"]:
        yield f"said to be in {_holder(holder)}, which is disputed"
    yield from _ways(found)
    for hold in found["holds"]:
        yield f"ON HOLD {hold['hold']} by {hold['placed_by']}: {hold['reason']}"
    if found["pieces"] is not None:
        yield from _pieces(found["pieces"])


def _ways(found: Json) -> Iterator[str]:
    """Where it went, where it was seen, and how it came back."""
    from partkin.command_line.terminal import item_name, local

    if (on := found["shipment"]) is not None:
        gone = "not despatched yet" if on["despatched_at"] is None else f"despatched {local(on['despatched_at'])}"
        yield f"on shipment {on['shipment']} to {on['name'] or on['consignee']}, {gone}"
    if (left := found["left"]) is not None:
        out_of = "" if left["out_of"] is None else f" out of {item_name(left['out_of'])}"
        yield f"went{out_of} to {left['destination']} {local(left['at'])}: {left['reason']}"
    if (back := found["customer_return"]) is not None:
        sender = back["name"] or back["consignee"] or "a customer"
        yield f"came back from {sender} {local(back['at'])}: {back['reason']}"
    if (seen := found["last_seen"]) is not None:
        yield f"last seen at {seen['scan_point']} {local(seen['at'])}"


def _pieces(pieces: Json) -> Iterator[str]:
    from partkin.command_line.terminal import item_name, local

    counts = ("received", "built_in", "disposed", "back_to_stock", "transferred", "taken_out", "left")
    known = ((name, pieces[name]) for name in counts if pieces[name] is not None)
    yield "pieces: " + ", ".join(f"{count} {name.replace('_', ' ')}" for name, count in known)
    for up in pieces["loaded"]:
        left = "" if up["left"] is None else f", {up['left']} left"
        yield f"up at {up['scan_point']} {up['position']}, feeder {up['feeder']}, since {local(up['since'])}{left}"
    for moved in pieces["split_into"]:
        yield f"{moved['quantity']} pieces into {item_name(moved['item'])} {local(moved['at'])}"
    for moved in pieces["came_from"]:
        yield f"{moved['quantity']} pieces from {item_name(moved['item'])} {local(moved['at'])}"
    for held in (*pieces["units"], *pieces["in_stock_subassemblies"]):
        yield f"in {held['items']} {held['part']}, {held['state']}"


def _name(item: Json) -> str:
    of_lot = f" of lot {item['lot']}" if item["serial"] is not None and item["lot"] is not None else ""
    return f"{item['part']} {item['serial'] or 'lot ' + item['lot']}{of_lot}"


def _holder(holder: Json) -> str:
    from partkin.command_line.terminal import local

    slot = f".{holder['slot']}" if holder["slot"] else ""
    position = f"{holder['position'] or 'no position'}{slot}"
    return f"{_name(holder)} ({holder['state']}) at {position} since {local(holder['since'])}"
