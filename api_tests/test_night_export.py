from __future__ import annotations

import csv
import filecmp
import hashlib
import json
import re
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import httpx2
import pytest
import rfc8785

from api_tests import plant, servers
from api_tests.cases import CONCESSION, decide, frozen, turn
from api_tests.plant import Json, Station, dryer, heater, lot_of, motor, recorded
from partkin.exports.fact_sheets import headers
from partkin.exports.night import DAY, MARGIN, export_night
from partkin.exports.whole_folder import ExportRefused, whole_folder
from partkin.rules.catalogue.tables import KINDS, row_cells, rows_of
from partkin.rules.moments import Moment, datetime_of, moment_of_text, start_of_day
from partkin.store.database import Database
from partkin.store.journal.entries import Entry, add_entries, next_numbers

CATALOGUE_DAY = date(1970, 1, 1)
"""The day on which the plant's catalogue was loaded."""

LATER: Moment = 4_000_000_000_000_000
"""A moment at which every night of these tests is over."""


@dataclass
class NumberedStation(Station):
    """A station whose messages are numbered, so that it says the same in every test run."""

    said: int = 0

    def says(self, /, **said: Any) -> Json:
        self.said += 1
        return super().says(**{"message_id": f"M{self.said}", **said})


WAVE = b"0.0,0.1,0.4,0.1"
"""A measurement of a tester, as it attaches it."""


def work(client: httpx2.Client, store_url: str) -> None:
    """A day in the plant that makes every kind of fact true, and has refusals and what cannot be read."""
    number_as_once(store_url)
    station = NumberedStation(client)
    build(station)
    rework(station)
    correct(station)
    contain(station, *deliver(station))
    assert station.marry("D2", "L-10", heater("H-D1-1")).status_code == 409
    assert client.post("/v1/marriages", content=b'{"half": \x00').status_code == 400


