"""`partkin demo`."""

from __future__ import annotations

from typing import Annotated

import typer

from partkin.command_line.asking import BadInput, settings_of


def play_demo(
    once: Annotated[bool, typer.Option("--once", help="End after the show, in place of serving on.")] = False,
    units: Annotated[int | None, typer.Option(help="How many units are built; a few hundred, if left out.")] = None,
    seed: Annotated[int | None, typer.Option(help="Another seed, another shift; the same one, the same.")] = None,
    port: Annotated[
        int | None, typer.Option(min=0, max=65_535, help="TCP port; 0 takes a free one. Without it, 8321.")
    ] = None,
    store: Annotated[
        str | None, typer.Option(metavar="URL", help="Where to play. Without it, sqlite:///partkin-demo.db, made anew.")
    ] = None,
) -> None:
    """Play a shift of an invented plant, an alarm, and the containment case that it becomes.

    Stations post over HTTP to the real service, with everything that goes wrong in a plant; at the end a supplier
    declares a bad lot, and all that it went into is contained. The service then goes on until it is stopped (Ctrl-C).
    """
    from partkin.command_line.demo import demo
    from partkin.command_line.demo.floor import DemoFailed
    from partkin.command_line.demo.shift import DEFAULT_SEED, DEFAULT_UNITS

    try:
        demo(
            once=once,
            store=store,
            port=settings_of(port=port).port,
            seed=DEFAULT_SEED if seed is None else seed,
            units=DEFAULT_UNITS if units is None else units,
        )
    except DemoFailed as error:
        raise BadInput(f"the demo ended early: {error}") from error
