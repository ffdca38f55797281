"""The genealogy in memory: previews counted on it are those counted in the store, whatever was recorded meanwhile.

Random histories hold both to the same answers too (`histories/`).
"""

from __future__ import annotations

import json
import shutil
import time
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path

import httpx2
import pytest
from sqlalchemy import func, select, text

from api_tests import servers
from api_tests.cases import despatch, load_with_slack
from api_tests.plant import Json, Station, lot_of, recorded, serial_of
from api_tests.test_preview import CRITERIA, plant
from partkin.memory.held import LARGER, Held
from partkin.questions.preview import preview
from partkin.questions.units_affected import affected_page
from partkin.rules.known import Changes
from partkin.rules.moments import FOREVER
from partkin.rules.rows import ShipmentRow
from partkin.store.books.changed_rows import KEPT_ENTRIES, note_changes
from partkin.store.database import Database
from partkin.store.journal.entries import last_entry
from partkin.store.tables import changed_row
from partkin.web.alarms import ALARM

__all__ = ["plant"]

ALARMS = [ALARM.validate_json(json.dumps({"suspects": suspects})) for suspects in CRITERIA.values()]


@pytest.fixture
def database(store_url: str) -> Iterator[Database]:
    opened = Database(store_url)
    yield opened
    opened.close()


@pytest.fixture
def held(database: Database, tmp_path: Path) -> Held:
    return Held(database, tmp_path, span=7)  # in many layers


def is_held(held: Held, database: Database) -> bool:
    base = held.newest()
    with database.read() as connection:
        return base is not None and base.at(connection) is not None


def require_the_same(held: Held, database: Database) -> None:
    """What is held counts as the store does."""
    assert is_held(held, database)
    for alarm in ALARMS:
        assert preview(database, alarm, held) == preview(database, alarm)
    for limit in (2, 100):
        after = None
        for _ in range(2):
            pages = [affected_page(database, ALARMS[0], after=after, limit=limit, held=one) for one in (held, None)]
            assert pages[0] == pages[1]
            after = pages[0]["next"]


def test_it_follows_what_is_recorded(plant: Station, held: Held, database: Database) -> None:
    held.renew()
    require_the_same(held, database)
    plant.finish("D8")
    ready = plant.make_ready("D9")
    unit = serial_of("DRYER", "D8")
    recorded(plant.post("removals", scan_point="RW", unit=unit, component=serial_of("MOTOR", "M-D8"), reason="hums"))
    recorded(plant.load(lot_of("SCREW", "S1"), "L-20"))
    require_the_same(held, database)
    despatch(plant, ready, shipment="N9")
    require_the_same(held, database)
    assert held.renew(behind=1)
    assert not held.renew(behind=1)
    require_the_same(held, database)


def test_few_layers_have_all_entries(plant: Station, database: Database, tmp_path: Path) -> None:
    held = Held(database, tmp_path, span=60)
    for number in range(12):
        plant.complete(f"D{20 + number}")
        held.renew(behind=1)
    require_the_same(held, database)
    base = held.newest()
    assert base is not None
    lasts = [span.last for span in base.spans]
    assert [span.first for span in base.spans] == [0, *(last + 1 for last in lasts[:-1])]
    with database.read() as connection:
        assert lasts[-1] == last_entry(connection)
    sizes = [span.last - span.first + 1 for span in base.spans]
    assert max(sizes) <= 60
    assert all(low >= LARGER * over or low + over > 60 for low, over in pairwise(sizes))
    assert {path.name for path in tmp_path.glob("*/*-*")} == {f"{span.first}-{span.last}" for span in base.spans}


def test_without_one_of_its_layers_nothing_is_held(plant: Station, database: Database, tmp_path: Path) -> None:
    held = Held(database, tmp_path, span=20)
    held.renew()
    require_the_same(held, database)
    shutil.rmtree(min(tmp_path.glob("*/20-*")))
    assert Held(database, tmp_path).newest() is None
    plant.complete("D8")
    held.renew(behind=1)  # by who has the lost one in memory still
    require_the_same(Held(database, tmp_path), database)


