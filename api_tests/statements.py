"""The statements that are sent to databases: by SQLAlchemy, and past it by the driver."""

from __future__ import annotations

import logging
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any, NamedTuple

from sqlalchemy import Engine, event

from partkin.store.statements import log


class Sent(NamedTuple):
    """A statement; one that is run with many rows is one."""

    text: str
    parameters: Any


@contextmanager
def statements_sent() -> Iterator[list[Sent]]:
    """Those that anyone sends meanwhile, but for who looks now and then whether there is something to do."""
    sent: list[Sent] = []

    def note(text: str, parameters: Any) -> None:
        if threading.current_thread().name != "genealogy":
            sent.append(Sent(text, parameters))

    def by_sqlalchemy(_connection: object, _cursor: object, text: str, parameters: Any, *_: object) -> None:
        note(text, parameters)

    by_driver = logging.Handler()
    by_driver.emit = lambda record: note(record.msg, record.__dict__["parameters"])  # type: ignore[method-assign]
    before = log.level
    event.listen(Engine, "before_cursor_execute", by_sqlalchemy)
    log.addHandler(by_driver)
    log.setLevel(logging.DEBUG)
    try:
        yield sent
    finally:
        event.remove(Engine, "before_cursor_execute", by_sqlalchemy)
        log.removeHandler(by_driver)
        log.setLevel(before)
