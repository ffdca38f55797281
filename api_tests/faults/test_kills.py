"""The service is killed again and again while stations post: what it answered is kept, and nothing is there twice."""

from __future__ import annotations

import json
import multiprocessing
import random
import socket
import time
from collections import Counter
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass, field
from multiprocessing.process import BaseProcess

import httpx2
import uvicorn

from api_tests.plant import Json, Station, differences, dryer, load, motor
from api_tests.servers import SQLiteStores, served
from partkin.settings import Settings
from partkin.web.app import create_app

KILLS = 20
STATIONS = 4
STARTS_WITHIN = 30
"""Seconds that the service may take until it answers."""

PROCESSES = multiprocessing.get_context("forkserver")
PROCESSES.set_forkserver_preload(["partkin.web.app", "uvicorn"])
ADDRESSES = {"unit-start": "/v1/units", "marriage": "/v1/marriages"}

Answer = tuple[int, bytes]


@dataclass
class Posted:
    """What stations posted, and what they were answered, by message_id."""

    messages: dict[str, Json] = field(default_factory=dict)
    answers: dict[str, Answer] = field(default_factory=dict)

    def post(self, client: httpx2.Client, message: Json) -> Answer:
        """Post a message, or repeat it."""
        self.messages[message["message_id"]] = message
        response = client.post(ADDRESSES[message["kind"]], json=message)
        assert response.status_code in (201, 409), response.text
        self.answers[message["message_id"]] = response.status_code, response.content
        return self.answers[message["message_id"]]

    @property
    def unanswered(self) -> set[str]:
        return self.messages.keys() - self.answers.keys()


def messages(number: int) -> Iterator[Json]:
    """What a station posts: dryers that start, and motors, every second of which another station uses too."""
    station = Station(httpx2.Client())
    for count in range(100_000):
        serial = f"D{number}-{count}"
        shared = count if count % 2 else f"{number}-{count}"
        components = [{"item": motor(f"M{shared}")}]
        yield station.says(kind="unit-start", scan_point="L-10", part="DRYER", serial=serial)
        yield station.says(kind="marriage", scan_point="L-10", unit=dryer(serial), components=components)


def post_until_it_ends(base_url: str, source: Iterator[Json]) -> Posted:
    """Post one message after the other until the service is gone."""
    posted = Posted()
    with httpx2.Client(base_url=base_url) as client:
        for message in source:
            try:
                posted.post(client, message)
            except httpx2.TransportError:
                break
    return posted


def test_of_a_service_that_is_killed_again_and_again_every_answer_holds(
    store_url: str, sqlite_stores: SQLiteStores
) -> None:
    load(store_url)
    moments = random.Random(4)
    sources = [messages(number) for number in range(STATIONS)]
    rounds = [Posted()]
    seen = 0
    for _ in range(KILLS):
        with forked(store_url) as (process, base_url), ThreadPoolExecutor(STATIONS) as pool:
            seen = assert_every_answer_holds(base_url, rounds[-1], seen)
            stations = [pool.submit(post_until_it_ends, base_url, source) for source in sources]
            time.sleep(moments.uniform(0.02, 0.4))
            process.kill()
            rounds.append(together([station.result() for station in stations]))
    with served(store_url) as (_, base_url):
        assert_every_answer_holds(base_url, rounds[-1], seen)
    assert sum(len(one.answers) for one in rounds) > 10 * KILLS
    assert {status for one in rounds for status, _ in one.answers.values()} == {201, 409}
    assert differences(store_url, sqlite_stores.migrated()) == []


@contextmanager
def forked(store_url: str) -> Iterator[tuple[BaseProcess, str]]:
    """The service as a process of its own, from one that has imported it: ten times as quick as the command."""
    with socket.create_server(("127.0.0.1", 0)) as free:
        port = free.getsockname()[1]
    process = PROCESSES.Process(target=serve, args=(store_url, port))
    process.start()
    try:
        wait_for(f"http://127.0.0.1:{port}")
        yield process, f"http://127.0.0.1:{port}"
    finally:
        process.kill()
        process.join()


def serve(store_url: str, port: int) -> None:
    uvicorn.run(create_app(Settings(store=store_url)), port=port, log_level="warning")


def wait_for(base_url: str) -> None:
    deadline = time.monotonic() + STARTS_WITHIN
    while True:
        try:
            httpx2.get(f"{base_url}/healthz").raise_for_status()
        except httpx2.TransportError:
            if time.monotonic() > deadline:
                raise
            time.sleep(0.01)
        else:
            return


def together(stations: list[Posted]) -> Posted:
    every = Posted()
    for posted in stations:
        every.messages |= posted.messages
        every.answers |= posted.answers
    return every


def assert_every_answer_holds(base_url: str, posted: Posted, seen: int) -> int:
    """What was answered is in the journal once, what was not at most once, and repeats get one answer each.

    Looks at the entries after that which was `seen` last, and returns the last one now.
    """
    with httpx2.Client(base_url=base_url) as client:
        entries = entries_after(client, seen)
        times = Counter(entry["message"]["message_id"] for entry in entries)
        assert times.keys() <= posted.messages.keys()
        assert all(times[message_id] == 1 for message_id in posted.answers)
        assert set(times.values()) <= {1}
        kept = {entry["message"]["message_id"]: (entry["status"], entry["answer"]) for entry in entries}
        for message_id in posted.unanswered:
            posted.post(client, posted.messages[message_id])
        for message_id, (status, body) in posted.answers.items():
            assert kept.get(message_id, (status, json.loads(body))) == (status, json.loads(body))
        for message_id in random.sample(sorted(posted.answers), min(20, len(posted.answers))):
            before = posted.answers[message_id]
            assert posted.post(client, posted.messages[message_id]) == before
        return max((entry["entry"] for entry in entries_after(client, seen)), default=seen)


def entries_after(client: httpx2.Client, seen: int) -> list[Json]:
    """All entries of messages after one; without that of the catalogue."""
    entries: list[Json] = []
    cursor: int | None = seen
    while cursor is not None:
        page = client.get("/v1/entries", params={"cursor": cursor, "limit": 1000}).json()
        entries += page["items"]
        cursor = page["next"]
    return [entry for entry in entries if entry["message"]["kind"] != "catalogue"]
