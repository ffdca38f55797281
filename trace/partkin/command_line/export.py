"""`partkin export`."""

from __future__ import annotations

import time
from pathlib import Path
from typing import Annotated

import typer

from partkin.command_line.asking import StoreUrl, date_asked, open_store


def export(
    night: Annotated[str, typer.Option(metavar="DATE", help="The day, midnight to midnight UTC by our clock.")],
    to: Annotated[Path, typer.Option(metavar="FOLDER", help="Where the night's own folder, named by the date, goes.")],
    store: StoreUrl = None,
) -> None:
    """Write what a day recorded, for auditors.

    The journal's entries, what they made true as CSV files, a manifest, and the sums of all files. The folder appears
    whole or not at all; exported again, the same night gives the same bytes.
    """
    from partkin.command_line.terminal import console, progress_bar
    from partkin.exports.night import export_night

    with open_store(store) as database, progress_bar("entries") as progress:
        written = export_night(database, date_asked(night, "--night"), to, progress, now=time.time_ns() // 1000)
    console().print(f"{written} is complete. Check it there with: sha256sum -c SHA256SUMS")
