from __future__ import annotations

import asyncio
import json
import multiprocessing
import random
import resource
import time
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor, wait
from contextlib import closing
from dataclasses import replace
from datetime import date
from hashlib import sha256
from pathlib import Path

import httpx2
import pytest
import typer
from hypothesis import given
from hypothesis import strategies as st
from sqlalchemy import select, text
from sqlalchemy.exc import DatabaseError
from typer.testing import CliRunner, Result

from api_tests import plant
from api_tests.faults.test_crowds import anything
from api_tests.plant import Json, Station, dryer, lot_of, motor, recorded, serial_of
from api_tests.servers import PostgreSQLStores
from partkin.actions.load_catalogue import load_catalogue
from partkin.actions.recorder import Recorder
from partkin.actions.rulebooks import Rulebooks
from partkin.actions.seal_journal import NotSealed, Sealed, seal_journal
from partkin.command_line import app
from partkin.command_line.asking import BadInput
from partkin.command_line.check import check
from partkin.exports.night import export_night
from partkin.questions.as_known import KEPT, AsKnown
from partkin.questions.seals import check_seals
from partkin.rules.catalogue import Part
from partkin.rules.catalogue.tables import KINDS, catalogue_of, rows_of
from partkin.rules.merkle_trees import MerkleTree
from partkin.store.cache_folder import default_folder
from partkin.store.database import Database, lock_out_recorders
from partkin.store.journal.entries import Entry, add_entries, next_numbers
from partkin.store.tables import entry, item
from partkin.web.reading import read_post

PROCESSES = multiprocessing.get_context("forkserver")
PROCESSES.set_forkserver_preload(["partkin.web.app", "uvicorn"])


@pytest.fixture(autouse=True)
def cache_folder(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path))


@pytest.fixture
def store(store_url: str) -> Iterator[Database]:
    with closing(Database(store_url)) as database:
        yield database


def now() -> int:
    return time.time_ns() // 1000


def seal(client: httpx2.Client) -> Json:
    """A new seal."""
    answer = client.post("/v1/seals")
    assert answer.status_code == 201, answer.text
    made: Json = answer.json()
    return made


# -- the tree


def merkle_tree_hash(leaves: Sequence[bytes]) -> bytes:
    """As RFC 9162, 2.1.1 defines it."""
    if len(leaves) <= 1:
        return sha256(b"\x00" + leaves[0] if leaves else b"").digest()
    k = 1
    while 2 * k < len(leaves):
        k *= 2
    return sha256(b"\x01" + merkle_tree_hash(leaves[:k]) + merkle_tree_hash(leaves[k:])).digest()


def root_of(leaves: Sequence[bytes]) -> bytes:
    tree = MerkleTree()
    for leaf in leaves:
        tree.add(leaf)
    return tree.root()


def test_roots_are_those_published(standards: Path) -> None:
    """Leaves and roots of the transparency-dev/merkle project, for the trees of RFC 6962, 2.1 and RFC 9162, 2.1."""
    vectors = json.loads((standards / "rfc" / "merkle" / "rfc6962-8-leaf-vectors.json").read_text())
    leaves = [bytes.fromhex(leaf) for leaf in vectors["leaf_inputs_hex"]]
    roots = [root_of(leaves[:size]).hex() for size in range(len(leaves) + 1)]
    assert roots == vectors["roots_by_size"]


@given(st.lists(st.binary(max_size=3), max_size=70))
def test_a_root_is_what_the_definition_says(leaves: list[bytes]) -> None:
    assert root_of(leaves) == merkle_tree_hash(leaves)


# -- seals


def test_a_seal_covers_what_was_recorded_since_the_last_one(service: httpx2.Client, store_url: str) -> None:
    nothing = service.post("/v1/seals")
    assert (nothing.status_code, nothing.json()["type"]) == (404, "/problems/not-found")
    plant.load(store_url)
    station = Station(service)
    first = seal(service)
    again = service.post("/v1/seals")
    assert (again.status_code, again.json()) == (200, first), "nothing was recorded since"
    recorded(station.start("D1"))
    assert station.start("D1").status_code == 409
    second = seal(service)
    assert [(one["seal"], one["entries"], one["last_entry"]) for one in (first, second)] == [(1, 1, 1), (2, 2, 3)]
    pages = [service.get("/v1/seals", params={"limit": 1, "cursor": cursor}).json() for cursor in (0, 1, 2)]
    assert [(page["items"], page["next"]) for page in pages] == [([first], 1), ([second], None), ([], None)]


