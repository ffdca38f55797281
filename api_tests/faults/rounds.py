"""Processes that post at nearly the same moment, round after round: each through a recorder of its own."""

from __future__ import annotations

import asyncio
import json
import multiprocessing
import random
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from multiprocessing.synchronize import Barrier

from api_tests.plant import Json
from partkin.actions.recorder import Recorder
from partkin.actions.rulebooks import Rulebooks
from partkin.store.database import Database
from partkin.web.reading import read_post

PROCESSES = multiprocessing.get_context("forkserver")
PROCESSES.set_forkserver_preload(["partkin.web.app", "uvicorn"])

Answer = tuple[int, Json]
"""Status and body."""

_barrier: Barrier


def played(url: str, messages: Sequence[list[Json]], late: Sequence[Sequence[float]]) -> list[list[Answer]]:
    """The answers of each process to its messages, one a round.

    `late` has, of each process and round, how many seconds after the others it may begin.
    """
    crowd = len(messages)
    with ProcessPoolExecutor(crowd, PROCESSES, _enter, (PROCESSES.Barrier(crowd),)) as pool:
        return list(pool.map(_post_all, [url] * crowd, messages, late, range(crowd)))


def _enter(barrier: Barrier) -> None:
    """Called once in every process."""
    global _barrier  # noqa: PLW0603 - the one way to hand a barrier to the processes of a pool
    _barrier = barrier


def _post_all(url: str, messages: list[Json], late: Sequence[float], seed: int) -> list[Answer]:
    return asyncio.run(_post(url, messages, late, random.Random(seed)))


async def _post(url: str, messages: list[Json], late: Sequence[float], chance: random.Random) -> list[Answer]:
    database = Database(url)
    rulebooks = Rulebooks(database)
    recorder = Recorder(database, rulebooks, batch_limit=1, clock_slack=0)
    recorder.start()
    answers = []
    for message, most in zip(messages, late, strict=True):
        post = read_post(json.dumps(message).encode(), rulebooks.newest)
        _barrier.wait(timeout=60)
        await asyncio.sleep(chance.uniform(0, most))
        outcome = await recorder.submit(post)
        answers.append((outcome.status, json.loads(outcome.answer)))
    recorder.stop()
    database.close()
    return answers
