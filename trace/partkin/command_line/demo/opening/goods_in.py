"""Goods-in: receipts, and containers with labels of their own."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from datetime import date, timedelta

from partkin.command_line.demo.floor import Members, Station
from partkin.command_line.demo.plant import Label
from partkin.command_line.demo.work import Work

_DAYS = 16
"""How long before the shift what comes in was made, where the story says nothing else."""

_ON_A_NOTE = 200
"""Most serial numbers on one delivery note."""


async def receive(work: Work) -> None:
    """One file of lines from each goods-in, for all the lots and serial numbers; then lots go into containers."""
    deliveries = sorted([*_lots(work), *_serials(work)], key=lambda one: (one["part"], one.get("lot", "")))
    for code, suppliers in work.story.goods_in.items():
        station = work.floor.station(code)
        messages = [
            station.message("receipt", station.next(), **delivery)
            for delivery in deliveries
            if delivery["supplier"] in suppliers
        ]
        await work.floor.post_all(messages)
        parts = len({message["part"] for message in messages})
        work.floor.tell(station.clock, code, f"{len(messages)} receipts for {parts} parts booked in at once (NDJSON)")
    await _fill_containers(work)


def goods_in_of(work: Work, part: str) -> Station:
    """Where a part comes in."""
    supplier = work.plant.catalogue.part[part].supplier
    code = next(code for code, suppliers in work.story.goods_in.items() if supplier in suppliers)
    return work.floor.station(code)


def made_on(work: Work, lot: str) -> date:
    """The day on which a lot was made by its supplier."""
    return (work.floor.start - timedelta(days=work.story.made_days_before.get(lot, _DAYS))).date()


def _lots(work: Work) -> Iterator[Members]:
    for lot, pieces in work.supplies.pieces.items():
        yield delivery(work, lot.part, lot=lot.code, quantity=pieces, produced_on=made_on(work, lot.code).isoformat())
    held, expired = work.story.held_lot, work.story.expired_lot
    yield delivery(work, held.part, lot=held.lot, quantity=held.pieces, produced_on=made_on(work, held.lot).isoformat())
    container = work.plant.lot(expired.part, expired.lot)
    over = (work.floor.start - timedelta(days=1)).date()
    yield delivery(work, expired.part, lot=container.code, quantity=expired.pieces, expires_on=over.isoformat())


def _serials(work: Work) -> Iterator[Members]:
    """The serial numbers that the modules of this shift will need."""
    coming: dict[str, list[str]] = defaultdict(list)
    for (part, _), numbers in work.numbers.items():
        for position in work.plant.positions(part):
            if work.plant.taken(position).part in work.story.received_serials:
                for number in numbers:
                    component = work.plant.component(position, number)
                    coming[component.part].append(component.code)
    for part, codes in coming.items():
        for start in range(0, len(codes), _ON_A_NOTE):
            yield delivery(work, part, serials=codes[start : start + _ON_A_NOTE])


def delivery(work: Work, part: str, **members: object) -> Members:
    """What a receipt says of a part."""
    supplier = work.plant.catalogue.part[part].supplier
    return {"part": part, "supplier": supplier, "delivery_note": f"{supplier} {work.floor.start:%y%m%d}", **members}


# -- containers


async def _fill_containers(work: Work) -> None:
    for container, sources in work.supplies.transferred.items():
        station = goods_in_of(work, container.part)
        members: Members = {
            "sources": [_portion(lot, pieces) for lot, pieces in sources.items()],
            "into": container.scan,
        }
        await station.ask("lot-transfer", station.next(), **members)
        label: Members = {"items": [container.scan], "label": "component"}
        await station.ask("label-print", station.next(), **label)
        pieces = " and ".join(f"{pieces} pieces of {lot.code}" for lot, pieces in sources.items())
        words = f"{pieces} of {container.part} into a container with a label of its own, {container.code}"
        work.floor.tell(station.clock, station.code, words)


def _portion(lot: Label, pieces: int) -> Members:
    return {"lot": lot.scan, "quantity": pieces}
