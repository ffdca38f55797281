"""`partkin demo`: a shift of the invented plant, played over HTTP against the real service, an alarm, and its case."""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable
from contextlib import suppress
from datetime import datetime, timedelta

import httpx2
from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn
from rich.table import Table

from partkin.command_line.asking import BadInput
from partkin.command_line.check import check
from partkin.command_line.demo.alarm import raise_alarm
from partkin.command_line.demo.checks import compare_notes
from partkin.command_line.demo.containment.play import TAKES, play_case
from partkin.command_line.demo.ending import export_day, say_what_to_try
from partkin.command_line.demo.floor import Floor
from partkin.command_line.demo.fresh_store import fresh_store
from partkin.command_line.demo.plant import Plant
from partkin.command_line.demo.service import listen, serving
from partkin.command_line.demo.shift import LEAST_UNITS, Shift
from partkin.command_line.demo.story import demo_data, read_story
from partkin.command_line.terminal import console, shown
from partkin.exports.catalogue_files import read_catalogue_folder

DEFAULT_STORE = "sqlite:///partkin-demo.db"

_HOST = "127.0.0.1"
_OVERTIME = timedelta(minutes=20)
"""For lorries that are late."""

_IDLE = 2
"""Seconds after which a connection is not used again; the service closes it after five."""

_SECONDS = 60
"""Until a station gives up waiting for an answer."""


def demo(once: bool, store: str | None, port: int, seed: int, units: int) -> None:
    """Play a shift in a fresh store, an alarm and its case; leave the service running until Ctrl-C, or end with `once`.

    `port` 0 takes a free one. Raises BadInput where the store holds something that no demo made, where the port is
    taken, and for fewer than LEAST_UNITS units; DemoFailed where the service answers otherwise than it should.
    """
    if units < LEAST_UNITS:
        raise BadInput(f"--units takes {LEAST_UNITS} or more: with {units} not every incident has its unit")
    began = time.perf_counter()
    screen = console()
    story = read_story()
    # The shift is over, and the case after it, so that nothing in them is ahead of the service's clock.
    start = datetime.now().astimezone().replace(microsecond=0) - timedelta(hours=story.hours) - _OVERTIME - TAKES
    plant = Plant(read_catalogue_folder(demo_data() / "catalogue"), story, start.date())
    url = store or DEFAULT_STORE
    with listen(_HOST, port) as listening:
        database = fresh_store(url, plant.catalogue)
        with serving(url, listening) as (address, process):
            screen.print(f"The service runs at {address} over a fresh store, {database}.")
            hours = f"{start:%H:%M} to {start + timedelta(hours=story.hours):%H:%M}"
            screen.print(f"A shift at {story.plant}, {hours}: {units} units on {len(story.lines)} lines.")
            shift = _play(address, plant, start, seed, units, screen)
            raise_alarm(address, shift, screen)
            compare_notes(address, shift, screen)
            play_case(address, shift, screen)
            export_day(database, screen)
            database.close()
            check(store=url)
            screen.print(f"All of it took {time.perf_counter() - began:.0f} s.")
            if not once:
                say_what_to_try(address, shift, screen)
                with suppress(KeyboardInterrupt):
                    process.join()


def _play(address: str, plant: Plant, start: datetime, seed: int, units: int, screen: Console) -> Shift:
    """Play the shift, with its commentary."""
    began = time.perf_counter()

    def tell(when: datetime, where: str, words: str) -> None:
        line = Table.grid(padding=(0, 1))
        line.add_column(style="dim", no_wrap=True)
        line.add_column(style="bold", width=6, no_wrap=True)
        line.add_column()
        line.add_row(f"{when:%H:%M}", where, shown(words))
        screen.print(line)

    async def play(built: Callable[[], object]) -> Shift:
        limits = httpx2.Limits(max_connections=len(plant.story.badges), keepalive_expiry=_IDLE)
        async with httpx2.AsyncClient(base_url=address, timeout=_SECONDS, limits=limits) as client:
            floor = Floor(client, start=start, seed=seed, badges=plant.story.badges, tell=tell)
            shift = Shift(floor, plant, units, built)
            await shift.play()
            return shift

    columns = (TextColumn("units"), BarColumn(), MofNCompleteColumn())
    with Progress(*columns, console=screen, transient=True, disable=not screen.is_terminal) as bar:
        task = bar.add_task("units", total=units)
        try:
            shift = asyncio.run(play(lambda: bar.advance(task)))
        except ExceptionGroup as failed:
            raise failed.exceptions[0] from None
    seconds, posted = time.perf_counter() - began, shift.work.floor.posted
    reworked = f", {shift.work.reworked} more of them reworked after a failed test" if shift.work.reworked else ""
    screen.print(
        f"{units} units with their modules{reworked}: {posted} messages in {seconds:.0f} s, "
        f"{posted / seconds:.0f} a second."
    )
    return shift
