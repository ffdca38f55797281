"""After the alarm: the auditor's export of the day, and what to try next."""

from __future__ import annotations

import json
import time
from datetime import UTC, datetime
from pathlib import Path
from tempfile import TemporaryDirectory

from rich.console import Console

from partkin.command_line.demo.shift import Shift
from partkin.exports.night import export_night
from partkin.store.database import Database


def export_day(database: Database, screen: Console) -> None:
    """Export what was recorded today, as an auditor gets it after every night; the day is not over, and it says so."""
    with TemporaryDirectory(prefix="partkin-demo-") as folder:
        day, now = datetime.now(UTC).date(), time.time_ns() // 1000
        written = export_night(database, day, Path(folder), lambda *_: None, now=now, even_if_not_over=True)
        manifest = json.loads((written / "manifest.json").read_text())
        size = sum(file["bytes"] for file in manifest["files"])
    screen.print(
        f"Export of {day} so far: {manifest['entries']} entries, {len(manifest['files'])} files, {size / 1e6:.0f} MB. "
        "An auditor checks the files with sha256sum alone."
    )


def say_what_to_try(address: str, shift: Shift, screen: Console) -> None:
    """Where the documentation is, and commands to copy, with serial numbers of this run."""
    first = next(iter(shift.work.units.values()))
    alarm = shift.work.story.alarm
    line = next(iter(shift.work.story.lines))
    station = shift.work.floor.station(shift.work.plant.route(first.part, line)[0])
    start = {"message_id": "try-1", "operator": station.badge, "scan_point": station.code, "part": first.part}
    suspects = {"suspects": {"items": [{"part": alarm.part, "lot": alarm.lot}]}}
    open_case = shift.work.story.open_case.case
    posts = f"curl -s {address}/v1/{{}} -H 'Content-Type: application/json' -d '{{}}'"
    now = '"occurred_at":"\'$(date -u +%FT%TZ)\'"'
    tries = {
        "The documentation of the interface": f"{address}/openapi.json",
        "What is, and was, in the first unit": f"curl -s '{address}/v1/tree?serial={first.code}&removed=true'",
        "Where it is now": f"curl -s '{address}/v1/where?serial={first.code}'",
        "Its rating plate, as a picture": f"curl -s '{address}/v1/labels/{shift.packing.first_plate}?format=svg'",
        "What was tested on the bad instrument": f"curl -s '{address}/v1/instruments/{shift.bad_instrument}/tested'",
        "Which units the bad lot affects": posts.format("affected", _compact(suspects)),
        "The case about it, which is closed": f"curl -s '{address}/v1/cases/{shift.work.story.case.case}'",
        "A case that is open, and what it lists": f"curl -s '{address}/v1/cases/{open_case}/things?format=csv'",
        "Start a unit, as a station does": posts.format("units", _compact(start)[:-1] + "," + now + "}"),
        "What the journal has": f"curl -s '{address}/v1/entries?limit=5'",
    }
    screen.print()
    screen.print("The service goes on until Ctrl-C. To try:")
    for what, command in tries.items():
        screen.print(f"  {what}", style="dim")
        screen.print(f"  {command}", soft_wrap=True)
    stock = ", ".join(map(str, shift.stock))
    screen.print(f"In stock, to build in: {stock}. {shift.work.story.spares.words}")


def _compact(value: object) -> str:
    return json.dumps(value, separators=(",", ":"))
