"""The framework's own empty endpoint: takes the same body, does nothing, answers."""

from __future__ import annotations

from fastapi import FastAPI, Request, Response

app = FastAPI()


@app.post("/v1/marriages", status_code=201)
async def take(request: Request) -> Response:
    await request.body()
    return Response(b"{}", 201, media_type="application/json")
