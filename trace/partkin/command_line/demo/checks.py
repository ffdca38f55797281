"""Questions of the evening, compared with the floor's own notes: where units are, what may ship, what was tested."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import httpx2
from rich.console import Console

from partkin.command_line.demo.floor import DemoFailed
from partkin.command_line.demo.items import Item, Packed
from partkin.command_line.demo.shift import Shift

_PAGE = 1000

Place = tuple[str, str, str]
"""What kind of place, the scan point or shipment, and what it stands in at the top."""


def compare_notes(url: str, shift: Shift, screen: Console) -> None:
    """Ask the service, and compare. Raises DemoFailed where an answer is not what the floor noted."""
    with httpx2.Client(base_url=url, timeout=60) as client:
        for item in shift.work.units.values():
            _compare(item, "where it is", _where(client, item), noted_place(item))
            _compare(item, "whether it may ship", _may_ship(client, item), item.packed_in is not None and _here(item))
        for shipment, units in shift.shipping.left.items():
            _compare(shipment, "which units were on it", _on(client, shipment), units)
        tested = _tested_on(client, shift.bad_instrument)
    _compare(shift.bad_instrument, "what was tested on it", tested, shift.work.floor.tested[shift.bad_instrument])
    _show(shift, screen)


def _compare(what: object, question: str, answered: object, noted: object) -> None:
    if answered != noted:
        raise DemoFailed(f"{what}, {question}: the answer is {answered}, but the floor noted {noted}")


# -- the notes


def noted_place(item: Item) -> Place:
    """Where a unit is, by the notes."""
    top = _top(item)
    if item.scrapped:
        return "scrapped", "", ""
    if top is None:
        return "at a scan point", item.seen, ""
    return ("despatched", top.shipment, top.code) if top.shipment else ("inside", "", top.code)


def _top(item: Item) -> Packed | None:
    packed = item.packed_in
    while packed is not None and packed.packed_in is not None:
        packed = packed.packed_in
    return packed


def _here(item: Item) -> bool:
    top = _top(item)
    return top is None or not top.shipment


# -- the answers


def _where(client: httpx2.Client, item: Item) -> Place:
    answer = _ask(client, "/v1/where", serial=item.code, part=item.part)
    inside = answer["inside"][-1]["serial"] if answer["inside"] else ""
    seen = answer["last_seen"]["scan_point"] if answer["place"] == "at a scan point" else ""
    return answer["place"], answer["shipment"]["shipment"] if answer["shipment"] else seen, inside


def _may_ship(client: httpx2.Client, item: Item) -> bool:
    answer = _ask(client, f"/v1/units/{item.code}/clearance", part=item.part)
    return bool(answer["ship"]["clear"])


def _on(client: httpx2.Client, shipment: str) -> set[str]:
    return set(_units_in(_ask(client, f"/v1/shipments/{shipment}")["content"]))


def _units_in(content: Sequence[Mapping[str, Any]]) -> Iterator[str]:
    for one in content:
        if one["unit"]:
            yield one["serial"]
        yield from _units_in(one["content"])


def _tested_on(client: httpx2.Client, instrument: str) -> set[str]:
    return {run["serial"] for page in _pages(client, f"/v1/instruments/{instrument}/tested") for run in page["items"]}


def _pages(client: httpx2.Client, path: str) -> Iterator[dict[str, Any]]:
    cursor: str | None = ""
    while cursor is not None:
        page = _ask(client, path, limit=_PAGE, cursor=cursor)
        cursor = page["next"]
        yield page


def _ask(client: httpx2.Client, path: str, **parameters: str | int) -> dict[str, Any]:
    answer: dict[str, Any] = client.get(path, params=parameters).raise_for_status().json()
    return answer


# -- on the screen


def _show(shift: Shift, screen: Console) -> None:
    units = list(shift.work.units.values())
    places = [noted_place(item)[0] for item in units]
    tested = len(shift.work.floor.tested[shift.bad_instrument])
    screen.print(
        f"{places.count('despatched')} of {len(units)} units were despatched, {places.count('inside')} are packed and "
        f"may ship, {places.count('at a scan point')} are on the lines, {places.count('scrapped')} was scrapped; "
        f"{tested} were tested on {shift.bad_instrument}, which was found bad. The floor's own notes say the same."
    )
