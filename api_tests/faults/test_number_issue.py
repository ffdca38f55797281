"""Eight processes issue 100,000 numbers while they are killed again and again: none is given twice, none is wrong.

Check characters are computed with python-stdnum.
"""

from __future__ import annotations

import asyncio
import json
import multiprocessing
import random
import time
from collections.abc import Iterable, Iterator
from dataclasses import replace
from multiprocessing.process import BaseProcess
from pathlib import Path

from sqlalchemy import select
from stdnum import luhn
from stdnum.iso7064 import mod_37_36

from api_tests.plant import CATALOGUE, Json, differences, facts
from api_tests.servers import SQLiteStores
from partkin.actions.load_catalogue import load_catalogue
from partkin.actions.recorder import Recorder
from partkin.actions.rulebooks import Rulebooks
from partkin.rules.catalogue import Numbering, Part
from partkin.store import tables
from partkin.store.database import Database
from partkin.store.journal.entries import read_entries
from partkin.web.reading import read_post

RUNNERS = 8
KILLS = 20
NUMBERS = 100_000
STARTS = 250
"""Units that each process starts; all other numbers come in blocks of up to 1000."""

STARTS_AT_ONCE = 5

PROCESSES = multiprocessing.get_context("forkserver")
PROCESSES.set_forkserver_preload(["partkin.web.app", "uvicorn"])

WHOLE = "\t"
"""Ends a line of a file that was written to its end."""

NUMBERINGS = (
    Numbering("DRYERS", "running", 6, prefix="D", date="date", check="iso7064-mod-37-36"),
    Numbering("PLATES", "random", 8, prefix="7", check="luhn"),
)
BLOCKS_OF = ("DRYER", "DRYER-2", "DRYER", "PLATE")
"""The first two share a scheme."""


def load(url: str) -> None:
    """The test plant, with schemes that have numbers enough."""
    others = tuple(row for row in CATALOGUE.numberings if row.scheme != "DRYERS")
    plate = Part("PLATE", "Rating plate", "serial", made=True, sold=False, numbering="PLATES")
    new = replace(CATALOGUE, numberings=(*others, *NUMBERINGS), parts=(*CATALOGUE.parts, plate))
    database = Database(url)
    load_catalogue(database, new, operator="B1", now=0)
    database.close()


# -- one process


