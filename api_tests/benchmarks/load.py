"""A load of posts over HTTP/1.1: requests written beforehand, sent over kept connections, answers only counted."""

from __future__ import annotations

import asyncio
import time
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from urllib.parse import urlsplit


@dataclass(frozen=True, slots=True)
class Run:
    """What a load measured."""

    seconds: float
    statuses: Counter[int]
    latencies: list[float]
    """Seconds from request to answer, sorted."""

    @property
    def per_second(self) -> float:
        """Posts answered in a second."""
        return self.statuses.total() / self.seconds

    def percentile(self, share: float) -> float:
        """Seconds within which this share of the posts was answered."""
        return self.latencies[min(int(share * len(self.latencies)), len(self.latencies) - 1)]


def request(path: str, body: bytes, media_type: str = "application/json") -> bytes:
    """A post, as it goes over the wire."""
    head = (
        f"POST {path} HTTP/1.1\r\nHost: localhost\r\nContent-Type: {media_type}\r\nContent-Length: {len(body)}\r\n\r\n"
    )
    return head.encode() + body


def send(base_url: str, requests: Sequence[bytes], connections: int) -> Run:
    """Send each request once, over so many connections at a time."""
    return asyncio.run(_send(base_url, requests, connections))


async def _send(base_url: str, requests: Sequence[bytes], connections: int) -> Run:
    address = urlsplit(base_url)
    waiting = iter(requests)
    statuses: Counter[int] = Counter()
    latencies: list[float] = []

    async def connection() -> None:
        reader, writer = await asyncio.open_connection(address.hostname, address.port)
        for one in waiting:
            began = time.perf_counter()
            writer.write(one)
            statuses[await _answered(reader)] += 1
            latencies.append(time.perf_counter() - began)
        writer.close()

    began = time.perf_counter()
    await asyncio.gather(*(connection() for _ in range(connections)))
    return Run(time.perf_counter() - began, statuses, sorted(latencies))


def send_steadily(base_url: str, requests: Sequence[bytes], per_second: float, connections: int) -> Run:
    """Send requests at a steady rate, whether or not answers have come; latencies count from when each was due."""
    return asyncio.run(_send_steadily(base_url, requests, per_second, connections))


async def _send_steadily(base_url: str, requests: Sequence[bytes], per_second: float, connections: int) -> Run:
    began = time.perf_counter()
    due = iter([(began + place / per_second, one) for place, one in enumerate(requests)])
    statuses: Counter[int] = Counter()
    latencies: list[float] = []
    await asyncio.gather(*(_when_due(base_url, due, statuses, latencies) for _ in range(connections)))
    return Run(time.perf_counter() - began, statuses, sorted(latencies))


async def _when_due(
    base_url: str, due: Iterator[tuple[float, bytes]], statuses: Counter[int], latencies: list[float]
) -> None:
    address = urlsplit(base_url)
    reader, writer = await asyncio.open_connection(address.hostname, address.port)
    for when, one in due:
        early = when - time.perf_counter()
        if early > 0:
            await asyncio.sleep(early)
        began = time.perf_counter() if early > 0 else when  # a sleep ends late by itself
        writer.write(one)
        statuses[await _answered(reader)] += 1
        latencies.append(time.perf_counter() - began)
    writer.close()


async def _answered(reader: asyncio.StreamReader) -> int:
    """The status of an answer, which is read to its end."""
    head = await reader.readuntil(b"\r\n\r\n")
    length = int(head.lower().partition(b"content-length:")[2].partition(b"\r\n")[0])
    await reader.readexactly(length)
    return int(head[9:12])
