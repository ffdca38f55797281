"""`partkin demo`: a whole shift over HTTP, its incidents, its alarm, and the documentation's examples taken from it."""

from __future__ import annotations

import asyncio
import json
import subprocess
import sys
from collections import Counter
from datetime import UTC, date, datetime
from importlib.resources import files
from pathlib import Path
from typing import Any
from uuid import uuid4

import httpx2
import pytest

from api_tests import servers
from api_tests.conftest import Stores
from api_tests.write_examples import examples_of, play_first_unit
from partkin.command_line.asking import BadInput
from partkin.command_line.demo.alarm import remembered
from partkin.command_line.demo.containment.checks import drawn_of
from partkin.command_line.demo.containment.notes import Notes
from partkin.command_line.demo.floor import Floor
from partkin.command_line.demo.fresh_store import fresh_store
from partkin.command_line.demo.plant import Plant
from partkin.command_line.demo.shift import Shift
from partkin.command_line.demo.story import demo_data, read_story
from partkin.exports.catalogue_files import read_catalogue_folder
from partkin.rules.catalogue import Catalogue
from partkin.rules.identification import Labels, name_item, read_scan
from partkin.store.database import Database

UNITS = 24

INCIDENTS = (
    "refused, lot-expired",
    "refused, on-hold",
    "refused, wrong-part",
    "refused, check-character-wrong",
    "refused, already-installed",
    "refused, out-of-route-order",
    "refused, test-missing",
    "refused, floor-life-over",
    "into a container with a label of its own, K26-M1",
    "one DRV-301 is ordered with MO-311",
    "serial numbers of FW-HD8 reserved ahead",
    "NOISE failed",
    "into a carton: refused, test-failed",
    "into a carton: refused, test-missing",
    "into a carton: refused, test-stale",
    "into a carton: refused, on-hold",
    "into a carton: refused, gate-not-met",
    "refused, not-installed",
    "corrected, MOTOR is MO-311 MO00000101S and never was O00000102",
    "MOTOR is ",
    "FUNCTION, NOISE, SAFETY, SPEED repeated and passed",
    "MOTOR-BOARD is ",
    "moved there from DRV-301",
    "The tester's verdict on FW-HD8",
    "FUNCTION was not passed 3 times in a row",
    "the old one goes to failure analysis",
    "refused, calibration-overdue",
    "WB-31 is found out of its limits",
    "scrapped. Fell off the lift",
    "which was scrapped; the old one goes to failure analysis",
    "tells of 2 units at once",
    "tells of 3 units at once",
    "contradicts the books",
    "released by the quality engineer",
    "the same message again",
    "lot change at CAPACITOR",
    "The container runs out",
    "container taken down at CORD",
    "K26-3318 was up, not K26-3324-1; 2 draws booked anew",
    "K26-3324-3 is put up at feeder 2",
    "refused, reprint-needs-reason",
    "rating plate printed again",
    "out of its carton",
    "off shipment",
    "despatch: refused, on-hold",
    "to HOLLINDALE has left",
    "to MERROWBY has left",
    "to THRUSHCOTE has left",
    "came back from HOLLINDALE",
    "all tests passed again",
    "case CC-26-014 is opened and frozen",
    "told after the freeze, FW-HD8 HD800000152 and FW-HD8 HD80000016Z are listed and on hold at once",
    "revision 2 suspects all made on",
    "not accounted for: -6 of K26-3324, 3 of K26-3324-1, 10 of K26-3324-2",
    "the lead of K26-3324-2 points to DR-010: 4 pieces found at DR-RW",
    "and a check of each (level A)",
    "corrected in the field",
    "use as is, by concession CN-26-031",
    "reworked and tested again",
    "all verified good",
    "case CC-26-014 is closed",
    "a recall is rehearsed",
    "case CC-26-015 is opened, frozen and left so",
)


def run(*arguments: str) -> subprocess.CompletedProcess[str]:
    partkin = Path(sys.executable).with_name("partkin")
    return subprocess.run(
        [partkin, "demo", "--once", "--port", "0", *arguments], capture_output=True, text=True, check=False
    )


