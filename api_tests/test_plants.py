"""The plants of the benchmarks: their books are what their journals say, and the service goes on with them."""

from __future__ import annotations

import json
from collections import defaultdict
from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import dataclass, field
from itertools import pairwise

import httpx2
import pytest

from api_tests.benchmarks.plants.making import Maker
from api_tests.conftest import Stores
from api_tests.plant import Json, differences, recorded
from api_tests.servers import PostgreSQLStores, SQLiteStores, running
from api_tests.test_migrations import schema_of
from partkin.command_line.terminal import progress_bar
from partkin.store.database import Database
from partkin.store.journal.entries import Entry, read_entries

NEXT = "next"
"""A message that the service records after those that were made."""

Key = tuple[str, str]
"""Part, serial number or lot."""


def made(url: str, marriages: int, seed: int) -> str:
    """A plant in a store; the store's URL."""
    Maker(marriages, seed).make(url, progress_bar)
    return url


def journal(url: str) -> list[Entry]:
    with closing(Database(url)) as database, database.read() as connection:
        return list(read_entries(connection))


@pytest.fixture(scope="module")
def made_before() -> Iterator[dict[Stores, str]]:
    """Plants that tests share."""
    urls: dict[Stores, str] = {}
    yield urls
    for stores, url in urls.items():
        stores.remove(url)


def plant_in(stores: Stores, made_before: dict[Stores, str]) -> str:
    """A plant of some ten thousand marriages: shipped, packed and unfinished units; on each engine once."""
    if stores not in made_before:
        made_before[stores] = made(stores.empty(), 10_000, 7)
    return made_before[stores]


@pytest.fixture
def plant_url(stores: Stores, made_before: dict[Stores, str]) -> str:
    return plant_in(stores, made_before)


def test_books_are_what_the_journal_says_and_the_schema_is_whole(plant_url: str, new_store: Callable[[], str]) -> None:
    migrated, rebuilt = new_store(), new_store()
    plant, fresh = Database(plant_url), Database(migrated)
    with closing(plant), closing(fresh), plant.read() as left, fresh.read() as right:
        made_schema = schema_of(left)
        assert made_schema == schema_of(right)
    assert differences(plant_url, rebuilt) == []


def test_the_same_seed_gives_the_same_journal_on_both_engines(
    sqlite_stores: SQLiteStores, postgresql_stores: PostgreSQLStores, made_before: dict[Stores, str]
) -> None:
    first, second = (
        [entry for entry in journal(plant_in(stores, made_before)) if entry.message_id != NEXT]
        for stores in (sqlite_stores, postgresql_stores)
    )
    assert first == second
    another = journal(made(sqlite_stores.empty(), 1, 8))
    assert {one.message for one in another}.isdisjoint(one.message for one in first)


def test_a_plant_made_before_goes_on(plant_url: str) -> None:
    last = max(entry.id for entry in journal(plant_url))
    start = {"message_id": NEXT, "operator": "B1", "occurred_at": "2026-01-05T06:00:00Z", "scan_point": "C-ROTOR"}
    with running(plant_url) as base_url, httpx2.Client(base_url=base_url) as client:
        answer = recorded(client.post("/v1/units", json={**start, "part": "ROTOR"}))
    (issued,) = (fact for fact in answer["facts"] if fact["fact"] == "numbers issued")
    assert answer["entry"] > last
    assert answer["unit"]["serial"] == f"RT{issued['last']:09d}"


# -- the forward question, beside a plain reckoning from the facts in the journal


@dataclass
class Told:
    """What the facts of a journal say of marriages."""

    parents: dict[Key, list[int]] = field(default_factory=lambda: defaultdict(list))
    """Marriages by what went in."""
    marriage: dict[int, Json] = field(default_factory=dict)
    ended: dict[int, str] = field(default_factory=dict)
    draws: dict[tuple[str, str], list[tuple[str, int]]] = field(default_factory=lambda: defaultdict(list))
    """By scan point and position: moment and marriage."""


NEVER = "9999"
"""Later than any moment, as text."""


def key_of(item: Json) -> Key:
    return item["part"], item.get("serial") or item["lot"]


def told_by(entries: list[Entry]) -> Told:
    told = Told()
    for entry in entries:
        for fact in json.loads(entry.answer).get("facts", ()):
            if fact["fact"] == "married":
                told.parents[key_of(fact["child"])].append(fact["number"])
                told.marriage[fact["number"]] = fact
                if fact["drawn_at"] is not None:
                    use = fact["drawn_at"]["scan_point"], fact["drawn_at"]["position"]
                    told.draws[use].append((fact["started"], fact["number"]))
            elif fact["fact"] == "marriage ended":
                told.ended[fact["marriage"]] = fact["ended"]
    return told


def units_above(told: Told, marriages: list[int]) -> set[str]:
    """Units that were exposed by marriages: those at whose top the intervals of a path overlap."""
    found, paths = set(), [(number, "", NEVER) for number in marriages]
    while paths:
        number, since, until = paths.pop()
        fact = told.marriage[number]
        since, until = max(since, fact["started"]), min(until, told.ended.get(number, NEVER))
        if since < until and fact["parent_is_unit"]:
            found.add(fact["parent"]["serial"])
        elif since < until:
            paths += [(above, since, until) for above in told.parents[key_of(fact["parent"])]]
    return found


def near_changes(told: Told, slack: int) -> dict[Key, set[int]]:
    """Of each lot, the draws of one piece each that are so near to a change of lots that they may be of it."""
    found: dict[Key, set[int]] = defaultdict(set)
    for draws in told.draws.values():
        numbers = [number for _, number in sorted(draws)]
        lots = [key_of(told.marriage[number]["child"]) for number in numbers]
        for place, (old, new) in enumerate(pairwise(lots), start=1):
            if old != new:
                near = numbers[max(place - slack, 0) : place + slack]
                found[old].update(near)
                found[new].update(near)
    return found


@pytest.mark.parametrize(("part", "slack"), [("WIRE", 0), ("DOOR", 2)])
def test_the_forward_question_is_answered_as_the_facts_say(plant_url: str, part: str, slack: int) -> None:
    told = told_by(journal(plant_url))
    near = near_changes(told, slack)
    lots = [key for key in told.parents if key[0] == part and told.parents[key]]
    assert len(lots) > 2
    with running(plant_url) as base_url, httpx2.Client(base_url=base_url) as client:
        for lot in lots:
            suspects = {"items": [{"part": part, "lot": lot[1]}]}
            answer = client.post("/v1/affected", json={"suspects": suspects}, params={"limit": 1000}).json()
            certain = {row["serial"] for row in answer["certain"]}
            possible = {row["serial"] for row in answer["possible"]}
            assert certain == units_above(told, [one for one in told.parents[lot] if one not in near[lot]])
            assert possible == units_above(told, sorted(near[lot])) - certain
            assert certain | possible
