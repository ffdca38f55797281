"""Questions give way to those who record."""

from __future__ import annotations

import sys
from typing import Final

from starlette.types import ASGIApp, Receive, Scope, Send

SHORT_TURN_SECONDS: Final = 0.000_05


class Courtesy:
    """Shortens the turns that threads take while a question is answered.

    Recording waits for the database several times a batch, and each time another thread may take its turn: beside a
    heavy question the usual turns add up to a tenth of a second. Without questions, short turns would only cost.
    """

    def __init__(self, app: ASGIApp, *, recording: str) -> None:
        """The address `recording` takes many messages at once: that is no question."""
        self._app = app
        self._recording = recording
        self._questions = 0
        self._usual = sys.getswitchinterval()

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer, by the application."""
        if scope["type"] != "http" or scope["path"] == self._recording:
            await self._app(scope, receive, send)
            return
        self._questions += 1
        sys.setswitchinterval(SHORT_TURN_SECONDS)
        try:
            await self._app(scope, receive, send)
        finally:
            self._questions -= 1
            if not self._questions:
                sys.setswitchinterval(self._usual)
