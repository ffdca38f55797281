"""A folder that appears whole and durable under its name, or not at all."""

from __future__ import annotations

import fcntl
import filecmp
import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

_PARTIAL = ".partkin-partial"
_LOCK = ".partkin-lock"


class ExportRefused(Exception):
    """Nothing was exported; the message says why, and what to do."""


@contextmanager
def whole_folder(parent: Path, name: str) -> Iterator[Path]:
    """A folder to write files into, which becomes `parent/name` when the block ends without an error.

    It is hidden until then; what a crash leaves of it is removed by the next one that writes here. Where
    `parent/name` is there already, nothing of it is touched: equal files are fine, others raise
    ExportRefused. Raises that also while another process writes here, OSError where a file cannot be written.
    """
    parent.mkdir(parents=True, exist_ok=True)
    with _alone(parent):
        for left_over in parent.glob(f".*{_PARTIAL}"):
            shutil.rmtree(left_over)
        partial = parent / f".{name}{_PARTIAL}"
        partial.mkdir()
        try:
            yield partial
            _settle(partial, parent / name)
        finally:
            shutil.rmtree(partial, ignore_errors=True)


@contextmanager
def _alone(parent: Path) -> Iterator[None]:
    with (parent / _LOCK).open("ab") as lock:
        try:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            raise ExportRefused(f"another export into {parent} is running: wait for its end") from None
        yield


def _settle(partial: Path, target: Path) -> None:
    if target.exists():
        _require_equal(partial, target)
        return
    for file in partial.iterdir():
        _sync(file)
    _sync(partial)
    partial.rename(target)
    _sync(target.parent)


def _require_equal(new: Path, present: Path) -> None:
    names = sorted({path.name for folder in (new, present) for path in folder.iterdir()})
    _, differing, missing = filecmp.cmpfiles(new, present, names, shallow=False)
    if differing or missing:
        raise ExportRefused(
            f"{present} is there already with another content ({', '.join(sorted([*differing, *missing]))}) "
            "and was not touched: find out who changed it, or export into another folder"
        )


def _sync(path: Path) -> None:
    descriptor = os.open(path, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