def number_as_once(store_url: str) -> None:
    """An entry of the days before numbering schemes, when parts had running numbers."""
    database = Database(store_url)
    with database.write() as connection:
        (number,) = next_numbers(connection, 1)
        fact = '{"fact":"number issued","part":"PUMP","running":1}'
        answer = f'{{"entry":{number},"facts":[{fact}],"outcome":"recorded"}}'
        unread = entry_of(number, time.time_ns() // 1000)
        started = replace(unread, kind="unit-start", message='{"kind":"unit-start"}', outcome="recorded", status=201)
        add_entries(connection, [replace(started, answer=answer)])
    database.close()


def build(station: NumberedStation) -> None:
    station.load_lots()
    recorded(station.load(lot_of("SCREW", "S5"), "L-20", feeder="2", quantity=500))
    order = {"order": "O1", "sequence": 1, "part": "DRYER", "serial": "D1"}
    parts = [{"position": "MOTOR", "part": "MOTOR"}]
    recorded(station.post("build-orders", line="L", orders=[{**order, "due": "2026-03-09", "parts": parts}]))
    station.finish("D1")
    station.receive("CARTON", lot="C1", quantity=5, expires_on="2027-01-31", delivery_note='No. 7, "second"')
    recorded(station.receive("ROTOR", serials=["R8"]))
    recorded(station.receive("ROTOR", serials=["R8"], lot="RL8", mode="tell"))
    recorded(station.transfer(lot_of("CARTON", "C1-A"), (lot_of("CARTON", "C1"), 20)))


def rework(station: NumberedStation) -> None:
    station.remove("D1", motor("M-D1"), destination="scrap", reason="noisy, says Zoë — see “list”")
    hold = recorded(station.hold(dryer("D1")))
    station.release(plant.facts(hold, "held")[0]["number"])
    recorded(station.dispose(heater("H9"), "failure analysis"))
    station.complete("D2")
    digest = hashlib.sha256(WAVE).hexdigest()
    station.client.put(f"/v1/attachments/{digest}", content=WAVE, headers={"Content-Type": "text/csv"})
    station.calibrate(certificate="K-17")
    failed = [{"characteristic": "EARTH", "value": 1e-7}, {"characteristic": "VISUAL", "good": False}]
    recorded(station.test("D2", failed, attachments=[digest], verdict="pass", revision="B"))


def correct(station: NumberedStation) -> None:
    late = station.ago(25)  # before D2 took its screws
    recorded(station.load(lot_of("SCREW", "S0"), "L-20", mode="tell", occurred_at=late))
    load = plant.number_of(station.load(lot_of("SCREW", "S2"), "L-20", feeder="2", returned=480), "loaded")
    recorded(station.correct(load, lot=lot_of("SCREW", "S3")))
    removal = plant.number_of(station.remove("D2", heater("H-D2-1")), "removed")
    recorded(station.correct(removal))


def deliver(station: NumberedStation) -> tuple[Json, Json]:
    """Two units leave, and the second comes back."""
    pump = station.pump()
    recorded(station.post("labels", items=[pump], label="component"))
    recorded(station.post("labels", items=[pump], label="component", reason="torn off"))
    box = station.box(gone := station.second_model(), unit := station.second_model())
    recorded(station.ship("load", box))
    recorded(station.ship("unload", box))
    recorded(station.ship("load", box))
    recorded(station.ship("despatch", delivery_note="No. 8"))
    recorded(station.take_back(unit, consignee="SHOP-1"))
    return gone, unit


def contain(station: NumberedStation, *units: Json) -> None:
    """Two units are suspected, a motor that was taken out, and for a while a lot that is up; and a drill."""
    recorded(station.post("stock-counts", lot=lot_of("SCREW", "S3"), quantity=470))
    suspects = [*units, motor("M-D1")]
    frozen(station, items=[*suspects, lot_of("SCREW", "S3")])
    reason = 'The supplier says:\r\nnot this lot, and "not that".'
    recorded(turn(station, "freeze", suspects={"items": suspects}, reason=reason))
    recorded(turn(station, "freeze", suspects={"items": [*suspects, lot_of("SCREW", "S3")]}, reason="it is"))
    sort(station, *units)
    recorded(decide(station, "use as is", dryer("D1"), **CONCESSION))
    recorded(decide(station, "scrap", motor("M-D1"), lot_of("SCREW", "S3")))
    recorded(station.dispose(lot_of("SCREW", "S3"), "scrap", quantity=470))
    tell_consignees(station)
    recorded(turn(station, "close", reason="all is done", unaccounted="swept up"))
    recorded(turn(station, "reopen", reason="one is left"))
    steps = [{"step": "draw a suspect", "milliseconds": 1.5}, {"step": "find the units", "milliseconds": 20}]
    found = {"certain": 2, "possible": 0, "consignees": 1, "received": 500, "accounted": 470}
    recorded(station.post("drills", seed="drill 2026", suspects={"items": suspects[:1]}, steps=steps, **found))


def sort(station: NumberedStation, *units: Json) -> None:
    said = {"listed": "certain", "part": "DRYER-2", "rule": "all", "seed": "night 2026"}
    recorded(station.post("sortings", case="C1", sorting="S1", **said))
    clean = {"part": "DRYER", "from": "2026-03-02T05:00:00Z"}
    recorded(station.post("sortings", case="C1", sorting="S2", clean=clean, rule="success run", seed="night 2027"))
    digest = hashlib.sha256(WAVE).hexdigest()
    for unit in units:
        recorded(station.post("inspections", case="C1", sorting="S1", item=unit, good=True, attachments=[digest]))
    recorded(station.post("inspections", case="C1", sorting="S2", item=dryer("D2"), good=False, found="cracked"))
    recorded(decide(station, "verified good", *units, sorting="S1"))


def tell_consignees(station: NumberedStation) -> None:
    about = {"case": "C1", "consignee": "SHOP-1"}
    recorded(station.post("notices", action="sent", how="letter", copy=hashlib.sha256(WAVE).hexdigest(), **about))
    recorded(station.post("notices", action="answered", on_hand=1, corrected=0, found="one is sold", **about))
    recorded(station.post("notices", case="C1", action="plan", level="B", share=0.5, seed="night 2028"))
    recorded(station.post("notices", action="checked", effective=True, **about))


@pytest.fixture
def worked(service: httpx2.Client, store_url: str) -> httpx2.Client:
    plant.load(store_url)
    work(service, store_url)
    return service


def entries(client: httpx2.Client) -> list[Json]:
    listed: list[Json] = client.get("/v1/entries", params={"limit": 1000}).json()["items"]
    return listed


def days(client: httpx2.Client) -> list[date]:
    """The days on which something was recorded; the tests may run over midnight."""
    return sorted({date.fromisoformat(entry["recorded_at"][:10]) for entry in entries(client)})


def exported(store_url: str, day: date, folder: Path, now: Moment = LATER) -> Path:
    database = Database(store_url)
    try:
        return export_night(database, day, folder, lambda _done, _of: None, now=now)
    finally:
        database.close()


def test_a_day_that_goes_on_can_be_exported_so_far(worked: httpx2.Client, store_url: str, tmp_path: Path) -> None:
    third = moment_of_text(entries(worked)[2]["recorded_at"])
    day = datetime_of(third).date()
    database = Database(store_url)
    night = export_night(database, day, tmp_path, lambda *_: None, now=third, even_if_not_over=True)
    database.close()
    manifest = json.loads((night / "manifest.json").read_bytes())
    assert manifest["recorded_before"] == entries(worked)[2]["recorded_at"]
    assert (manifest["entries"], manifest["last_entry"]) in {(1, 2), (0, None)}, "the third one is not in it"


@pytest.fixture
def nights(worked: httpx2.Client, store_url: str, tmp_path: Path) -> list[Path]:
    return [exported(store_url, day, tmp_path / "nights") for day in days(worked)]


def rows(nights: list[Path], file: str) -> Iterator[dict[str, str]]:
    for night in nights:
        with (night / file).open(newline="", encoding="utf-8") as opened:
            yield from csv.DictReader(opened, strict=True)


def kind_of(message: Json) -> str:
    """Of an entry, by its message; what a case lists has no message but says because of which entry it does."""
    return "case-list" if message.keys() == {"because"} else str(message["kind"])


def test_the_lines_are_canonical_and_all_nights_are_the_whole_journal(
    nights: list[Path], worked: httpx2.Client
) -> None:
    lines = [line for night in nights for line in (night / "journal.jsonl").read_bytes().splitlines(keepends=True)]
    said = [json.loads(line) for line in lines]
    assert lines == [rfc8785.dumps(entry) + b"\n" for entry in said]
    assert [
        {name: entry[name] for name in shown} for entry, shown in zip(said, entries(worked), strict=True)
    ] == entries(worked)
    for entry in said:
        assert entry.get("message_id") == entry["answer"].get("message_id")
        assert entry["kind"] == ("unreadable" if entry["outcome"] == "unreadable" else kind_of(entry["message"]))
    assert {entry["outcome"] for entry in said} == {"recorded", "refused", "unreadable"}


PREFIXES = {
    **dict.fromkeys(("item", "use", "lot"), ""),
    **{name: f"{name}_" for name in ("parent", "child", "drawn_at", "source", "target")},
}


AS_JSON = {"suspects", "clean"}
"""What stands in one cell as canonical JSON."""


def columns_of(fact: Json) -> dict[str, str]:
    """What a row must say of a fact; what is null or empty has an empty cell."""
    said: dict[str, str] = {}
    for name, value in fact.items():
        if name in PREFIXES and not isinstance(value, str):
            said |= {PREFIXES[name] + inner: text for inner, text in (value or {}).items()}
        elif value is not None and (name in AS_JSON or not isinstance(value, list | dict)) and name != "fact":
            said[name] = value if isinstance(value, str) else rfc8785.dumps(value).decode()
    return {name: cell for name, cell in said.items() if cell}


def listed_in(fact: Json) -> Iterator[Json]:
    """What a fact lists has a row each, which says what it belongs to."""
    for one in fact.get("measured", ()):
        yield {"test_run": fact["number"], **one}
    of_run = fact["fact"] == "tested"
    for digest in fact.get("attachments", ()):
        yield {"test_run" if of_run else "inspection": fact["number"], "sha256": digest}
    for serial in fact.get("serials", ()):
        yield {"receipt": fact["number"], "part": fact["part"], "serial": serial}
    for number in fact.get("numbers", ()):
        yield {"scheme": fact["scheme"], "period": fact["period"], "number": number}
    for marriage in fact.get("marriages", ()):
        yield {"marriage": marriage}
    for position, part in fact.get("parts", {}).items():
        yield {"order": fact["order"], "position": position, "part": part}
    yield from listed_in_case(fact)


def listed_in_case(fact: Json) -> Iterator[Json]:
    """As `listed_in`, of what belongs to containment."""
    for point in fact.get("points", ()):
        yield {"case": fact["case"], "revision": fact["revision"], **point}
    for marriage in fact.get("proof", ()):
        yield {"decision": fact["number"], "marriage": marriage}
    for key in fact.get("drawn", ()):
        yield {"sorting": fact["sorting"], **key}
    for step in fact.get("steps", ()):
        yield {"drill": fact["number"], **step}
    if fact["fact"] == "checks planned":
        for consignee in fact["consignees"]:
            yield {"check_plan": fact["number"], "consignee": consignee}


def test_the_csv_files_say_all_that_the_facts_say(nights: list[Path], worked: httpx2.Client) -> None:
    said: list[dict[str, str]] = []
    for entry in entries(worked):
        for place, fact in enumerate(entry["answer"].get("facts", ()), start=1):
            key = {"entry": str(entry["entry"]), "fact": str(place)}
            said += [key | columns_of(row) for row in (fact, *listed_in(fact))]
    of_facts = [file for file in headers() if not file.startswith("catalogue_")]
    written = {file: list(rows(nights, file)) for file in of_facts}
    assert [file for file in of_facts if not written[file]] == [], "this day has every kind of fact"
    cells = [{name: cell for name, cell in row.items() if cell} for of_kind in written.values() for row in of_kind]
    assert sorted(sorted(row.items()) for row in cells) == sorted(sorted(row.items()) for row in said)


def test_changes_of_the_catalogue_are_in_the_night(nights: list[Path]) -> None:
    for kind in KINDS.values():
        written = list(rows(nights, f"catalogue_{kind.file}"))
        said = [{"entry": "1", "change": "added", **row_cells(row)} for row in rows_of(plant.CATALOGUE, kind)]
        assert sorted(written, key=str) == sorted(said, key=str)


def test_sums_and_manifest_cover_every_file(nights: list[Path], worked: httpx2.Client) -> None:
    for night in nights:
        subprocess.run(["sha256sum", "--check", "--strict", "SHA256SUMS"], cwd=night, check=True, capture_output=True)
        summed = {line.split("  ")[1] for line in (night / "SHA256SUMS").read_text().splitlines()}
        assert summed | {"SHA256SUMS"} == {path.name for path in night.iterdir()}
        raw = (night / "manifest.json").read_bytes()
        manifest = json.loads(raw)
        assert raw == rfc8785.dumps(manifest)
        listed = {file["name"]: (file["bytes"], file["sha256"]) for file in manifest["files"]}
        assert listed == {
            path.name: (path.stat().st_size, hashlib.sha256(path.read_bytes()).hexdigest())
            for path in night.iterdir()
            if path.name not in ("manifest.json", "SHA256SUMS")
        }
        of_day = [entry["entry"] for entry in entries(worked) if entry["recorded_at"].startswith(manifest["day"])]
        assert (manifest["day"], manifest["catalogue_revision"]) == (night.name, 1)
        assert (manifest["entries"], manifest["first_entry"], manifest["last_entry"]) == (
            len(of_day),
            of_day[0],
            of_day[-1],
        )
        for file in manifest["files"]:
            counted = len(of_day) if file["name"] == "journal.jsonl" else len(list(rows([night], file["name"])))
            assert file["rows"] == counted, file["name"]


def test_a_night_exported_again_is_the_same_to_the_byte(nights: list[Path], store_url: str, tmp_path: Path) -> None:
    for night in nights:
        day = date.fromisoformat(night.name)
        again = exported(store_url, day, tmp_path / "again")
        same, _, _ = filecmp.cmpfiles(night, again, [path.name for path in night.iterdir()], shallow=False)
        assert set(same) == {path.name for path in night.iterdir()} == {path.name for path in again.iterdir()}
        before = {path.name: path.stat().st_mtime_ns for path in night.iterdir()}
        assert exported(store_url, day, night.parent) == night
        assert before == {path.name: path.stat().st_mtime_ns for path in night.iterdir()}


def test_both_engines_export_the_same(
    sqlite_stores: servers.SQLiteStores, postgresql_stores: servers.PostgreSQLStores, tmp_path: Path
) -> None:
    """Apart from our clock, which was read when each recorded."""
    exports: list[dict[str, bytes]] = []
    for stores in (sqlite_stores, postgresql_stores):
        url = stores.migrated()
        with servers.running(url) as base_url, httpx2.Client(base_url=base_url) as client:
            plant.load(url)
            work(client, url)
            nights = [exported(url, day, tmp_path / stores.__class__.__name__) for day in days(client)]
        files: dict[str, bytes] = {}
        for path in (path for night in nights for path in night.iterdir() if path.suffix in (".csv", ".jsonl")):
            files[path.name] = files.get(path.name, b"") + path.read_bytes()
        journal = re.sub(rb'"recorded_at":"[^"]*"', b"", files["journal.jsonl"])
        # The catalogue is loaded under an identifier of its own each time.
        files["journal.jsonl"] = re.sub(rb'"message_id":"[0-9a-f-]{36}"', b"", journal)
        exports.append(files)
        stores.remove(url)
    assert exports[0] == exports[1]


def test_a_folder_with_another_content_is_refused_and_left(nights: list[Path], store_url: str) -> None:
    night = nights[-1]
    day = date.fromisoformat(night.name)
    visits = (night / "visits.csv").read_bytes()
    (night / "visits.csv").write_bytes(visits.replace(b"L-20", b"L-21"))
    with pytest.raises(ExportRefused, match=r"another content \(visits\.csv\)"):
        exported(store_url, day, night.parent)
    assert b"L-21" in (night / "visits.csv").read_bytes()
    (night / "visits.csv").write_bytes(visits)
    (night / "note.txt").touch()
    with pytest.raises(ExportRefused, match=r"another content \(note\.txt\)"):
        exported(store_url, day, night.parent)
    (night / "note.txt").unlink()
    assert exported(store_url, day, night.parent) == night


def test_a_night_that_is_not_over_is_refused(store_url: str, tmp_path: Path) -> None:
    day = date(2026, 3, 2)
    over = start_of_day(day) + DAY + MARGIN
    with pytest.raises(ExportRefused, match=r"2026-03-02 \(UTC\) is not over.*from 2026-03-03T00:01:00"):
        exported(store_url, day, tmp_path, now=over - 1)
    assert list(tmp_path.iterdir()) == []
    night = exported(store_url, day, tmp_path, now=over)
    manifest = json.loads((night / "manifest.json").read_bytes())
    assert (manifest["entries"], manifest["first_entry"], manifest["catalogue_revision"]) == (0, None, 0)
    assert {path.name for path in night.iterdir()} == {"journal.jsonl", "manifest.json", "SHA256SUMS", *headers()}


def entry_of(number: int, recorded_at: Moment) -> Entry:
    return Entry(
        id=number,
        message_id=None,
        kind="unreadable",
        mode=None,
        outcome="unreadable",
        scan_point=None,
        operator=None,
        occurred_at=None,
        recorded_at=recorded_at,
        item_id=None,
        status=400,
        message='{"received":"?"}',
        answer="{}",
    )


def test_what_is_being_recorded_when_the_export_begins_is_in_it(store_url: str, tmp_path: Path) -> None:
    database = Database(store_url)
    last_moment = moment_of_text("2026-03-02T23:59:59.999999Z")
    begun = threading.Event()
    nights: list[Path] = []

    def export() -> None:
        begun.set()
        nights.append(exported(store_url, date(2026, 3, 2), tmp_path))

    thread = threading.Thread(target=export)
    with database.write() as connection:
        first, second = next_numbers(connection, 2)
        add_entries(connection, [entry_of(first, last_moment), entry_of(second, last_moment + 1)])
        thread.start()
        begun.wait()
        time.sleep(0.3)
        early = list(nights)
    thread.join()
    database.close()
    assert early == []
    assert [json.loads(line)["entry"] for line in (nights[0] / "journal.jsonl").read_bytes().splitlines()] == [first]


KILLED = """
import os, signal, sys
from datetime import date
from pathlib import Path
from partkin.exports.night import export_night
from partkin.store.database import Database

def kill(done, of):
    if done == of:
        os.kill(os.getpid(), signal.SIGKILL)

export_night(Database(sys.argv[1]), date.fromisoformat(sys.argv[2]), Path(sys.argv[3]), kill, now=int(sys.argv[4]))
"""


def test_a_killed_export_leaves_nothing_that_looks_whole(store_url: str, tmp_path: Path) -> None:
    plant.load(store_url)
    arguments = [store_url, CATALOGUE_DAY.isoformat(), str(tmp_path), str(LATER)]
    killed = subprocess.run([sys.executable, "-c", KILLED, *arguments], check=False)
    assert killed.returncode == -signal.SIGKILL
    left = [path for path in tmp_path.iterdir() if path.is_dir()]
    assert [path.name.startswith(".") for path in left] == [True]
    night = exported(store_url, date(1970, 1, 2), tmp_path)
    assert [path for path in tmp_path.iterdir() if path.is_dir()] == [night], "the next one cleans up"
    assert exported(store_url, CATALOGUE_DAY, tmp_path).is_dir()


def test_an_error_in_the_middle_leaves_nothing(tmp_path: Path) -> None:
    with pytest.raises(OSError, match="disk full"), whole_folder(tmp_path, "night") as partial:
        (partial / "file").write_text("half")
        raise OSError("disk full")
    assert [path for path in tmp_path.iterdir() if path.is_dir()] == []


def test_one_export_at_a_time_writes_into_a_folder(store_url: str, tmp_path: Path) -> None:
    with whole_folder(tmp_path, "other"), pytest.raises(ExportRefused, match="another export"):
        exported(store_url, CATALOGUE_DAY, tmp_path)
    assert exported(store_url, CATALOGUE_DAY, tmp_path).is_dir()


def test_the_day_is_the_one_of_our_clock(worked: httpx2.Client) -> None:
    """What the station says of its time, here in March, does not decide."""
    assert days(worked)[0] == CATALOGUE_DAY
    assert all(abs(datetime.now(UTC).date() - day) <= timedelta(days=1) for day in days(worked)[1:])
