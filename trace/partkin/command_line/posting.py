"""Commands that record something: as the service does, in the store itself, by whoever is at the terminal."""

from __future__ import annotations

import asyncio
import json
from collections.abc import Mapping
from typing import TYPE_CHECKING, Annotated, Any

import typer

from partkin.command_line.asking import BadInput, settings_of

if TYPE_CHECKING:
    from partkin.actions.record_messages import Outcome, Post
    from partkin.actions.rulebooks import Rulebooks
    from partkin.store.database import Database

Json = Mapping[str, Any]

Operator = Annotated[str, typer.Option("--operator", metavar="BADGE", help="Badge code of who says so.")]


def record(database: Database, kind: str, said: Json) -> dict[str, Any]:
    """The answer to a message of which what is None is left out.

    Raises BadInput with every reason where it was refused, or has not its form.
    """
    from datetime import datetime
    from uuid import uuid4

    from partkin.actions.rulebooks import Rulebooks
    from partkin.web.reading import read_post

    head = {"message_id": str(uuid4()), "occurred_at": datetime.now().astimezone().isoformat()}
    message = {**head, **{name: value for name, value in said.items() if value is not None}}
    rulebooks = Rulebooks(database)
    post = read_post(json.dumps(message).encode(), rulebooks.newest, kind=kind)
    outcome = asyncio.run(recorded(database, rulebooks, post))
    answer: dict[str, Any] = json.loads(outcome.answer)
    if outcome.status != 201:
        raise BadInput(f"nothing was recorded: {answer['detail']}")
    return answer


async def recorded(database: Database, rulebooks: Rulebooks, post: Post) -> Outcome:
    """The outcome of a post, as the service records it: tried again where another process was faster."""
    from partkin.actions.recorder import Recorder

    slack = settings_of().clock_slack_seconds * 1_000_000
    recorder = Recorder(database, rulebooks, batch_limit=1, clock_slack=slack)
    recorder.start()
    try:
        return await recorder.submit(post)
    finally:
        recorder.stop()