def test_a_draw_from_a_container_near_a_lot_change_is_possible(
    station: Station, store_url: str, held: Held, database: Database
) -> None:
    load_with_slack(store_url, 5)
    recorded(station.receive("SCREW", lot="S1", quantity=100))
    recorded(station.transfer(lot_of("SCREW", "S9"), (lot_of("SCREW", "S1"), 30)))
    for lot, serials in (("S9", ("D1", "D2", "D3")), ("S2", ("D4",))):
        recorded(station.load(lot_of("SCREW", lot), "L-20"))
        for serial in serials:
            station.complete(serial)
    held.renew()
    alarm = ALARM.validate_json(json.dumps({"suspects": {"items": [lot_of("SCREW", "S1")]}}))
    counts = preview(database, alarm, held)["counts"]
    assert counts["possible"] > 0 < counts["certain"]
    assert counts == preview(database, alarm)["counts"]


def test_its_files_serve_other_processes(plant: Station, held: Held, database: Database, tmp_path: Path) -> None:
    other = Held(database, tmp_path)
    assert not is_held(other, database)
    held.renew()
    plant.complete("D8")
    require_the_same(other, database)
    other.renew(behind=1)
    require_the_same(held, database)


@pytest.mark.usefixtures("plant")
def test_a_store_put_back_from_a_copy_is_not_taken_for_the_one_that_is_held(held: Held, database: Database) -> None:
    held.renew()
    with database.write() as connection:  # as if this entry were another one of the same number
        last = select(func.max(changed_row.c.entry)).scalar_subquery()
        assert connection.scalar(select(last)) is not None
        trigger = "entry_no_update" if database.dialect == "sqlite" else "entry_keep_rows ON entry"
        connection.execute(text(f"DROP TRIGGER {trigger}"))
        connection.execute(text("UPDATE entry SET recorded_at = recorded_at + 1"))
    assert not is_held(held, database)
    assert preview(database, ALARMS[0], held) == preview(database, ALARMS[0])
    held.renew()
    require_the_same(held, database)


def test_it_is_read_anew_once_other_parts_are_sold(plant: Station, held: Held, database: Database) -> None:
    held.renew()
    with database.write() as connection:
        connection.execute(text("UPDATE part SET sold = NOT sold WHERE part = 'PUMP'"))
    assert not is_held(held, database)
    plant.complete("D8")
    held.renew(behind=1)
    require_the_same(held, database)


def test_changes_are_forgotten_only_when_nobody_may_need_them(database: Database) -> None:
    row = ShipmentRow(1, "S", "C", 0, FOREVER, None)
    changes = Changes()
    changes.change(row)
    with database.write() as connection:
        note_changes(connection, changes, 10, 12)
        note_changes(connection, changes, KEPT_ENTRIES, KEPT_ENTRIES + 12)
        assert set(connection.scalars(select(changed_row.c.entry))) == {12, KEPT_ENTRIES + 12}
        note_changes(connection, changes, KEPT_ENTRIES + 9990, KEPT_ENTRIES + 10_013)
        assert set(connection.scalars(select(changed_row.c.entry))) == {KEPT_ENTRIES + 12, KEPT_ENTRIES + 10_013}
        alone = 2 * KEPT_ENTRIES + 20_000
        note_changes(connection, changes, alone, alone)
        assert set(connection.scalars(select(changed_row.c.entry))) == {alone}


def test_the_service_counts_on_it(plant: Station, store_url: str, tmp_path: Path) -> None:
    answers: list[Json] = []
    with servers.running(store_url, hold_from_entries=0, cache_folder=tmp_path) as base_url:
        while not list(tmp_path.glob("*.genealogy/[0-9]*-*")):
            time.sleep(0.02)
        plant.complete("D8")
        for suspects in CRITERIA.values():
            response = httpx2.post(f"{base_url}/v1/preview", json={"suspects": suspects})
            answers.append(response.raise_for_status().json())
    for suspects, answer in zip(CRITERIA.values(), answers, strict=True):
        assert answer == plant.client.post("/v1/preview", json={"suspects": suspects}).json()