def test_an_auditor_reckons_the_seals_from_the_nights_export(
    station: Station, service: httpx2.Client, store: Database, tmp_path: Path
) -> None:
    station.load_lots()
    lots_loaded = seal(service)
    station.finish("D1")
    service.post("/v1/units", content=b"{")
    recorded(station.hold(dryer("D1"), reason="“crack”, says Zoë \U0001f600"))
    seals = [lots_loaded, seal(service)]
    lines = [line for night in nights(service, store, tmp_path) for line in night.split(b"\n")[:-1]]
    chained = bytes(32)
    for one in seals:
        leaves, lines = lines[: one["entries"]], lines[one["entries"] :]
        assert json.loads(leaves[-1])["entry"] == one["last_entry"]
        root = merkle_tree_hash(leaves)
        chained = sha256(chained + root).digest()
        assert (one["entries"], one["root"], one["chained"]) == (len(leaves), root.hex(), chained.hex())
    assert lines == []


def nights(client: httpx2.Client, store: Database, folder: Path) -> Iterator[bytes]:
    """The journal as the nights export it."""
    entries = client.get("/v1/entries", params={"limit": 1000}).json()["items"]
    for day in sorted({one["recorded_at"][:10] for one in entries}):
        night = export_night(store, date.fromisoformat(day), folder, lambda *_: None, now=now(), even_if_not_over=True)
        yield (night / "journal.jsonl").read_bytes()


RUNNERS = 8
POSTS = 60


def post_units(url: str, runner: int) -> None:
    """Start units, some at a time, as one of several processes."""
    asyncio.run(_post_units(url, runner))


async def _post_units(url: str, runner: int) -> None:
    with closing(Database(url)) as database:
        rulebooks = Rulebooks(database)
        recorder = Recorder(database, rulebooks, batch_limit=256, clock_slack=0)
        recorder.start()
        for number in range(0, POSTS, 3):
            units = [{"serial": f"D{runner}-{number + more}", "part": "DRYER"} for more in range(3)]
            said = Station(httpx2.Client()).says(kind="unit-start", scan_point="L-10")
            messages = [{**said, **unit, "message_id": unit["serial"]} for unit in units]
            posts = [read_post(json.dumps(message).encode(), rulebooks.newest) for message in messages]
            outcomes = await asyncio.gather(*map(recorder.submit, posts))
            assert {outcome.status for outcome in outcomes} == {201}
        recorder.stop()


def test_what_is_sealed_while_processes_post_stays_as_it_is(store_url: str, store: Database) -> None:
    plant.load(store_url)
    seen: dict[int, list[int]] = {}
    with ProcessPoolExecutor(RUNNERS, PROCESSES) as pool:
        runners = [pool.submit(post_units, store_url, runner) for runner in range(RUNNERS)]
        while wait(runners, timeout=0.01).done != set(runners):
            made = seal_journal(store, now=now())
            assert made.seal is not None
            seen[made.seal.seal] = entries_to(store, made.seal.last_entry)
        for runner in runners:
            runner.result()
    last = seal_journal(store, now=now()).seal
    assert last is not None
    for number, ids in seen.items():
        assert entries_to(store, ids[-1]) == ids, f"seal {number} covers other entries now"
    assert len(entries_to(store, last.last_entry)) == RUNNERS * POSTS + 1
    checked = check_seals(store, lambda *_: None)
    assert (checked.last, checked.broken) == (last, None)
    assert len(seen) > 10


def entries_to(store: Database, last: int) -> list[int]:
    with store.read() as connection:
        return list(connection.scalars(select(entry.c.id).where(entry.c.id <= last).order_by(entry.c.id)))


def test_a_seal_waits_for_what_is_being_recorded(store_url: str, store: Database) -> None:
    plant.load(store_url)
    with ThreadPoolExecutor(1) as pool:
        with store.write() as connection:
            (number,) = next_numbers(connection, 1)
            sealing = pool.submit(seal_journal, store, now=now())
            assert not wait([sealing], timeout=0.3).done
            add_entries(connection, [entry_of(number)])
        sealed = sealing.result().seal
    assert sealed is not None
    assert (sealed.last_entry, sealed.entries) == (number, 2)