def build_in_what_is_in_stock(client: httpx2.Client) -> None:
    """What a reader tries after the demo: a unit gets a module that was reworked in the case of the bad lot."""

    def post(address: str, **members: Any) -> httpx2.Response:
        now = datetime.now(UTC).isoformat()
        envelope = {"message_id": str(uuid4()), "operator": "B-2101", "occurred_at": now, "scan_point": "L1-010"}
        return client.post(f"/v1/{address}", json={**envelope, **members})

    unit = post("units", part="FW-HD8").json()["unit"]
    del unit["state"]
    wrong = post("marriages", unit=unit, components=[{"item": "]C0DM10000091W"}])
    assert (wrong.status_code, wrong.json()["reasons"][0]["type"]) == (409, "/problems/wrong-part")
    pump = "[)>\x1e06\x1d1POV-P47\x1dSP4711\x1e\x04"
    right = [{"item": scan} for scan in ("]C030100000919", "]C0HP20000091R", pump)]
    assert post("marriages", unit=unit, components=right).status_code == 201
    suspects = {"items": [{"part": "CA-330", "lot": "K26-3324"}]}
    affected = client.post("/v1/affected", json={"suspects": suspects}).json()
    rows = [*affected["certain"], *affected["possible"]]
    assert rows
    assert unit not in [{"part": row["part"], "serial": row["serial"]} for row in rows]


@pytest.fixture(scope="module")
def catalogue() -> Catalogue:
    return read_catalogue_folder(demo_data() / "catalogue")


@pytest.fixture
def plant(catalogue: Catalogue) -> Plant:
    return Plant(catalogue, read_story(), date(2026, 11, 25))


def test_a_shift_is_played_with_every_incident_and_the_alarm_is_answered(empty_store_url: str) -> None:
    ran = run("--store", empty_store_url, "--units", str(UNITS))
    assert ran.returncode == 0, ran.stderr
    assert [incident for incident in INCIDENTS if incident not in ran.stdout] == []
    # It fails by itself where the answer differs from what the stations noted, or the books from the journal.
    assert "name the same units" in ran.stdout
    assert "notes say the same" in ran.stdout
    assert "named the same units, holds and missing pieces" in ran.stdout
    assert "no difference" in ran.stdout
    with servers.running(empty_store_url) as url, httpx2.Client(base_url=url) as client:
        units: list[dict[str, Any]] = client.get("/v1/units", params={"limit": 1000}).json()["items"]
        holds: list[dict[str, Any]] = client.get("/v1/holds").json()["items"]
        closed = client.get("/v1/cases/CC-26-014").json()
        left_open = client.get("/v1/cases/CC-26-015/things").json()
        build_in_what_is_in_stock(client)
    assert len(units) == UNITS
    states = Counter(unit["state"] for unit in units)
    assert states == {"shipped": 12, "packed": 3, "in work": 8, "scrapped": 1}
    of_case = [thing for thing in left_open["items"] if thing["held"]]
    assert [hold["item"] for hold in holds if "case" not in hold["reason"]] == [{"part": "TC-450", "lot": "T26-0549"}]
    assert of_case
    assert len(holds) == 1 + len(of_case)
    assert (closed["status"], closed["counts"]["held"], closed["decisions"].get("none yet")) == ("closed", 0, None)


def test_the_notes_of_the_floor_are_reckoned_by_hand(plant: Plant) -> None:
    # DR-010 has a changeover slack of one piece: the last and the first piece at a change may be of either lot.
    good, bad, later = (plant.lot("CA-330", lot) for lot in ("K26-3311", "K26-3324", "K26-3340"))
    lots = [good, good, bad, bad, bad, later]
    drawn = {("DR-010", "CAPACITOR"): [(module, (lot,)) for module, lot in zip("abcdef", lots, strict=True)]}
    holders = {"b": {("U", "2")}, "c": {("U", "3")}, "d": {("U", "4"), ("U", "5")}, "f": {("U", "6")}}
    certain, possible = remembered(plant, drawn, holders, ["K26-3324"])
    assert certain == {("U", "4"), ("U", "5")}
    assert possible == {("U", "2"), ("U", "3"), ("U", "6")}


def test_the_notes_of_containers_and_feeders_are_reckoned_by_hand(plant: Plant) -> None:
    # K26-3324-1 and -2 hold K26-3324 alone, K26-M1 also another lot; K26-3340 is beside one of them at feeder 2.
    one, two, mixed, good = (plant.lot("CA-330", lot) for lot in ("K26-3324-1", "K26-3324-2", "K26-M1", "K26-3340"))
    up = [(one,)] * 3 + [(mixed,)] * 3 + [(two, good)] * 3 + [(good,)] * 3
    drawn = {("DR-010", "CAPACITOR"): list(zip("abcdefghijkl", up, strict=True))}
    certain, possible = remembered(plant, drawn, {module: {("U", module)} for module in "abcdefghijkl"}, ["K26-3324"])
    assert {code for _, code in certain} == {"a", "b"}
    assert {code for _, code in possible} == set("cdefghij")


