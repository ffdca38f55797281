"""Dictionaries of the store's own: made when the journal is sealed, used from then on, and nothing reads otherwise."""

from __future__ import annotations

import json
import time
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack, closing, suppress
from datetime import date
from pathlib import Path
from statistics import mean

import httpx2
import pytest
import typer
from sqlalchemy import select, text

from api_tests.cases import NDJSON
from api_tests.plant import Json, Station, load, motor, recorded
from api_tests.servers import running, served
from partkin.actions import train_dictionary as training
from partkin.actions.seal_journal import seal_journal
from partkin.actions.train_dictionary import train_dictionary
from partkin.command_line.check import check
from partkin.exports.night import export_night
from partkin.store.database import Database
from partkin.store.journal import dictionaries
from partkin.store.journal.dictionaries import add_dictionary
from partkin.store.tables import dictionary, entry

ENTRIES = 500
"""From which a dictionary is trained in these tests."""

WORDS = b'"fact":"visited","item":{"part":"DRYER","serial":"D0001"},"scan_point":"L-10","outcome":"recorded"'
"""A dictionary: Zstandard takes any bytes for one."""

LATER = 4_000_000_000_000_000
"""A moment at which every night is over."""


@pytest.fixture
def store(store_url: str) -> Iterator[Database]:
    with closing(Database(store_url)) as database:
        yield database


