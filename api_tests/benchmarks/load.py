"""A load of posts over HTTP/1.1: requests written beforehand, sent over kept connections, answers only counted."""

from __future__ import annotations

import asyncio
import time
from collections import Counter
from collections.abc import Sequence
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
            head = await reader.readuntil(b"\r\n\r\n")
            length = int(head.lower().partition(b"content-length:")[2].partition(b"\r\n")[0])
            await reader.readexactly(length)
            latencies.append(time.perf_counter() - began)
            statuses[int(head[9:12])] += 1
        writer.close()

    began = time.perf_counter()
    await asyncio.gather(*(connection() for _ in range(connections)))
    return Run(time.perf_counter() - began, statuses, sorted(latencies))
