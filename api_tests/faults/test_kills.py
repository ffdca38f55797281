"""Services are killed again and again while stations post: what they answered is kept, and nothing is there twice."""

from __future__ import annotations

import itertools
import json
import random
import subprocess
import time
from collections import Counter
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field

import httpx2
import pytest

from api_tests.plant import Json, Station, differences, dryer, load, motor
from api_tests.servers import SQLiteStores, served

ROUNDS = 10
SERVICES = 2
"""At once, over one store; each is killed in every round."""
STATIONS = 4
ADDRESSES = {"unit-start": "/v1/units", "marriage": "/v1/marriages"}

Answer = tuple[int, bytes]
Service = tuple[subprocess.Popen[bytes], str]
"""A process, and its address."""


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


@pytest.mark.timeout(180)
def test_of_services_that_are_killed_again_and_again_every_answer_holds(
    store_url: str, sqlite_stores: SQLiteStores
) -> None:
    load(store_url)
    sources = [messages(number) for number in range(STATIONS)]
    rounds = [Posted()]
    seen = 0
    for number in range(ROUNDS):
        with all_served(store_url) as services:
            seen = assert_every_answer_holds(services[0][1], rounds[-1], seen)
            rounds.append(post_until_all_are_killed(services, sources, random.Random(number)))
    with served(store_url) as (_, base_url):
        assert_every_answer_holds(base_url, rounds[-1], seen)
    assert sum(len(one.answers) for one in rounds) > 20 * ROUNDS
    assert {status for one in rounds for status, _ in one.answers.values()} == {201, 409}
    assert differences(store_url, sqlite_stores.migrated()) == []


@contextmanager
def all_served(store_url: str) -> Iterator[list[Service]]:
    """Several services over one store, started at once."""
    with ExitStack() as stack, ThreadPoolExecutor(SERVICES) as pool:
        yield list(pool.map(lambda _: stack.enter_context(served(store_url)), range(SERVICES)))


def post_until_all_are_killed(services: list[Service], sources: list[Iterator[Json]], moments: random.Random) -> Posted:
    with ThreadPoolExecutor(len(sources)) as pool:
        addresses = itertools.cycle(base_url for _, base_url in services)
        stations = [pool.submit(post_until_it_ends, *both) for both in zip(addresses, sources, strict=False)]
        for process, _ in services:
            time.sleep(moments.uniform(0.02, 0.4))
            process.kill()
        return together([station.result() for station in stations])


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
