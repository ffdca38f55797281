"""The shop floor as the service meets it: stations with clocks and badges, which post over HTTP and keep notes."""

from __future__ import annotations

import asyncio
import json
from collections import defaultdict
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from hashlib import sha256
from typing import Any
from uuid import NAMESPACE_URL, uuid5

import httpx2

from partkin.command_line.demo.plant import Label

ADDRESSES: Mapping[str, str] = {
    "unit-start": "/v1/units",
    "marriage": "/v1/marriages",
    "removal": "/v1/removals",
    "lot-loading": "/v1/lot-loadings",
    "receipt": "/v1/receipts",
    "test-run": "/v1/test-runs",
    "hold": "/v1/holds",
    "number-block": "/v1/number-blocks",
    "label-print": "/v1/labels",
    "disposition": "/v1/dispositions",
    "correction": "/v1/corrections",
    "lot-transfer": "/v1/lot-transfers",
    "calibration": "/v1/calibrations",
    "build-order": "/v1/build-orders",
    "packing": "/v1/packings",
    "shipment": "/v1/shipments",
    "customer-return": "/v1/customer-returns",
    "stock-count": "/v1/stock-counts",
    "containment": "/v1/cases",
    "case-decision": "/v1/case-decisions",
    "sorting": "/v1/sortings",
    "inspection": "/v1/inspections",
    "notice": "/v1/notices",
    "drill": "/v1/drills",
    "drill run": "/v1/drills/run",
}

_A_MOMENT = 15
"""Seconds between two messages of a station that come one after the other."""

_TRIES = 3
"""Until a station gives up sending the same message."""

Members = dict[str, Any]
"""Members of a message."""

Message = Members
Told = Callable[[datetime, str, str], None]
"""Is told what happens on the floor: when, where, and what in words."""


class DemoFailed(Exception):
    """The service answered otherwise than the demo expects; the message says what was asked and answered."""


@dataclass(frozen=True, slots=True)
class Answer:
    """What the service answered to one message."""

    message: Message
    status: int
    body: bytes
    content: Mapping[str, Any]

    @property
    def reasons(self) -> list[dict[str, str]]:
        """Why it was refused, or what in it contradicts the books."""
        reasons: list[dict[str, str]] = self.content.get("reasons") or self.content.get("discrepancies") or []
        return reasons

    @property
    def types(self) -> set[str]:
        """The types of these reasons."""
        return {reason["type"].rpartition("/")[2] for reason in self.reasons}

    @property
    def warnings(self) -> list[dict[str, str]]:
        """What the operator is told though nothing speaks against it."""
        warnings: list[dict[str, str]] = self.content.get("warnings", [])
        return warnings

    def fact(self, name: str, **said: object) -> Mapping[str, Any]:
        """The first fact of a kind that says this and became true. Raises DemoFailed where there is none."""
        facts: list[Mapping[str, Any]] = self.content.get("facts", [])
        for fact in facts:
            if fact["fact"] == name and said.items() <= fact.items():
                return fact
        raise DemoFailed(f"{self.message} was expected to have {name!r} among its facts: {self.content}")

    def expect(self, reason: str | None) -> Answer:
        """Raise DemoFailed unless it was recorded without a discrepancy, or refused for the reason expected."""
        types = self.types
        right = self.status == 201 and not types if reason is None else self.status == 409 and reason in types
        if not right:
            wanted = "to be recorded" if reason is None else f"to be refused: {reason}"
            raise DemoFailed(f"{self.message} was expected {wanted}; the answer was {self.status} {self.content}")
        return self


