"""`partkin papers`."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from partkin.command_line.asking import BadInput, StoreUrl, open_store, settings_of


def papers(
    case: Annotated[str, typer.Argument(metavar="CASE", help="The containment case.", show_default=False)],
    to: Annotated[Path, typer.Option(metavar="FOLDER", help="The new folder that they go into.")],
    store: StoreUrl = None,
) -> None:
    """Write the papers of a containment case: the report, the workbook, the regulator's facts, and the letters.

    The folder appears whole or not at all. Nothing is sent to anybody, and a letter says by itself whether it is a
    draft. Who writes is said by PARTKIN_PLANT_NAME, PARTKIN_PLANT_ADDRESS and PARTKIN_PLANT_CONTACT.
    """
    from datetime import UTC, datetime

    from partkin.command_line.terminal import console, shown, table
    from partkin.exports.papers.of_case import all_papers, plant_of
    from partkin.exports.whole_folder import whole_folder
    from partkin.questions.containment.papers import case_report
    from partkin.questions.containment.things import NoSuchCase

    folder = to.resolve()
    if folder.exists():
        raise BadInput(f"{folder} is there already and was not touched: name a folder that is not there yet")
    with open_store(store) as database:
        try:
            report = case_report(database, case, plant_of(settings_of()), datetime.now(UTC))
        except NoSuchCase as error:
            raise BadInput(str(error)) from error
    written = []
    with whole_folder(folder.parent, folder.name) as partial:
        try:
            for name, content in all_papers(report):
                (partial / name).write_bytes(content)
                written.append((name, f"{len(content):,}"))
        except ValueError as error:
            raise BadInput(str(error)) from error
    printer = console()
    printer.print(shown(f"{folder} has these papers of case {case}:"))
    printer.print(table("file", "#bytes", rows=written))
