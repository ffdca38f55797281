"""The application: this list of routes is the table of contents."""

from __future__ import annotations

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from typing import Any

import anyio.to_thread
from fastapi import APIRouter, FastAPI
from fastapi.openapi.utils import get_openapi

from partkin.actions.recorder import Recorder
from partkin.actions.rulebooks import Rulebooks
from partkin.memory.held import Held
from partkin.settings import Settings
from partkin.store.database import Database
from partkin.store.migrate import require_current
from partkin.web.api import (
    attachments,
    balances,
    cases,
    drills,
    genealogy,
    history,
    instruments,
    journal,
    labels,
    lists,
    messages,
    orders,
    papers,
    preview,
    problems,
    seals,
    shipments,
    stations,
    whereabouts,
)
from partkin.web.courtesy import Courtesy
from partkin.web.documentation import add_schemas
from partkin.web.problems import add_handlers

_V1 = APIRouter(prefix="/v1")
for _noun in (
    messages,
    lists,
    genealogy,
    journal,
    attachments,
    seals,
    stations,
    labels,
    whereabouts,
    history,
    instruments,
    balances,
    orders,
    shipments,
    papers,
    cases,
    preview,
    drills,
):
    _V1.include_router(_noun.router)

_ROUTES = APIRouter()
_ROUTES.include_router(_V1)
_ROUTES.include_router(problems.router)


@_ROUTES.get("/healthz", tags=["service"], summary="Whether the service answers")
def health() -> dict[str, str]:
    """Answers once the store is open and at the right revision."""
    return {"status": "ok"}


def create_app(settings: Settings) -> FastAPI:
    """The service over one store. Starting it fails on a store at another revision."""

    @asynccontextmanager
    async def lifespan(app: FastAPI) -> AsyncIterator[None]:
        database = Database(settings.store, settings.question_seconds)
        require_current(database)
        database.forget_statistics()
        rulebooks = Rulebooks(database)
        recorder = Recorder(
            database,
            rulebooks,
            batch_limit=settings.batch_limit,
            clock_slack=settings.clock_slack_seconds * 1_000_000,
        )
        recorder.start()
        held = Held(database, settings.cache_folder)
        held.keep_up(settings.hold_from_entries)
        app.state.database, app.state.rulebooks, app.state.recorder = database, rulebooks, recorder
        app.state.held = held
        yield
        await anyio.to_thread.run_sync(held.stop)
        await anyio.to_thread.run_sync(recorder.stop)
        database.close()

    app = FastAPI(
        title="Partkin",
        version="1",
        summary="Component-to-unit traceability and genealogy",
        description="The birth record of every unit, and the way from a bad lot to the units that it went into.",
        lifespan=lifespan,
        routes=_ROUTES.routes,  # the same for every application of a process: what they need is worked out once
        separate_input_output_schemas=False,
        docs_url=None,  # its pages load their scripts from the internet, which a plant does not reach
        redoc_url=None,
    )
    app.state.settings = settings
    add_handlers(app)
    app.add_middleware(Courtesy, recording="/v1/messages")
    app.add_middleware(messages.Posts, prefix="/v1")

    def openapi() -> dict[str, Any]:
        if app.openapi_schema is None:
            schema = get_openapi(
                title=app.title,
                version=app.version,
                summary=app.summary,
                description=app.description,
                routes=app.routes,
            )
            app.openapi_schema = add_schemas(schema)
        return app.openapi_schema

    app.openapi = openapi  # type: ignore[method-assign]  # as FastAPI documents it
    return app
