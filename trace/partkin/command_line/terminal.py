"""How it looks at a terminal: plain tables and progress bars. Results go to stdout, all else to stderr."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager
from datetime import datetime

from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn
from rich.table import Table
from rich.text import Text

PIPED_WIDTH = 240
"""Columns where the output goes to a file or another program, so that rows stay on one line."""


def console(*, stderr: bool = False) -> Console:
    """Where to print; nothing that is printed is taken for markup."""
    width = None if (sys.stderr if stderr else sys.stdout).isatty() else PIPED_WIDTH
    return Console(stderr=stderr, width=width, highlight=False, markup=False, emoji=False, soft_wrap=False)


def shown(text: str) -> Text:
    """Text as it can be shown: control characters, which could steer a terminal, as escapes."""
    return Text("".join(c if c.isprintable() else c.encode("unicode_escape").decode() for c in text))


def local(moment: str) -> str:
    """An RFC 3339 date and time as the clock of this machine shows it, with its offset from UTC."""
    return datetime.fromisoformat(moment).astimezone().isoformat(sep=" ", timespec="seconds")


def item_name(item: Mapping[str, str]) -> str:
    """A serial item or a lot, as answers name it, in words."""
    return f"{item['part']} {item['serial'] if 'serial' in item else 'lot ' + item['lot']}"


def table(*columns: str, rows: Iterable[Iterable[str]]) -> Table:
    """A table without frames; a column whose name begins with # is of numbers."""
    made = Table(box=None, pad_edge=False, padding=(0, 3, 0, 0))
    for name in columns:
        made.add_column(name.removeprefix("#"), justify="right" if name.startswith("#") else "left")
    for row in rows:
        made.add_row(*map(shown, row))
    return made


@contextmanager
def progress_bar(what: str) -> Iterator[Callable[[int, int | None], None]]:
    """A bar on stderr while the block runs, where that is a terminal; it is told what is done, of how much."""
    columns = (TextColumn(what), BarColumn(), MofNCompleteColumn(), TimeRemainingColumn())
    errors = console(stderr=True)
    with Progress(*columns, console=errors, transient=True, disable=not errors.is_terminal) as bar:
        task = bar.add_task(what, total=None)
        yield lambda done, total: bar.update(task, completed=done, total=total)