def test_a_recording_that_does_not_end_is_not_waited_for(
    postgresql_stores: PostgreSQLStores, monkeypatch: pytest.MonkeyPatch
) -> None:
    """On SQLite nobody at all could write meanwhile."""
    monkeypatch.setattr("partkin.actions.seal_journal.PATIENCE_SECONDS", 0)
    url = postgresql_stores.migrated()
    with closing(Database(url)) as store, closing(Database(url)) as other:
        with store.write() as connection:
            next_numbers(connection, 1)
            with pytest.raises(NotSealed, match="does not end"):
                seal_journal(other, now=now())
        assert seal_journal(other, now=now()) == Sealed(None, new=False), "it gave its number back"
    postgresql_stores.remove(url)


def test_no_number_is_drawn_while_recorders_are_locked_out(postgresql_stores: PostgreSQLStores) -> None:
    """SQLite has no sequence, and one writer at a time."""
    url = postgresql_stores.migrated()
    drawn = text("SELECT is_called FROM entry_numbers")

    def draw(other: Database) -> list[int]:
        with other.write() as connection:
            return list(next_numbers(connection, 3))

    with closing(Database(url)) as store, ThreadPoolExecutor(1) as pool:
        with store.write() as connection:
            lock_out_recorders(connection)
            drawing = pool.submit(draw, store)
            assert not wait([drawing], timeout=0.3).done
            assert connection.scalar(drawn) is False
        assert drawing.result() == [1, 2, 3]
    postgresql_stores.remove(url)


def entry_of(number: int) -> Entry:
    """What could not be read as a message."""
    return Entry(
        id=number,
        message_id=None,
        kind="unreadable",
        mode=None,
        outcome="unreadable",
        scan_point=None,
        operator=None,
        occurred_at=None,
        recorded_at=0,
        item_id=None,
        status=400,
        message='{"received":"?"}',
        answer="{}",
    )


def test_of_sealers_at_once_each_entry_gets_one_seal(store_url: str, store: Database) -> None:
    plant.load(store_url)
    with ThreadPoolExecutor(6) as pool:
        sealed = [one.result() for one in [pool.submit(seal_journal, store, now=now()) for _ in range(6)]]
    assert sorted(one.new for one in sealed) == [False] * 5 + [True]
    assert len({one.seal for one in sealed}) == 1


# -- what was changed behind the journal's back

UNLOCK = {
    "postgresql": ["ALTER TABLE entry DISABLE TRIGGER USER"],
    "sqlite": [f"DROP TRIGGER entry_no_{what}" for what in ("update", "replace", "delete")],
}
CHANGES = {
    "an answer": ("UPDATE entry SET texts = (SELECT texts FROM entry WHERE id = 4) WHERE id = 5", 2),
    "a status": ("UPDATE entry SET status = 409 WHERE id = 3", 1),
    "an operator": ("UPDATE entry SET operator = 'B2' WHERE id = 5", 2),
    "a scan point": ("UPDATE entry SET scan_point = 'L-20' WHERE id = 6", 3),
    "a station's clock": ("UPDATE entry SET occurred_at = occurred_at + 1000000 WHERE id = 2", 1),
    "our clock": ("UPDATE entry SET recorded_at = recorded_at + 1 WHERE id = 6", 3),
    "an entry that is gone": ("DELETE FROM entry WHERE id = 2", 1),
    "the last entry of a seal that is gone": ("DELETE FROM entry WHERE id = 3", 1),
    "the place of a seal": ("UPDATE seal SET last_entry = 4, entries = 1 WHERE seal = 2", 2),
    "a root": ("UPDATE seal SET root = (SELECT root FROM seal WHERE seal = 1) WHERE seal = 2", 2),
    "a chain": ("UPDATE seal SET chained = root WHERE seal = 1", 1),
    "a seal that is gone": ("DELETE FROM seal WHERE seal = 2", 3),
}


@pytest.mark.parametrize("change", CHANGES)
def test_the_first_seal_that_does_not_hold_is_named(
    change: str, station: Station, service: httpx2.Client, store: Database
) -> None:
    statement, broken = CHANGES[change]
    for number in range(1, 6):
        recorded(station.start(f"D{number}"))
        if number not in (1, 3):
            seal(service)
    assert check_seals(store, lambda *_: None).broken is None
    change_behind_the_journals_back(store, statement)
    found = check_seals(store, lambda *_: None).broken
    assert found is not None
    assert found.seal == broken
    refused = service.get("/v1/tree", params={"serial": "D1", "as_known_at": 3})
    assert (refused.status_code, str(found) in refused.json()["detail"]) == (500, True)


