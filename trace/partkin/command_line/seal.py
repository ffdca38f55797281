"""`partkin seal`."""

from __future__ import annotations

import json
import time

import typer

from partkin.command_line.asking import AsJson, BadInput, StoreUrl, open_store


def seal(store: StoreUrl = None, as_json: AsJson = False) -> None:
    """Seal the journal: what is recorded up to now can no longer be changed unnoticed.

    Run it regularly, and keep what it prints where nobody can change that: whoever has one seal can prove all entries
    up to it. Where nothing was recorded since, the last seal is shown.
    """
    from partkin.actions.seal_journal import NotSealed, seal_journal
    from partkin.actions.train_dictionary import train_dictionary
    from partkin.command_line.terminal import console
    from partkin.questions.seals import seal_json

    now = time.time_ns() // 1000
    with open_store(store) as database:
        try:
            sealed = seal_journal(database, now=now)
        except NotSealed as error:
            raise BadInput(str(error)) from error
        if sealed.seal is not None and sealed.new:
            train_dictionary(database, sealed.seal, now=now)
    if sealed.seal is None:
        console(stderr=True).print("The journal has no entry, so there is nothing to seal.")
        raise typer.Exit(1)
    told = seal_json(sealed.seal)
    if as_json:
        print(json.dumps(told))
        return
    new = "" if sealed.new else " Nothing was recorded since."
    console().print(
        f"Seal {told['seal']}, {told['sealed_at']}: {told['entries']} entries, up to entry {told['last_entry']}.{new}"
    )
    console().print(f"root     {told['root']}\nchained  {told['chained']}")
