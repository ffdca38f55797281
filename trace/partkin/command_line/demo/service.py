"""The real service, in a process of its own."""

from __future__ import annotations

import multiprocessing
import os
import socket
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from multiprocessing.process import BaseProcess

import httpx2
import uvicorn

from partkin.command_line.asking import BadInput
from partkin.command_line.demo.story import read_story
from partkin.settings import Settings

_STARTS_WITHIN = 30
"""Seconds in which the service must answer."""


def listen(host: str, port: int) -> socket.socket:
    """The socket to listen at; port 0 takes any that is free. Raises BadInput where something listens there already."""
    try:
        return socket.create_server((host, port))
    except OSError as error:
        raise BadInput(
            f"{host} port {port} cannot be listened at: {os.strerror(error.errno or 0)}; give another one with --port"
        ) from error


@contextmanager
def serving(store: str, listening: socket.socket) -> Iterator[tuple[str, BaseProcess]]:
    """The service over a store for as long as the block runs: its base URL and its process."""
    host, port = listening.getsockname()[:2]
    url = f"http://{host}:{port}"
    # Spawned, not forked: it begins with nothing of ours, as an installed service would.
    process = multiprocessing.get_context("spawn").Process(target=_serve, args=(store, listening), daemon=True)
    process.start()
    try:
        _wait_for(url, process)
        listening.close()  # ours: else whoever connects after the service died would wait for it
        yield url, process
    finally:
        process.terminate()
        process.join()


def _serve(store: str, listening: socket.socket) -> None:
    from partkin.web.app import create_app

    story = read_story()
    settings = Settings(store=store, plant_name=story.plant, plant_address=story.address, plant_contact=story.contact)
    config = uvicorn.Config(create_app(settings), log_level="warning")
    server = uvicorn.Server(config)
    threading.Thread(target=_end_with_parent, args=(server,), daemon=True).start()
    with suppress(KeyboardInterrupt):  # raised again by the server, once it has stopped
        server.run([listening])


def _end_with_parent(server: uvicorn.Server) -> None:
    """Stop when the demo's process has ended, however it ended."""
    parent = multiprocessing.parent_process()
    if parent is not None:
        parent.join()
        server.should_exit = True


def _wait_for(url: str, process: BaseProcess) -> None:
    deadline = time.monotonic() + _STARTS_WITHIN
    while process.is_alive() and time.monotonic() < deadline:
        with suppress(httpx2.TransportError):
            if httpx2.get(f"{url}/healthz").is_success:
                return
        time.sleep(0.05)
    raise BadInput(f"the service did not start at {url}")