def change_behind_the_journals_back(store: Database, statement: str) -> None:
    with store.write() as connection:
        for unlock in UNLOCK[store.dialect]:
            connection.execute(text(unlock))
        assert connection.execute(text(statement)).rowcount == 1


def test_check_finds_an_entry_that_is_filed_otherwise_than_it_says(
    station: Station, store: Database, capsys: pytest.CaptureFixture[str]
) -> None:
    """Questions find entries by a column that no seal covers, as the answer says the same."""
    recorded(station.start("D1"))
    recorded(station.start("D2"))
    station.client.post("/v1/units", content=b"{")
    recorded(station.hold(motor("M1"), operator="B2"))
    check(str(store), as_json=True)
    capsys.readouterr()
    change_behind_the_journals_back(
        store, "UPDATE entry SET item_id = (SELECT item_id FROM entry WHERE id = 5) WHERE id = 3"
    )
    with pytest.raises(typer.Exit):
        check(str(store), as_json=True)
    (found,) = json.loads(capsys.readouterr().out)["listed"]
    assert (found["table"], found["entry"], list(found["kept"])) == ("entry", 3, ["item_id"])


def test_check_finds_a_sealed_entry_whose_operator_was_changed(
    station: Station, service: httpx2.Client, store: Database, capsys: pytest.CaptureFixture[str]
) -> None:
    """The message says the same as the column then, as it is restored from it."""
    entry = recorded(station.start("D1"))["entry"]
    seal(service)
    change_behind_the_journals_back(store, f"UPDATE entry SET operator = 'B2' WHERE id = {entry}")
    assert service.get(f"/v1/entries/{entry}").json()["message"]["operator"] == "B2"
    with pytest.raises(typer.Exit) as left:
        check(str(store), as_json=True)
    broken = json.loads(capsys.readouterr().out)["broken_seal"]
    assert (left.value.exit_code, broken["seal"]) == (1, 1)


# -- as known at a seal

SUSPECTS: list[Json] = (
    [{"items": [lot_of("SCREW", f"{lot}")]} for lot in range(4)]
    + [{"items": [motor(f"{number}"), serial_of("ROTOR", f"{number}")]} for number in range(4)]
    + [
        {"received": [{"supplier": "S1", "from": "2026-03-02T00:00:00Z", "to": "2026-03-03T00:00:00Z"}]},
        {"worked": [{"scan_point": "L-20", "from": "2026-03-02T00:00:00Z", "to": "2026-03-02T06:05:00Z"}]},
        {
            "worked": [
                {"operator": "B1", "instrument": "T1", "from": "2026-03-02T00:00:00Z", "to": "2026-03-03T00:00:00Z"}
            ]
        },
        {"serial_ranges": [{"part": "HEATER", "from": "1", "to": "4"}]},
    ]
)
MOMENT = "2026-03-02T06:05:00Z"
FORMS: list[dict[str, str]] = [{}, {"removed": "true"}, {"as_of": MOMENT, "format": "csv"}]

Answers = dict[str, tuple[int, bytes]]


def everything_asked(client: httpx2.Client, seal: int | None) -> Answers:
    """Every question about the few items that there are, in every form."""
    known = {} if seal is None else {"as_known_at": seal}
    answers = {}

    def keep(name: object, response: httpx2.Response) -> None:
        answers[str(name)] = (response.status_code, response.content)

    for number in range(8):
        for more in FORMS:
            params = {"part": "DRYER", "serial": f"{number}", **more}
            keep(params, client.get("/v1/tree", params={**params, **known}))
    for form in ("ndjson", "csv"):
        span = {"started_from": "2026-03-02T00:00:00Z", "started_to": "2026-03-03T00:00:00Z", "format": form}
        keep(span, client.get("/v1/trees", params={**span, **known, "removed": True}))
    for suspects in SUSPECTS:
        for body in ({"suspects": suspects}, {"suspects": suspects, "as_of": MOMENT}):
            for form in ("json", "csv"):
                keep((body, form), client.post("/v1/affected", json=body, params={**known, "format": form}))
    assert {status for status, _ in answers.values()} <= {200, 404, 422}
    return answers