def batches(runner: int) -> Iterator[list[Json]]:
    """What a process posts, in batches: always the same, so that one that was killed is followed by another."""
    chance = random.Random(runner)
    starts = [start(runner, number) for number in range(STARTS)]
    sizes = list(block_sizes(NUMBERS // RUNNERS - STARTS, chance))
    together = [starts[first : first + STARTS_AT_ONCE] for first in range(0, STARTS, STARTS_AT_ONCE)]
    together += [[block(runner, number, count, chance)] for number, count in enumerate(sizes)]
    chance.shuffle(together)
    yield from together


def block_sizes(left: int, chance: random.Random) -> Iterator[int]:
    while left:
        count = min(left, chance.choice([1, 10, 1000, 1000, 1000]))
        yield count
        left -= count


def start(runner: int, number: int) -> Json:
    part = "DRYER" if number % 2 else "DRYER-2"
    return said("unit-start", f"start-{runner}-{number}", scan_point="L-10", part=part)


def block(runner: int, number: int, count: int, chance: random.Random) -> Json:
    part = chance.choice(BLOCKS_OF)
    return said("number-block", f"block-{runner}-{number}", part=part, count=count, reason="line goes offline")


def said(kind: str, message_id: str, **more: object) -> Json:
    head = {"message_id": message_id, "operator": "B1", "occurred_at": "2026-03-02T06:00:00Z"}
    return {"kind": kind, **head, **more}


def issue(url: str, runner: int, answered: Path) -> None:
    """Post batch after batch, and write each answer to a file; one that was killed goes on where its file ends."""
    asyncio.run(_issue(url, runner, answered))


async def _issue(url: str, runner: int, answered: Path) -> None:
    database = Database(url)
    rulebooks = Rulebooks(database)
    recorder = Recorder(database, rulebooks, batch_limit=256, clock_slack=0)
    recorder.start()
    done = set(answers_in(answered))
    with answered.open("a", encoding="ascii") as file:
        file.write("\n")
        for batch in batches(runner):
            messages = [message for message in batch if message["message_id"] not in done]
            posts = [read_post(json.dumps(message).encode(), rulebooks.newest) for message in messages]
            for outcome in await asyncio.gather(*map(recorder.submit, posts)):
                file.write(outcome.answer + WHOLE + "\n")
            file.flush()
    recorder.stop()
    database.close()


def answers_in(file: Path) -> dict[str, Json]:
    """The answers in a file, by message; a line at which the process was killed may be torn."""
    whole: dict[str, Json] = {}
    for line in file.read_text(encoding="ascii").splitlines() if file.exists() else ():
        if line.endswith(WHOLE):
            answer = json.loads(line)
            whole[answer["message_id"]] = answer
    return whole


# -- all of them


def test_no_number_is_given_twice_whoever_is_killed(
    store_url: str, sqlite_stores: SQLiteStores, tmp_path: Path
) -> None:
    load(store_url)
    files = [tmp_path / f"{runner}.jsonl" for runner in range(RUNNERS)]
    run_and_kill(store_url, files)
    answers = [answer for file in files for answer in answers_in(file).values()]
    given = numbers_in(answers)
    assert len(given) == len(set(given)) == NUMBERS
    assert_each_is_right(given)
    assert_journal_and_books_have(store_url, given)
    assert differences(store_url, sqlite_stores.migrated()) == []


def run_and_kill(url: str, files: list[Path]) -> None:
    """Let all processes run to their end; kill them on the way, one after another, and begin them again."""
    chance = random.Random(5)

    def begin(runner: int) -> BaseProcess:
        process = PROCESSES.Process(target=issue, args=(url, runner, files[runner]))
        process.start()
        return process

    running = [begin(runner) for runner in range(RUNNERS)]
    killed = 0
    for kill in range(KILLS):
        time.sleep(chance.uniform(0, 0.1))
        runner = kill % RUNNERS
        running[runner].kill()
        running[runner].join()
        killed += running[runner].exitcode == -9  # one may come to its end before it can be killed
        running[runner] = begin(runner)
    assert killed >= KILLS // 2
    for process in running:
        process.join()
    assert [process.exitcode for process in running] == [0] * RUNNERS


def numbers_in(answers: Iterable[Json]) -> list[str]:
    return [number for answer in answers for fact in facts(answer, "numbers issued") for number in fact["numbers"]]


def assert_each_is_right(numbers: list[str]) -> None:
    dryers = [number for number in numbers if number.startswith("D")]
    plates = [number for number in numbers if number.startswith("7")]
    assert len(dryers) + len(plates) == NUMBERS
    assert min(len(dryers), len(plates)) > NUMBERS // 10
    assert {number[:7] for number in dryers} == {"D260302"}
    assert sorted(number[7:-1] for number in dryers) == [f"{body:06}" for body in range(1, len(dryers) + 1)]
    assert all(mod_37_36.is_valid(number) for number in dryers)
    assert {len(number) for number in plates} == {10}
    assert all(luhn.is_valid(number) for number in plates)


def assert_journal_and_books_have(url: str, given: list[str]) -> None:
    """The same numbers once each, and nothing else."""
    database = Database(url)
    with database.read() as connection:
        entries = [json.loads(entry.answer) for entry in read_entries(connection) if entry.kind != "catalogue"]
        started = list(connection.scalars(select(tables.item.c.code)))
        random_ones = list(connection.scalars(select(tables.issued_number.c.number)))
        counters = connection.execute(select(tables.number_counter)).all()
    database.close()
    assert sorted(numbers_in(entries)) == sorted(given)
    assert len(started) == len(set(started)) == RUNNERS * STARTS
    assert set(started) <= set(given)
    assert sorted(random_ones) == sorted(number for number in given if number.startswith("7"))
    assert [tuple(row) for row in counters] == [("DRYERS", "260302", len(given) - len(random_ones))]
