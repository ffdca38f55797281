"""Processes post whatever there is to say about the same few units: nobody sees the store fail, and the books agree."""

from __future__ import annotations

import asyncio
import json
import multiprocessing
import random
from collections import Counter
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from datetime import UTC, datetime, timedelta

from api_tests.plant import GOOD, Json, differences, dryer, heater, load, lot_of, motor, serial_of
from api_tests.servers import SQLiteStores
from partkin.actions.recorder import Recorder
from partkin.actions.rulebooks import Rulebooks
from partkin.store.database import Database
from partkin.web.reading import read_post

RUNNERS = 4
BATCHES = 60
MOST_AT_ONCE = 12

PROCESSES = multiprocessing.get_context("forkserver")
PROCESSES.set_forkserver_preload(["partkin.web.app", "uvicorn"])


def test_a_crowd_leaves_the_books_as_the_journal_says(store_url: str, sqlite_stores: SQLiteStores) -> None:
    load(store_url)
    with ProcessPoolExecutor(RUNNERS, PROCESSES) as pool:
        answered = sum(pool.map(post_everything, [store_url] * RUNNERS, range(RUNNERS)), Counter[tuple[str, int]]())
    assert {status for _, status in answered} == {201, 409}
    assert min(answered[kind, 201] for kind, _ in answered) > RUNNERS
    assert differences(store_url, sqlite_stores.migrated()) == []


def post_everything(url: str, runner: int) -> Counter[tuple[str, int]]:
    """Post batches of anything; how often each kind of message was answered with each status."""
    return asyncio.run(_post_everything(url, random.Random(runner)))


async def _post_everything(url: str, chance: random.Random) -> Counter[tuple[str, int]]:
    database = Database(url)
    rulebooks = Rulebooks(database)
    recorder = Recorder(database, rulebooks, batch_limit=256, clock_slack=0)
    recorder.start()
    answered: Counter[tuple[str, int]] = Counter()
    for _ in range(BATCHES):
        messages = [anything(chance) for _ in range(chance.randint(1, MOST_AT_ONCE))]
        posts = [read_post(json.dumps(message).encode(), rulebooks.newest) for message in messages]
        outcomes = await asyncio.gather(*map(recorder.submit, posts))
        answered.update((one["kind"], outcome.status) for one, outcome in zip(messages, outcomes, strict=True))
    recorder.stop()
    database.close()
    return answered


# -- anything


def anything(chance: random.Random) -> Json:
    """A message of any kind about a few items, some of it impossible."""
    occurred_at = datetime(2026, 3, 2, 6, 0, tzinfo=UTC) + timedelta(seconds=chance.randrange(600))
    head = {
        "message_id": f"{chance.getrandbits(64):x}",
        "operator": "B1",
        "occurred_at": occurred_at.isoformat(),
        "mode": chance.choice(["ask", "tell"]),
    }
    return {**head, **chance.choice(KINDS)(chance)}


def some(what: Callable[[str], Json], chance: random.Random, number: int = 8) -> Json:
    return what(f"{chance.randrange(number)}")


def pump(serial: str) -> Json:
    return serial_of("PUMP", serial)


def rotor(serial: str) -> Json:
    return serial_of("ROTOR", serial)


def screws(lot: str) -> Json:
    return lot_of("SCREW", lot)


def carton(lot: str) -> Json:
    return lot_of("CARTON", lot)


def start(chance: random.Random) -> Json:
    named = {"part": "DRYER", "serial": f"{chance.randrange(8)}", "scan_point": "L-10"}
    return {"kind": "unit-start", **chance.choice([named, {"part": "PUMP", "scan_point": "PL-10"}])}


def marriage(chance: random.Random) -> Json:
    if not chance.randrange(4):
        components = [{"item": some(rotor, chance)}]
        return {"kind": "marriage", "scan_point": "PL-10", "unit": some(pump, chance), "components": components}
    choices = [motor, heater, heater, pump, screws, carton]
    items = [some(chance.choice(choices), chance) for _ in range(chance.randrange(3))]
    point = chance.choice(["L-10", "L-20", "L-40", "RW"])
    components = [{"item": item} for item in items]
    return {"kind": "marriage", "scan_point": point, "unit": some(dryer, chance), "components": components}


def removal(chance: random.Random) -> Json:
    what: Json = chance.choice(
        [{"component": some(motor, chance)}, {"component": some(heater, chance)}, {"position": "SCREWS"}]
    )
    how = {"reason": "noisy", "destination": chance.choice(["stock", "stock", "scrap"])}
    return {"kind": "removal", "scan_point": "RW", "unit": some(dryer, chance), **what, **how}


def loading(chance: random.Random) -> Json:
    what = [("L-20", some(screws, chance, 4)), ("L-20", some(screws, chance, 4)), ("L-40", some(carton, chance, 4))]
    point, lot = chance.choice(what)
    return {"kind": "lot-loading", "scan_point": point, "lot": lot}


def receipt(chance: random.Random) -> Json:
    cartons = {"part": "CARTON", "lot": f"{chance.randrange(4)}", "quantity": chance.randint(1, 9)}
    rotors = {"part": "ROTOR", "serials": [f"{n}" for n in chance.sample(range(8), 3)]}
    return {"kind": "receipt", "supplier": "S1", **chance.choice([cartons, rotors])}


def test_run(chance: random.Random) -> Json:
    head = {"kind": "test-run", "scan_point": chance.choice(["L-30", "RW"]), "unit": some(dryer, chance)}
    return {**head, "plan": "SAFETY", "instrument": "T1", "measurements": chance.choice([GOOD, GOOD[:1]])}


test_run.__test__ = False  # type: ignore[attr-defined]


def hold(chance: random.Random) -> Json:
    item = some(chance.choice([dryer, motor, carton]), chance)
    return {"kind": "hold", "action": "place", "item": item, "reason": "crack"}


KINDS = [start, *[marriage] * 4, removal, loading, receipt, test_run, hold]