def post(client: httpx2.Client, messages: Sequence[Json]) -> None:
    lines = "\n".join(map(json.dumps, messages))
    answer = client.post("/v1/messages", content=lines, headers={"Content-Type": "application/x-ndjson"})
    assert answer.status_code == 200, answer.text


def test_answers_at_a_seal_stay_what_they_were(service: httpx2.Client, store_url: str, store: Database) -> None:
    """Whatever is said later, also of the time before: removals, loadings, receipts, tests, holds, the catalogue."""
    plant.load(store_url)
    chance = random.Random(7)
    remembered: dict[int, Answers] = {}
    for _ in range(2):
        post(service, [anything(chance) for _ in range(80)])
        number = seal(service)["seal"]
        remembered[number] = everything_asked(service, None)
    rows = [row for kind in KINDS.values() for row in rows_of(plant.CATALOGUE, kind)]
    described = [replace(row, description=f"{row.description}, new") if isinstance(row, Part) else row for row in rows]
    load_catalogue(store, catalogue_of(described), operator="B1", now=now())
    today = everything_asked(service, None)
    for number, then in remembered.items():
        assert everything_asked(service, number) == then
        differing = [name for name, answer in then.items() if today[name] != answer]
        assert len(differing) > 10, "much of it is answered otherwise today"


def test_what_was_said_late_was_not_known_before(station: Station, service: httpx2.Client) -> None:
    """Reckoned by hand: a screw lot told an hour late, and a motor taken out later but as of before the seal."""
    station.load_lots()
    station.complete("D1")
    before = seal(service)["seal"]
    recorded(station.load(lot_of("SCREW", "S2"), "L-20", occurred_at=station.ago(60), mode="tell"))
    recorded(station.remove("D1", motor("M-D1"), occurred_at=station.ago(40), mode="tell"))
    after = seal(service)["seal"]
    recorded(station.start("D2"))

    def affected(item: Json, seal: int) -> list[tuple[str, bool]] | str:
        asked = {"suspects": {"items": [item]}}
        answer = service.post("/v1/affected", json=asked, params={"as_known_at": seal}).json()
        if "errors" in answer:
            return str(answer["errors"][0]["detail"])
        return [(unit["serial"], unit["inside"]) for unit in answer["certain"]]

    assert affected(lot_of("SCREW", "S1"), before) == [("D1", True)]
    assert affected(lot_of("SCREW", "S1"), after) == []
    assert "S2" in affected(lot_of("SCREW", "S2"), before), "nobody knew of this lot"
    assert affected(lot_of("SCREW", "S2"), after) == [("D1", True)]
    assert affected(motor("M-D1"), before) == [("D1", True)]
    assert affected(motor("M-D1"), after) == [("D1", False)]
    unknown = service.get("/v1/tree", params={"serial": "D2", "as_known_at": after})
    assert (unknown.status_code, unknown.json()["type"]) == (404, "/problems/unknown-item")


def test_a_seal_that_is_not_there_is_said(service: httpx2.Client, store_url: str) -> None:
    asked = {"suspects": {"items": [motor("M1")]}}
    span = {"started_from": "2026-03-02T00:00:00Z", "started_to": "2026-03-03T00:00:00Z"}

    def told() -> Iterator[str]:
        for answer in (
            service.get("/v1/tree", params={"serial": "D1", "as_known_at": 5}),
            service.get("/v1/trees", params={**span, "as_known_at": 5}),
            service.post("/v1/affected", json=asked, params={"as_known_at": 5}),
        ):
            (mistake,) = answer.json()["errors"]
            assert (answer.status_code, mistake["pointer"]) == (422, "/query/as_known_at")
            yield str(mistake["detail"])

    assert set(told()) == {"There is no seal 5: nothing has been sealed yet. GET /v1/seals lists them."}
    plant.load(store_url)
    seal(service)
    assert set(told()) == {"There is no seal 5: the newest is 1. GET /v1/seals lists them."}


SEALS = KEPT + 4


def ask_at_random(url: str, folder: Path, runner: int) -> None:
    """Ask which units were there at seals, as one of several processes."""
    chance = random.Random(runner)
    with closing(Database(url)) as store:
        for _ in range(25):
            number = chance.randint(1, SEALS)
            with AsKnown(store, number, folder, lambda *_: None).read() as connection:
                assert connection.scalars(select(item.c.code).order_by(item.c.id)).all() == units_at(number)