class Floor:
    """All stations of a shift, and their connection to the service."""

    def __init__(
        self, client: httpx2.AsyncClient, *, start: datetime, seed: int, badges: Mapping[str, str], tell: Told
    ):
        self.client = client
        self.start = start
        self.seed = seed
        self.tell = tell
        self.drawn: dict[tuple[str, str], list[tuple[str, tuple[Label, ...]]]] = defaultdict(list)
        """What the floor itself remembers: by scan point and position, the serial numbers of what took pieces there, in
        order, each with the containers that were up."""
        self.holders: dict[str, set[tuple[str, str]]] = defaultdict(set)
        """By serial number of a module the units that it went into, by part and serial number."""
        self.tested: dict[str, set[str]] = defaultdict(set)
        """And by instrument the serial numbers of what was tested on it."""
        self.posted = 0
        self._badges = badges
        self._stations: dict[str, Station] = {}
        self._warned: set[str] = set()

    def station(self, code: str) -> Station:
        """The station at a scan point."""
        if code not in self._stations:
            self._stations[code] = Station(self, code, self._badges[code])
        return self._stations[code]

    @property
    def latest(self) -> datetime:
        """The clock of the station that is ahead of all others."""
        return max(station.clock for station in self._stations.values())

    async def get(self, path: str, **parameters: str | int) -> dict[str, Any]:
        """The answer to a question. Raises DemoFailed where there is none."""
        return _answered(path, await self.client.get(path, params=parameters))

    async def ask(self, path: str, question: Members) -> dict[str, Any]:
        """The same of a question that has a body."""
        return _answered(path, await self.client.post(path, json=question))

    def tell_refused(self, station: Station, what: object, when: datetime, answer: Answer, reason: str) -> None:
        """Tell that something was refused for a reason."""
        detail = next(one["detail"] for one in answer.reasons if one["type"] == f"/problems/{reason}")
        others = len(answer.reasons) - 1
        more = f" ({others} more reason{'s' * (others > 1)})" if others else ""
        self.tell(when, station.code, f"{what}: refused, {reason}. {detail}{more}")

    def tell_warning(self, answer: Answer) -> None:
        """Tell the first warning of each type."""
        for warning in answer.warnings:
            if warning["type"] not in self._warned:
                self._warned.add(warning["type"])
                when = datetime.fromisoformat(answer.message["occurred_at"])
                self.tell(when, answer.message["scan_point"], f"{warning['title']}. {warning['detail']}")

    async def keep(self, content: bytes, media_type: str) -> str:
        """Send a file to be kept; its SHA-256, by which test runs name it. Raises DemoFailed where it is not kept."""
        digest = sha256(content).hexdigest()
        response = await self._send("PUT", f"/v1/attachments/{digest}", content, media_type)
        if not response.is_success:
            raise DemoFailed(f"the attachment {digest} was answered with {response.status_code} {response.text}")
        return digest

    async def post(self, message: Message) -> Answer:
        """Post one message, as its station asks it."""
        body = {name: value for name, value in message.items() if name != "kind"}
        response = await self._send("POST", ADDRESSES[message["kind"]], json.dumps(body).encode(), "application/json")
        self.posted += 1
        return Answer(message, response.status_code, response.content, response.json())

    async def post_all(self, messages: Sequence[Message]) -> list[Answer]:
        """Post messages that belong together, several as lines. Raises DemoFailed where one is not recorded."""
        answers = [await self.post(messages[0])] if len(messages) == 1 else await self.post_lines(messages)
        return [answer.expect(None) for answer in answers]

    async def post_lines(self, messages: Sequence[Message]) -> list[Answer]:
        """Post many messages at once, a line each."""
        lines = "".join(json.dumps(message) + "\n" for message in messages)
        response = await self._send("POST", "/v1/messages", lines.encode(), "application/x-ndjson")
        self.posted += len(messages)
        if response.status_code != 200:
            raise DemoFailed(f"{len(messages)} lines were answered with {response.status_code} {response.text}")
        answers = [(line, json.loads(line)) for line in response.content.splitlines()]
        return [
            Answer(message, answer["status"], line, answer["answer"])
            for message, (line, answer) in zip(messages, answers, strict=True)
        ]

    async def _send(self, method: str, path: str, content: bytes, media_type: str) -> httpx2.Response:
        """Send a request; where the connection breaks, the same again, as stations do. Raises DemoFailed in the end."""
        for _ in range(_TRIES):
            try:
                return await self.client.request(method, path, content=content, headers={"Content-Type": media_type})
            except httpx2.TransportError as error:
                broken = error
        raise DemoFailed(f"the service does not answer at {path}: {broken!r}")


def _answered(path: str, response: httpx2.Response) -> dict[str, Any]:
    if not response.is_success:
        raise DemoFailed(f"{path} was answered with {response.status_code} {response.text}")
    answer: dict[str, Any] = response.json()
    return answer


class Station:
    """One scan point: it works on one thing after another, and its clock only goes forward."""

    def __init__(self, floor: Floor, code: str, badge: str) -> None:
        self.floor = floor
        self.code = code
        self.badge = badge
        self.busy = asyncio.Lock()
        self.clock = floor.start
        self._posted = 0

    def at(self, ready: datetime, seconds: float) -> datetime:
        """When work of so many seconds ends, on something that is ready at a time; the clock goes on to then."""
        self.clock = max(self.clock, ready) + timedelta(seconds=max(1, round(seconds)))
        return self.clock

    def next(self) -> datetime:
        """When it has done one thing more, of those that take no time worth telling."""
        return self.at(self.clock, _A_MOMENT)

    def message(self, kind: str, when: datetime, *, by: str | None = None, **members: Any) -> Message:
        """A message of this station, under an id of its own that is the same in every demo with the same seed."""
        self._posted += 1
        identity = uuid5(NAMESPACE_URL, f"partkin-demo/{self.floor.seed}/{self.code}/{self._posted}")
        return {
            "kind": kind,
            "message_id": str(identity),
            "operator": by or self.badge,
            "occurred_at": when.isoformat(),
            "scan_point": self.code,
            **members,
        }

    async def ask(self, kind: str, when: datetime, *, refused: str | None = None, **members: Any) -> Answer:
        """Post a message; raises DemoFailed unless it is recorded, or refused where that is expected."""
        return (await self.floor.post(self.message(kind, when, **members))).expect(refused)


class Desk(Station):
    """Where somebody writes who stands at no scan point."""

    def message(self, kind: str, when: datetime, *, by: str | None = None, **members: Any) -> Message:
        """A message that names no scan point."""
        said = super().message(kind, when, by=by, **members)
        del said["scan_point"]
        return said