async def notes_of(plant: Plant) -> Notes:
    async with httpx2.AsyncClient() as client:
        start = datetime(2026, 11, 25, 6, tzinfo=UTC)
        floor = Floor(client, start=start, seed=1, badges=plant.story.badges, tell=lambda *_: None)
        return Notes(Shift(floor, plant, UNITS, lambda: None))


def test_the_notes_of_pieces_are_reckoned_by_hand(plant: Plant) -> None:
    # 24 units and two spare modules take 26 pieces: 5 of K26-3324-1, 8 of -2, 1 of M1, and 25 more are put into each.
    # -3 is not touched, and 25 of it are put up; 13 of the 26 in M1 are of the lot, below the others.
    notes = asyncio.run(notes_of(plant))
    one, two, three, mixed = (plant.lot("CA-330", lot) for lot in ("K26-3324-1", "K26-3324-2", "K26-3324-3", "K26-M1"))
    assert notes.work.supplies.pieces[notes.lot] == 30 + 33 + 50 + 13
    up = [(one,)] * 5 + [(two,)] * 8 + [(mixed,)]
    notes.work.floor.drawn["DR-010", "CAPACITOR"] = list(zip("abcdefghijklmn", up, strict=True))
    assert notes.holding() == set("abcdefghijklm")
    lots = (notes.lot, one, two, three, mixed)
    assert set(lots[1:]) == set(notes.containers)
    assert [notes.lying(lot) for lot in lots] == [6, 30 - 5 - 3, 33 - 6 - 8 - 4, 50, 26 - 1]
    assert [notes.missing(lot) + notes.typed_too_many(lot) for lot in lots] == [-6, 3, 10, 0, 0]


@pytest.mark.parametrize(("units", "drawn"), [(1000, 258), (30, 19), (1, 1)])
def test_how_many_to_draw_is_reckoned_anew(units: int, drawn: int) -> None:
    # 258 of 1,000 for 1 % is common practice in acceptance sampling; the others: C(27, 19) / C(30, 19) is 165 / 4060,
    # and one piece fewer, 220 / 4060, is more than 5 %.
    assert drawn_of(units, 0.95, 0.01 if units == 1000 else 0.1) == drawn


def test_every_label_of_the_demo_names_its_part_and_nothing_else(plant: Plant) -> None:
    labels = Labels(plant.catalogue.parts)
    for part in plant.catalogue.parts:
        if part.trace == "none":
            continue
        numbers = (1, 59, 60, 101, 3499, 50_400)
        printed = (
            [plant.serial(part.part, number) for number in numbers]
            if part.trace == "serial"
            else [label for labels, _ in plant.lots(part.part) for label in labels]
        )
        for label in printed:
            (named,) = name_item(read_scan(label.scan), labels, today=plant.day)
            assert (named.part, named.serial if part.trace == "serial" else named.lot) == (label.part, label.code)


@pytest.mark.parametrize("what", ["a store that people work with", "a file of another kind"])
def test_a_store_that_no_demo_made_is_left_alone(what: str, sqlite_stores: Stores, tmp_path: Path) -> None:
    url = sqlite_stores.migrated() if what.startswith("a store") else f"sqlite:///{tmp_path / 'notes.db'}"
    file = Path(url.removeprefix("sqlite:///"))
    if not what.startswith("a store"):
        file.write_text("Not a database, and nobody else's business.\n" * 100)
    before = file.read_bytes()
    ran = run("--store", url)
    assert ran.returncode == 2
    assert "is left alone" in ran.stderr
    assert file.read_bytes() == before


def test_an_earlier_demo_gives_way_to_the_next(empty_store_url: str, catalogue: Catalogue) -> None:
    fresh_store(empty_store_url, catalogue).close()
    fresh_store(empty_store_url, catalogue).close()
    database = Database(empty_store_url)
    with database.read() as connection:
        assert connection.exec_driver_sql("SELECT count(*) FROM entry").scalar() == 1
    database.close()


def test_a_store_of_others_on_the_same_server_is_left_alone_too(store_url: str, catalogue: Catalogue) -> None:
    with pytest.raises(BadInput, match="left alone"):
        fresh_store(store_url, catalogue)


def test_the_examples_of_the_documentation_are_what_the_service_answers(store_url: str) -> None:
    kept = json.loads(files("partkin.web").joinpath("examples.json").read_text("utf-8"))
    with servers.running(store_url) as url:
        played = dict(examples_of(play_first_unit(store_url, url)))
    for example in (*kept.values(), *played.values()):
        del example["answer"]["recorded_at"]  # the service's own clock
    assert played == kept
