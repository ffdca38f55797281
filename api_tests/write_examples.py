"""Write `partkin/web/examples.json`, the examples of the documentation: `python -m api_tests.write_examples`.

They are messages of the demo, from goods-in to the first unit, which leaves the plant and comes back, and to a case
about the lot of its capacitor, with the answers of the service.
"""

from __future__ import annotations

import asyncio
import json
import tempfile
import time
from collections.abc import Iterator, Mapping
from datetime import datetime, timedelta, timezone
from pathlib import Path
from typing import Any

import httpx2

from api_tests import servers
from partkin.actions.load_catalogue import load_catalogue
from partkin.command_line.demo.containment.desk import CaseDesk, name_of, name_of_lot
from partkin.command_line.demo.floor import Floor, Members
from partkin.command_line.demo.fresh_store import DEMO_BADGE
from partkin.command_line.demo.items import Item
from partkin.command_line.demo.plant import Plant
from partkin.command_line.demo.shift import DEFAULT_SEED, DEFAULT_UNITS, Shift
from partkin.command_line.demo.story import demo_data, read_story
from partkin.exports.catalogue_files import read_catalogue_folder
from partkin.store.database import Database

START = datetime(2026, 11, 25, 14, 0, tzinfo=timezone(timedelta(hours=1)))
"""When the shift of the examples begins; the units and the seed are those of a demo that is told nothing else."""

Entry = Mapping[str, Any]

SHOWN: Mapping[str, Mapping[str, object]] = {
    "unit-start": {"scan_point": "L1-010"},
    "marriage": {"scan_point": "L1-010"},
    "removal": {"scan_point": "L1-RW"},
    "lot-loading": {"scan_point": "DR-010"},
    "receipt": {"part": "CA-330"},
    "test-run": {"plan": "SAFETY"},
    "hold": {"action": "place"},
    "number-block": {"scan_point": "L1-010"},
    "label-print": {"label": "unit"},
    "disposition": {"destination": "scrap"},
    "correction": {"scan_point": "L1-RW"},
    "lot-transfer": {"scan_point": "GI-02"},
    "calibration": {"instrument": "HV-11"},
    "build-order": {"line": "L1"},
    "packing": {"packaging": "CTN-8"},
    "shipment": {"action": "load"},
    "customer-return": {"scan_point": "L1-RW"},
    "stock-count": {"scan_point": "GI-02"},
    "containment": {"action": "open"},
    "case-decision": {"decision": "verified good"},
    "sorting": {"rule": "all"},
    "inspection": {"good": True},
    "notice": {"action": "sent"},
    "drill": {"consignees": 1},
}
"""Of each kind of message, what the first one that is shown says."""


def play_first_unit(store: str, service: str) -> list[Entry]:
    """Play the life of the first unit, on the same day always, over the service; all entries of the journal."""
    plant = Plant(read_catalogue_folder(demo_data() / "catalogue"), read_story(), START.date())
    database = Database(store)
    load_catalogue(database, plant.catalogue, operator=DEMO_BADGE, now=time.time_ns() // 1000)
    database.close()
    asyncio.run(_play(plant, service))
    with httpx2.Client(base_url=service) as client:
        found: list[Entry] = client.get("/v1/entries", params={"limit": 1000}).raise_for_status().json()["items"]
    return found


async def _play(plant: Plant, service: str) -> None:
    async with httpx2.AsyncClient(base_url=service) as client:
        floor = Floor(client, start=START, seed=DEFAULT_SEED, badges=plant.story.badges, tell=lambda *_: None)
        shift = Shift(floor, plant, DEFAULT_UNITS, lambda: None)
        first = await shift.play_beginning()
        pallet = await shift.packing.make_up()
        assert pallet is not None
        await shift.shipping.ship_first(pallet)
        await shift.shipping.take_back(first)
        await _play_case(shift, first)


async def _play_case(shift: Shift, unit: Item) -> None:
    """A case about the lot in the first unit, as the demo's stations and desk say it."""
    told, work = shift.work.story.case, shift.work
    (drawn,) = work.supplies.at("DR-010", "CAPACITOR")
    (lot,) = drawn.labels
    store, desk = work.floor.station("GI-02"), CaseDesk(work, told.case)
    await store.ask("stock-count", store.next(), lot=lot.scan, quantity=work.supplies.pieces[lot] - 1)
    suspects = {"items": [name_of_lot(lot)]}
    await desk.open(told.title, suspects, work.story.alarm.words.format(lot=lot.code), told.hazard, told.action_asked)
    await desk.freeze()
    copy = await work.floor.keep(told.action_asked.encode(), "text/plain")
    consignee = work.story.dispatch.consignees[0]
    await desk.ask("notice", action="sent", consignee=consignee, how=told.how, copy=copy)
    sorting = f"{told.case}-S1"
    await desk.ask("sorting", sorting=sorting, listed="certain", rule="all", seed=told.seed)
    seen: Members = {"sorting": sorting, "item": name_of(unit), "good": True, "found": told.inspected}
    await desk.ask("inspection", by=told.inspector, **seen)
    await desk.decide("verified good", [name_of(unit)], f"None bad in {sorting}", sorting=sorting)
    await desk.say("drill", seed=told.seed, suspects=suspects, steps=STEPS, certain=1, possible=0, consignees=1)


STEPS = [{"step": "Find what is affected", "milliseconds": 41.5}, {"step": "List who is told", "milliseconds": 12.25}]
"""Of a drill that was timed elsewhere."""


def examples_of(entries: list[Entry]) -> Iterator[tuple[str, dict[str, Any]]]:
    """Of each kind the accepted message that is shown, with its answer."""
    for kind, said in SHOWN.items():
        entry = next(
            entry
            for entry in entries
            if entry["outcome"] == "recorded" and {"kind": kind, **said}.items() <= entry["message"].items()
        )
        yield kind, {"message": entry["message"], "answer": entry["answer"]}


def main() -> None:
    """Write the file."""
    target = Path(__file__).parents[1] / "trace" / "partkin" / "web" / "examples.json"
    with tempfile.TemporaryDirectory() as folder:
        store = servers.SQLiteStores(Path(folder)).migrated()
        with servers.running(store) as service:
            examples = dict(examples_of(play_first_unit(store, service)))
    target.write_text(json.dumps(examples, indent=1, ensure_ascii=False) + "\n")


if __name__ == "__main__":
    main()
