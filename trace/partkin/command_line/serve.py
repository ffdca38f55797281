"""`partkin serve`."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING, Annotated

import typer

from partkin.command_line.asking import StoreUrl, open_store, settings_of
from partkin.command_line.garbage import collect_garbage_seldom

if TYPE_CHECKING:
    from fastapi import FastAPI


def serve(
    store: StoreUrl = None,
    host: Annotated[
        str | None,
        typer.Option(help="Address to listen at. Without it, PARTKIN_HOST, else 127.0.0.1: this machine only."),
    ] = None,
    port: Annotated[
        int | None, typer.Option(min=0, max=65_535, help="TCP port. Without it, PARTKIN_PORT, else 8321.")
    ] = None,
    workers: Annotated[int, typer.Option(min=1, help="Processes that answer, all over the one store.")] = 1,
) -> None:
    """Run the service.

    It serves stations, engineers and auditors until it is stopped (Ctrl-C).
    """
    settings = settings_of(store=store, host=host, port=port)
    with open_store(settings.store):
        pass  # a store that cannot be served is said in one line, not by every process in turn
    import uvicorn

    os.environ["PARTKIN_STORE"] = settings.store  # for the processes that uvicorn starts
    uvicorn.run(
        "partkin.command_line.serve:application",
        factory=True,
        host=settings.host,
        port=settings.port,
        workers=workers,
        access_log=False,  # a line a post would cost as much as taking it; what is posted is in the journal
    )


def application() -> FastAPI:
    """The application of one process, by the settings in its environment."""
    from partkin.web.app import create_app

    app = create_app(settings_of())
    collect_garbage_seldom()
    return app