def units_at(seal: int) -> list[str]:
    return [f"D{number}" for number in range(1, seal + 1)]


def test_processes_share_the_rebuilt_books_and_keep_only_a_few(
    station: Station, service: httpx2.Client, store_url: str, tmp_path: Path
) -> None:
    for number in range(1, SEALS + 1):
        recorded(station.start(f"D{number}"))
        seal(service)
    folder = tmp_path / "cache"
    folder.mkdir()
    (folder / "partkin.db").write_text("another file")
    (folder / "1.as-known-partial").write_text("of one that was killed")
    with ProcessPoolExecutor(4, PROCESSES) as pool:
        list(pool.map(ask_at_random, [store_url] * 4, [folder] * 4, range(4)))
    names = [path.suffix for path in folder.iterdir() if not path.name.startswith(".")]
    assert sorted(names) == sorted([".db", *[".as-known"] * KEPT])


def ask_with_little_room(url: str, folder: Path) -> list[str]:
    """Ask again and again, with more room for a file each time; how it went."""
    went = []
    with closing(Database(url)) as store:
        for kibibytes in range(16, 1024, 64):
            resource.setrlimit(resource.RLIMIT_FSIZE, (kibibytes * 1024, resource.RLIM_INFINITY))
            try:
                known = AsKnown(store, 1, folder, lambda *_: None)
            except (OSError, DatabaseError):
                went.append("refused")
                assert not [path for path in folder.iterdir() if path.name.startswith("1")]
                continue
            with known.read() as connection:
                assert connection.scalars(select(item.c.code).order_by(item.c.id)).all() == units_at(40)
            went.append("answered")
            for file in folder.glob("1*"):
                file.unlink()
    return went


def test_books_are_rebuilt_whole_or_not_at_all(
    station: Station, service: httpx2.Client, store_url: str, tmp_path: Path
) -> None:
    for number in range(1, 41):
        recorded(station.start(f"D{number}"))
    seal(service)
    with ProcessPoolExecutor(1, PROCESSES) as pool:
        went = pool.submit(ask_with_little_room, store_url, tmp_path / "cache").result()
    assert went == sorted(went, reverse=True), "from refused to answered"
    assert set(went) == {"refused", "answered"}


def test_rebuilt_books_that_cannot_be_kept_are_said(station: Station, service: httpx2.Client, store: Database) -> None:
    recorded(station.start("D1"))
    seal(service)
    default_folder(store).write_text("a file where the folder should be")
    answer = service.get("/v1/tree", params={"serial": "D1", "as_known_at": 1})
    assert (answer.status_code, answer.json()["type"]) == (503, "/problems/store-unreachable")
    assert "PARTKIN_CACHE_FOLDER" in answer.json()["detail"]


def test_the_commands_do_the_same(station: Station, store: Database) -> None:
    def run(*arguments: str) -> Result:
        return CliRunner().invoke(app, [*arguments, "--store", str(store)])

    def asked(*more: str) -> list[str]:
        tree, affected = ["tree", "D1", "--json", *more], ["affected", "--serial", "MOTOR", "M-D1", "--json", *more]
        return [run(*command).stdout for command in (tree, affected)]

    station.load_lots()
    station.complete("D1")
    made = json.loads(run("seal", "--json").stdout)
    then = asked()
    recorded(station.remove("D1", motor("M-D1")))
    assert [one == two for one, two in zip(asked(), then, strict=True)] == [False, False]
    assert asked("--as-known-at", str(made["seal"])) == then
    last = json.loads(run("seal", "--json").stdout)
    assert (last["seal"], last["entries"]) == (made["seal"] + 1, 1)
    assert f"All 2 seals hold, up to entry {last['last_entry']}." in run("check").stdout
    assert "Nothing was recorded since" in run("seal").stdout
    unknown = run("tree", "D1", "--as-known-at", "9").exception
    assert isinstance(unknown, BadInput)
    assert str(unknown) == "--as-known-at: There is no seal 9: the newest is 2."
    change_behind_the_journals_back(store, f"UPDATE entry SET status = 409 WHERE id = {last['last_entry']}")
    found, told = run("check"), run("check", "--json")
    assert (found.exit_code, "Seal 2 does not hold: its root is" in found.stdout) == (1, True)
    assert (told.exit_code, json.loads(told.stdout)["broken_seal"]["seal"]) == (1, 2)