@pytest.fixture(autouse=True)
def soon(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(training, "FEWEST", ENTRIES)


def built(station: Station, numbers: Iterable[int]) -> list[Json]:
    """Messages: dryers are started and get motors."""
    return [
        one
        for n in numbers
        for one in (
            {"kind": "unit-start", **station.says(scan_point="L-10", part="DRYER", serial=f"D{n}")},
            {
                "kind": "marriage",
                **station.says(
                    scan_point="L-10", unit={"part": "DRYER", "serial": f"D{n}"}, components=[{"item": motor(f"M{n}")}]
                ),
            },
        )
    ]


def posted(client: httpx2.Client, messages: list[Json]) -> list[str]:
    """The answers, as they are."""
    body = "".join(f"{json.dumps(message)}\n" for message in messages)
    response = client.post("/v1/messages", content=body, headers=NDJSON)
    assert response.status_code == 200, response.text
    return response.text.splitlines()


def packed_in(store: Database) -> list[bytes]:
    """The texts of all entries."""
    with store.read() as connection:
        return list(connection.scalars(select(entry.c.texts).order_by(entry.c.id)))


def numbers_in(packed: list[bytes]) -> set[int]:
    """Which dictionaries texts were packed with."""
    return {texts[0] for texts in packed}


def sealed(client: httpx2.Client) -> Json:
    response = client.post("/v1/seals")
    assert response.status_code == 201, response.text
    seal: Json = response.json()
    return seal


def checked(store_url: str, capsys: pytest.CaptureFixture[str]) -> Json:
    """What `partkin check` says."""
    capsys.readouterr()
    with suppress(typer.Exit):
        check(store_url, as_json=True)
    found: Json = json.loads(capsys.readouterr().out)
    return found


def test_a_journal_that_is_sealed_gets_a_dictionary_and_says_what_it_said(
    station: Station,
    store: Database,
    store_url: str,
    capsys: pytest.CaptureFixture[str],
) -> None:
    messages = [built(station, range(start, start + 50)) for start in range(0, 350, 50)]
    answers = [posted(station.client, some) for some in messages[:5]]
    with running(store_url) as other_url, httpx2.Client(base_url=other_url) as other:
        first_seal = sealed(station.client)
        before = packed_in(store)
        with store.read() as connection:
            (number,) = connection.scalars(select(dictionary.c.number))
        assert (number, numbers_in(before), first_seal["last_entry"] >= ENTRIES) == (128, {2}, True)
        answers.append(posted(station.client, messages[5]))
        after = packed_in(store)[len(before) :]
        assert numbers_in(after) == {128}
        assert mean(map(len, after)) < 0.9 * mean(map(len, before[2:]))
        answers.append(posted(other, messages[6]))
        assert numbers_in(packed_in(store)[len(before) :]) == {128}
    again = [line for some in messages for line in posted(station.client, some)]
    assert again == [line for some in answers for line in some]
    sealed(station.client)
    found = checked(store_url, capsys)
    assert (found["differences"], found["seals"], found["broken_seal"]) == (0, 2, None)


def test_nothing_else_reads_otherwise(station: Station, store: Database, store_url: str, tmp_path: Path) -> None:
    """Beside what was posted and answered."""
    messages = built(station, range(270))
    lines = posted(station.client, messages)
    sealed(station.client)
    messages += (more := built(station, range(270, 300)))
    lines += posted(station.client, more)
    assert numbers_in(packed_in(store)) == {2, 128}
    with served(store_url) as (_, base_url), httpx2.Client(base_url=base_url) as fresh:
        recorded(fresh.post("/v1/units", json=station.says(scan_point="L-10", part="DRYER", serial="LAST")))
        assert packed_in(store)[-1][0] == 128
        assert posted(fresh, messages) == lines
        for client in (fresh, station.client):
            asked = client.get("/v1/history", params={"part": "DRYER", "serial": "D299"})
            assert [row["kind"] for row in asked.json()["items"]] == ["unit-start", "marriage"]
            page = client.get("/v1/entries", params={"cursor": 520, "limit": 60}).json()["items"]
            assert [one["message"] for one in page] == messages[page[0]["entry"] - 2 :][: len(page)]
    answers = [json.loads(line)["answer"] for line in lines]
    for day in {date.fromisoformat(answer["recorded_at"][:10]) for answer in answers}:
        export_night(store, day, tmp_path, lambda *_: None, now=LATER)
    files = sorted(tmp_path.glob("*/journal.jsonl"))
    exported = [json.loads(line) for file in files for line in file.read_text().splitlines()]
    assert [one["message"] for one in exported[:600]] == messages
    assert [one["answer"] for one in exported[:600]] == answers


def test_a_service_that_goes_on_learns_of_a_new_dictionary(
    station: Station, store: Database, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Made by another process, as `partkin seal` makes it; an older one is good until then."""
    recorded(station.start("D1"))
    with store.write() as connection:
        add_dictionary(connection, 128, WORDS, 0)
    recorded(station.start("D2"))
    assert numbers_in(packed_in(store)) == {2}
    moment = time.monotonic()
    monkeypatch.setattr(time, "monotonic", lambda: moment + dictionaries.LOOK_EVERY)
    recorded(station.start("D3"))
    monkeypatch.undo()
    assert [packed[0] for packed in packed_in(store)[-2:]] == [2, 128]


def test_one_of_many_sealers_keeps_a_dictionary_and_only_one_that_pays(
    station: Station, store: Database, store_url: str
) -> None:
    for start in range(0, 300, 50):
        posted(station.client, built(station, range(start, start + 50)))
    seal = seal_journal(store, now=0).seal
    assert seal is not None

    def train() -> int | None:
        with closing(Database(store_url)) as another:
            return train_dictionary(another, seal, now=0)

    with ThreadPoolExecutor(4) as pool:
        kept = [one.result() for one in [pool.submit(train) for _ in range(4)]]
    assert sorted(kept, key=bool) == [None, None, None, 128]
    assert train_dictionary(store, seal, now=0) is None, "another packs no better"
    with store.write() as connection:
        add_dictionary(connection, 254, WORDS, 0)
    assert train() == 255, "those words are no good"
    assert train() is None, "all numbers are taken"


def test_stores_in_one_process_have_their_own(new_store: Callable[[], str]) -> None:
    urls = [new_store(), new_store()]
    for url, words in zip(urls, (WORDS, WORDS[::-1]), strict=True):
        with closing(Database(url)) as database, database.write() as connection:
            add_dictionary(connection, 128, words, 0)
        load(url)
    with ExitStack() as stack:
        clients = [stack.enter_context(httpx2.Client(base_url=stack.enter_context(running(url)))) for url in urls]
        stations = [Station(client) for client in clients]
        for number, one in enumerate(stations * 2):
            recorded(one.start(f"D{number}"))
        serials = [
            [entry["message"]["serial"] for entry in client.get("/v1/entries").json()["items"][1:]]
            for client in clients
        ]
    assert serials == [["D0", "D2"], ["D1", "D3"]]


UNLOCK = {
    "postgresql": ["ALTER TABLE dictionary DISABLE TRIGGER USER"],
    "sqlite": ["DROP TRIGGER dictionary_no_update", "DROP TRIGGER dictionary_no_delete"],
}


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ("DELETE FROM dictionary", "it needs dictionary 128 of the store, which is not there: put that back"),
        (
            "UPDATE dictionary SET content = CAST(sha256 AS BLOB)",
            "dictionary 128 of the store is not as it was made: put that back",
        ),
    ],
)
def test_entries_whose_dictionary_is_gone_are_named(
    change: str,
    words: str,
    station: Station,
    store: Database,
    store_url: str,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    with store.write() as connection:
        add_dictionary(connection, 128, WORDS, 0)
    entries = [recorded(station.start(f"D{number}"))["entry"] for number in range(3)]
    monkeypatch.setattr(training, "FEWEST", 1)
    seal = seal_journal(store, now=0).seal
    assert seal is not None
    if store.dialect == "postgresql":
        change = change.replace("BLOB", "bytea")
    with store.write() as connection:
        for statement in (*UNLOCK[store.dialect], change):
            connection.execute(text(statement))
    with closing(Database(store_url)) as another:
        assert train_dictionary(another, seal, now=0) is None, "the sample cannot be read"
    broken = checked(store_url, capsys)["broken_entries"]
    assert [one["entry"] for one in broken] == entries
    assert all(words in one["detail"] for one in broken)
    with running(store_url) as base_url, httpx2.Client(base_url=base_url) as client:
        answer = client.get(f"/v1/entries/{entries[0]}")
        assert (answer.status_code, words in answer.json()["detail"]) == (500, True)
        recorded(Station(client).start("D9"))
    assert packed_in(store)[-1][0] == 2, "recording goes on"
