"""Answers as JSON, or line by line as NDJSON or CSV, streamed: the same rows in each."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import AsyncIterator, Callable, Generator, Iterable, Mapping, Sequence
from enum import StrEnum
from itertools import chain
from typing import Any

import anyio
import anyio.to_thread
from fastapi import Request, Response
from fastapi.responses import StreamingResponse
from starlette.concurrency import iterate_in_threadpool

Row = Mapping[str, Any]
Chunks = Generator[Sequence[Row], None, None]


class Format(StrEnum):
    """How an answer is written."""

    JSON = "json"
    NDJSON = "ndjson"
    CSV = "csv"


MEDIA_TYPES: Mapping[Format, str] = {
    Format.JSON: "application/json",
    Format.NDJSON: "application/x-ndjson",
    Format.CSV: "text/csv",
}

_to_json = json.JSONEncoder(ensure_ascii=False, allow_nan=False, separators=(",", ":")).encode


def format_of(request: Request, asked: Format | None, *offered: Format) -> Format:
    """The format that is asked for: by the parameter, else by the Accept header, else the first one offered."""
    if asked is not None:
        return asked
    wanted = _weights(request.headers.get("accept", ""))
    accepted = max(offered, key=lambda one: wanted.get(MEDIA_TYPES[one], 0.0))
    return accepted if wanted.get(MEDIA_TYPES[accepted], 0.0) > 0 else offered[0]


def _weights(accept: str) -> dict[str, float]:
    """Media types of an Accept header with their weights (RFC 9110, 12.5.1); what cannot be read weighs nothing."""
    weights = {}
    for one in accept.split(","):
        name, *parameters = (part.strip() for part in one.split(";"))
        weight = next((part[2:] for part in parameters if part.startswith("q=")), "1")
        weights[name.lower()] = float(weight) if weight.replace(".", "", 1).isdecimal() else 0.0
    return weights


def json_response(value: Any) -> Response:
    """One JSON value."""
    return Response(_to_json(value), media_type=MEDIA_TYPES[Format.JSON])


def rows_response(chunks: Chunks, wanted: Format, columns: Sequence[str]) -> Response:
    """Rows one a line, streamed as they come: NDJSON, or CSV with these columns.

    The first chunk is read before the answer begins, so that what it raises can still be answered as an error.
    """
    first = next(chunks, ())
    write = _csv_writer(columns) if wanted == Format.CSV else _ndjson
    media_type = f"{MEDIA_TYPES[wanted]}; header=present" if wanted == Format.CSV else MEDIA_TYPES[wanted]
    return StreamingResponse(_texts(chain([first], chunks), write, chunks.close), media_type=media_type)


async def _texts(
    chunks: Iterable[Sequence[Row]], write: Callable[[Sequence[Row]], str], close: Callable[[], None]
) -> AsyncIterator[str]:
    """The text of each chunk; the transaction ends also when whoever asked goes away."""
    try:
        async for chunk in iterate_in_threadpool(chunks):
            if text := write(chunk):
                yield text
    finally:
        with anyio.CancelScope(shield=True):
            await anyio.to_thread.run_sync(close)


def _ndjson(rows: Sequence[Row]) -> str:
    return "".join(f"{_to_json(row)}\n" for row in rows)


def _csv_writer(columns: Sequence[str]) -> Callable[[Sequence[Row]], str]:
    """Writes chunks as RFC 4180 has it: lines end with CR LF, and the first names the columns."""
    text = io.StringIO()
    writer = csv.writer(text)
    writer.writerow(columns)

    def write(rows: Sequence[Row]) -> str:
        writer.writerows([_cell(row[name]) for name in columns] for row in rows)
        written = text.getvalue()
        text.seek(0)
        text.truncate()
        return written

    return write


def _cell(value: Any) -> Any:
    """Nothing is an empty cell; what has parts is JSON."""
    return "" if value is None else value if isinstance(value, str) else _to_json(value)
