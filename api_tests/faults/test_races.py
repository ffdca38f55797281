"""Processes race for the same component and for the same slot: each time one wins, and nobody sees the store fail.

A serial-numbered component is in at most one parent at a time, and a slot holds at most one component.
"""

from __future__ import annotations

import asyncio
import json
import multiprocessing
import random
import time
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from multiprocessing.synchronize import Barrier

import pytest
from sqlalchemy import insert, select, text
from sqlalchemy.exc import IntegrityError

from api_tests.plant import Json, differences, dryer, load, motor
from api_tests.servers import SQLiteStores
from partkin.actions.record_messages import Outcome, Post, record_messages
from partkin.actions.recorder import Recorder
from partkin.actions.rulebooks import Rulebooks
from partkin.store import tables
from partkin.store.database import Database
from partkin.web.reading import read_post

ROUNDS = 500
ROUNDS_AT_ONCE = 5
"""Rounds that start at the same moment, in each process in an order of its own: so that batches race, too."""
CLOCK_SLACK = 0

PROCESSES = multiprocessing.get_context("forkserver")
PROCESSES.set_forkserver_preload(["partkin.web.app", "uvicorn"])

Answer = tuple[int, tuple[str, ...]]
"""Status, and the types of the reasons."""


@dataclass(frozen=True)
class Round:
    """What one process had for an answer in the two races of a round."""

    component: Answer
    slot: Answer


# -- one process


_barrier: Barrier


def enter(barrier: Barrier) -> None:
    """Called once in every process."""
    global _barrier  # noqa: PLW0603 - the one way to hand a barrier to the processes of a pool
    _barrier = barrier


def race(url: str, runner: int) -> list[Round]:
    """All rounds of one process, each at the same moment as in all others."""
    return asyncio.run(_race(url, runner))


async def _race(url: str, runner: int) -> list[Round]:
    database = Database(url)
    rulebooks = Rulebooks(database)
    recorder = Recorder(database, rulebooks, batch_limit=256, clock_slack=CLOCK_SLACK)
    recorder.start()
    answers: dict[str, Answer] = {}
    order = random.Random(runner)
    for first in range(0, ROUNDS, ROUNDS_AT_ONCE):
        messages = [
            message
            for number in range(first, first + ROUNDS_AT_ONCE)
            for message in (
                marriage(f"component-{number}-{runner}", f"D{number}-{runner}", f"M{number}"),
                marriage(f"slot-{number}-{runner}", f"D{number}", f"M{number}-{runner}"),
            )
        ]
        order.shuffle(messages)
        _barrier.wait(timeout=60)
        outcomes = await asyncio.gather(*(recorder.submit(message_post(one, rulebooks)) for one in messages))
        answers.update((one["message_id"], answer_of(outcome)) for one, outcome in zip(messages, outcomes, strict=True))
    recorder.stop()
    database.close()
    return [Round(answers[f"component-{n}-{runner}"], answers[f"slot-{n}-{runner}"]) for n in range(ROUNDS)]


def message_post(message: Json, rulebooks: Rulebooks) -> Post:
    return read_post(json.dumps(message).encode(), rulebooks.newest)


def marriage(message_id: str, unit: str, component: str) -> Json:
    said = {"kind": "marriage", "scan_point": "RW", "unit": dryer(unit), "components": [{"item": motor(component)}]}
    return {"message_id": message_id, "operator": "B1", "occurred_at": "2026-03-02T07:00:00Z", **said}


def answer_of(outcome: Outcome) -> Answer:
    reasons = json.loads(outcome.answer).get("reasons", ())
    return outcome.status, tuple(reason["type"].removeprefix("/problems/") for reason in reasons)


# -- all of them


