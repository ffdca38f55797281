"""The recorder: one writer thread a process, which records together what waits together."""

from __future__ import annotations

import asyncio
import logging
import queue
import random
import threading
import time
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass

from sqlalchemy.exc import DBAPIError

from partkin.actions.record_messages import Outcome, Post, record_messages
from partkin.actions.rulebooks import Rulebooks
from partkin.rules.canonical_json import canonical
from partkin.rules.moments import Moment
from partkin.store.database import Database
from partkin.store.errors import ChangedMeanwhile, is_conflict, is_unreachable, key_taken

log = logging.getLogger(__name__)

TRIES = 12
"""How often one post is tried against other processes that are faster, before the station is asked to repeat it."""

PATIENCE_SECONDS = 30
"""After this time no new try begins: other stations wait behind it."""

GATHERING_SECONDS = 0.0005
"""Where posts came together, the next ones come as soon as these are answered: recorded together, they cost less."""

_BUSY = {
    "type": "/problems/busy",
    "title": "Too busy to record",
    "status": 503,
    "detail": "Nothing was recorded. Send the same message again.",
}
_UNREACHABLE = {
    "type": "/problems/store-unreachable",
    "title": "The store cannot be reached",
    "status": 503,
    "detail": "Nothing was recorded. Send the same message again.",
}
_FAILED = {
    "type": "/problems/internal",
    "title": "Internal error",
    "status": 500,
    "detail": "Nothing was recorded. The service's log says why.",
}


@dataclass(frozen=True, slots=True)
class _Waiting:
    post: Post
    loop: asyncio.AbstractEventLoop
    answer: asyncio.Future[Outcome]


class Recorder:
    """Takes posts from any event loop and answers each once it is durable."""

    def __init__(self, database: Database, rulebooks: Rulebooks, *, batch_limit: int, clock_slack: Moment) -> None:
        self._database = database
        self._rulebooks = rulebooks
        self._batch_limit = batch_limit
        self._clock_slack = clock_slack
        self._queue: queue.SimpleQueue[_Waiting | None] = queue.SimpleQueue()
        self._thread = threading.Thread(target=self._run, name="recorder", daemon=True)

    def start(self) -> None:
        """Start recording."""
        self._thread.start()

    def stop(self) -> None:
        """Record what still waits, then stop."""
        self._queue.put(None)
        self._thread.join()

    def submit(self, post: Post) -> asyncio.Future[Outcome]:
        """Queue a post; the future gives its outcome. Posts of one caller are recorded in the order they are queued."""
        loop = asyncio.get_running_loop()
        answer = loop.create_future()
        self._queue.put(_Waiting(post, loop, answer))
        return answer

    def _run(self) -> None:
        stopping = False
        while not stopping:
            batch, stopping = self._take()
            if batch:
                self._answer(batch, self._record([waiting.post for waiting in batch]))
            if len(batch) > 1 and not stopping:
                time.sleep(GATHERING_SECONDS)

    def _take(self) -> tuple[list[_Waiting], bool]:
        """What waits now, but at least one; and whether that was the end."""
        batch: list[_Waiting] = []
        try:
            while len(batch) < self._batch_limit:
                waiting = self._queue.get(block=not batch)
                if waiting is None:
                    return batch, True
                batch.append(waiting)
        except queue.Empty:
            pass
        return batch, False

    def _answer(self, batch: Sequence[_Waiting], outcomes: Sequence[Outcome]) -> None:
        by_loop: dict[asyncio.AbstractEventLoop, list[tuple[asyncio.Future[Outcome], Outcome]]] = defaultdict(list)
        for waiting, outcome in zip(batch, outcomes, strict=True):
            by_loop[waiting.loop].append((waiting.answer, outcome))
        for loop, answers in by_loop.items():
            try:
                loop.call_soon_threadsafe(_resolve, answers)
            except RuntimeError:  # the loop was closed meanwhile: what was recorded answers the repeat
                log.warning("%d answers had nobody left to take them", len(answers))

    def _record(self, posts: Sequence[Post]) -> list[Outcome]:
        """Together; or one by one where that fails, so that nobody pays for a neighbour."""
        if len(posts) > 1:
            try:
                return self._together(posts)
            except Exception as error:  # noqa: BLE001 - each post gets its own answer below
                if not is_conflict(error):
                    log.warning("recording %d posts one by one after: %s", len(posts), error)
        return [self._alone(post) for post in posts]

    def _together(self, posts: Sequence[Post]) -> list[Outcome]:
        now = time.time_ns() // 1000
        return record_messages(self._database, self._rulebooks, posts, now=now, clock_slack=self._clock_slack)

    def _alone(self, post: Post) -> Outcome:
        give_up = time.monotonic() + PATIENCE_SECONDS
        taken = None
        for attempt in range(TRIES):
            try:
                return self._together([post])[0]
            except (DBAPIError, ChangedMeanwhile) as error:
                if is_unreachable(error) and attempt == 0:
                    continue  # the connection may have broken since it was last used; the next one is another
                if is_unreachable(error):
                    log.error("the store cannot be reached: %s", error)
                    return Outcome(503, canonical(_UNREACHABLE))
                taken, before = key_taken(error), taken
                if not is_conflict(error) or (taken is not None and taken == before):
                    log.exception("a post could not be recorded")
                    return Outcome(500, canonical(_FAILED))
                if time.monotonic() > give_up:
                    break
                time.sleep(random.uniform(0, 0.002 * 2**attempt))  # noqa: S311 - only to get out of step
            except Exception:
                log.exception("a post could not be recorded")
                return Outcome(500, canonical(_FAILED))
        return Outcome(503, canonical(_BUSY))


def _resolve(answers: Sequence[tuple[asyncio.Future[Outcome], Outcome]]) -> None:
    for answer, outcome in answers:
        if not answer.done():  # a caller that went away cancelled its future
            answer.set_result(outcome)