@pytest.mark.parametrize("runners", [2, 8])
def test_of_processes_that_race_one_wins_each_time(store_url: str, sqlite_stores: SQLiteStores, runners: int) -> None:
    prepare(store_url, runners)
    with ProcessPoolExecutor(runners, PROCESSES, enter, (PROCESSES.Barrier(runners),)) as pool:
        results = list(pool.map(race, [store_url] * runners, range(runners)))
    for together in zip(*results, strict=True):
        assert sorted(one.component for one in together) == won_once("already-installed", runners)
        assert sorted(one.slot for one in together) == won_once("no-free-slot", runners)
    assert_one_parent_and_one_component_each(store_url)
    assert differences(store_url, sqlite_stores.migrated()) == []


def won_once(reason: str, runners: int) -> list[Answer]:
    return [(201, ()), *[(409, (reason,))] * (runners - 1)]


def prepare(url: str, runners: int) -> None:
    """Start a dryer for all runners and one for each, for every round; three quarters of the motors are known before.

    Those that are not make the whole batches of all but one runner fail, which are then recorded one by one.
    """
    load(url)
    database = Database(url)
    rulebooks = Rulebooks(database)
    posts = [message_post(message, rulebooks) for message in preparations(runners)]
    for first in range(0, len(posts), 500):
        outcomes = record(database, rulebooks, posts[first : first + 500])
        assert {outcome.status for outcome in outcomes} == {201}
    database.close()


def preparations(runners: int) -> Iterator[Json]:
    head = {"operator": "B1", "occurred_at": "2026-03-02T06:00:00Z"}
    start = {"kind": "unit-start", "scan_point": "L-10", "part": "DRYER", **head}
    receipt = {"kind": "receipt", "part": "MOTOR", "supplier": "S1", **head}
    for number in range(ROUNDS):
        each = [f"{number}", *(f"{number}-{runner}" for runner in range(runners))]
        yield from ({"message_id": f"start-{name}", "serial": f"D{name}", **start} for name in each)
        if number // ROUNDS_AT_ONCE % 4:
            yield {"message_id": f"receipt-{number}", "serials": [f"M{name}" for name in each], **receipt}


def record(database: Database, rulebooks: Rulebooks, posts: Sequence[Post]) -> list[Outcome]:
    return record_messages(database, rulebooks, posts, now=time.time_ns() // 1000, clock_slack=CLOCK_SLACK)


def assert_one_parent_and_one_component_each(url: str) -> None:
    database = Database(url)
    now = "FROM marriage WHERE ended = 9000000000000000000 AND NOT disputed"
    with database.read() as connection:
        number = connection.scalar(text(f"SELECT count(*) {now}"))
        parents = connection.scalar(text(f"SELECT count(DISTINCT child_id) {now}"))
        slots = connection.scalar(
            text(f"SELECT count(*) FROM (SELECT DISTINCT parent_id, position, slot {now}) AS slots")
        )
    database.close()
    assert (number, parents, slots) == (2 * ROUNDS,) * 3


def test_the_database_itself_refuses_a_second_parent_and_a_second_component(store_url: str) -> None:
    load(store_url)
    database = Database(store_url)
    rulebooks = Rulebooks(database)
    start = {"kind": "unit-start", "operator": "B1", "occurred_at": "2026-03-02T06:00:00Z", "scan_point": "L-10"}
    starts = [{**start, "message_id": name, "part": "DRYER", "serial": name} for name in ("D1", "D2")]
    marriages = [marriage("first", "D1", "M1"), marriage("second", "D2", "M2")]
    posts = [message_post(message, rulebooks) for message in [*starts, *marriages]]
    assert {outcome.status for outcome in record(database, rulebooks, posts)} == {201}
    with database.read() as connection:
        first, second = connection.execute(select(tables.marriage).order_by(tables.marriage.c.id)).mappings()
    for row in ({**first, "parent_id": second["parent_id"], "slot": 2}, {**first, "child_id": second["child_id"]}):
        with pytest.raises(IntegrityError), database.write() as connection:
            connection.execute(insert(tables.marriage), [{**row, "id": 1}])
    database.close()
