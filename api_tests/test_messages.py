"""Posting: repeats, batches, and what cannot be read as a message."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from typing import Any

import httpx2
import pytest

from api_tests import servers
from api_tests.plant import Json, Station, books, dryer, heater, lot_of, motor, reasons, recorded

NDJSON = {"Content-Type": "application/x-ndjson"}
JSON = {"Content-Type": "application/json"}


def start_of(station: Station, serial: str) -> Json:
    return station.says(scan_point="L-10", part="DRYER", serial=serial, kind="unit-start")


def marriage_of(station: Station, serial: str, *items: Json) -> Json:
    components = [{"item": item} for item in items]
    return station.says(scan_point="L-10", unit=dryer(serial), components=components, kind="marriage")


# -- the three ways to post


Answer = tuple[int, bytes]


def alone(station: Station, message: Json) -> Answer:
    response = station.client.post("/v1/units", json=message)
    return response.status_code, response.content


def under_its_key(station: Station, message: Json) -> Answer:
    rest = {name: value for name, value in message.items() if name not in ("kind", "message_id")}
    response = station.client.post("/v1/units", json=rest, headers={"Idempotency-Key": f'"{message["message_id"]}"'})
    return response.status_code, response.content


def as_a_line(station: Station, message: Json) -> Answer:
    (line,) = lines(station, [message])
    return line


def lines(station: Station, messages: Iterable[Json | bytes]) -> list[Answer]:
    """The answers to messages that are posted together, as bytes."""
    raw = b"\n".join(one if isinstance(one, bytes) else json.dumps(one).encode() for one in messages)
    response = station.client.post("/v1/messages", content=raw, headers=NDJSON)
    assert (response.status_code, response.headers["content-type"]) == (200, NDJSON["Content-Type"])
    answers = []
    for line in response.content.splitlines():
        status = int(json.loads(line)["status"])
        answers.append((status, line.removeprefix(b'{"answer":').removesuffix(b',"status":%d}' % status)))
    return answers


WAYS = [alone, under_its_key, as_a_line]


@pytest.mark.parametrize("first", WAYS)
def test_a_repeat_gets_the_first_answer_byte_for_byte_whichever_way_it_comes(
    station: Station, first: Callable[[Station, Json], Answer]
) -> None:
    recorded(station.start("D1"))
    for serial, status in (("D2", 201), ("D1", 409)):
        message = start_of(station, serial)
        answer = first(station, message)
        assert answer[0] == status
        recorded(station.marry("D1", "L-10", heater(f"H-{serial}")))
        assert [again(station, message) for again in WAYS] == [answer] * 3


def test_a_repeat_may_be_written_otherwise(station: Station) -> None:
    message = marriage_of(station, "D1", motor("M1"))
    recorded(station.start("D1"))
    first = station.client.post("/v1/marriages", json=message)
    assert first.status_code == 201
    otherwise = json.dumps(dict(reversed(message.items())), indent=3).replace("MOTOR", "\\u004dOTOR")
    again = station.client.post("/v1/marriages", content=otherwise, headers=JSON)
    assert (again.status_code, again.content) == (201, first.content)


def test_another_message_under_a_used_id_is_an_error(station: Station, store_url: str) -> None:
    message = start_of(station, "D1")
    first = json.loads(alone(station, message)[1])
    before = books(store_url)
    for again in WAYS:
        status, body = again(station, {**message, "serial": "D2"})
        assert (status, json.loads(body)["type"]) == (422, "/problems/message-id-reused")
        assert json.loads(body)["first_entry"] == first["entry"]
        assert "D2" in entry(station, json.loads(body)["entry"])["message"]["received"]
    assert books(store_url) == before
    assert alone(station, message)[0] == 201


def test_an_id_is_one_message_of_any_kind(station: Station) -> None:
    message = start_of(station, "D1")
    alone(station, message)
    hold = {**station.says(action="place", item=dryer("D1"), reason="rust"), "message_id": message["message_id"]}
    assert station.client.post("/v1/holds", json=hold).status_code == 422


def test_repeats_within_one_batch_are_answered_alike(station: Station) -> None:
    start, marriage = start_of(station, "D1"), marriage_of(station, "D1", motor("M1"))
    first, second, again, other, once_more = lines(
        station, [start, marriage, start, {**start, "operator": "B2"}, marriage]
    )
    assert [first[0], second[0], other[0]] == [201, 201, 422]
    assert (again, once_more) == (first, second)
    assert [row["outcome"] for row in entries(station)[1:]] == ["recorded", "recorded", "unreadable"]


# -- many messages


def test_lines_are_recorded_in_their_order_each_seeing_those_before(station: Station) -> None:
    statuses = [
        status
        for status, _ in lines(
            station,
            [
                marriage_of(station, "D1", motor("M1")),
                start_of(station, "D1"),
                start_of(station, "D2"),
                marriage_of(station, "D1", motor("M1")),
                marriage_of(station, "D2", motor("M1")),
                station.says(scan_point="RW", unit=dryer("D1"), component=motor("M1"), reason="noisy", kind="removal"),
                marriage_of(station, "D2", motor("M1")),
            ],
        )
    ]
    assert statuses == [409, 201, 201, 201, 409, 201, 201]


def test_a_line_that_cannot_be_read_harms_no_other(station: Station) -> None:
    answers = lines(station, [start_of(station, "D1"), b"{", b"", b"  ", b"7\r", start_of(station, "D2"), b""])
    assert [status for status, _ in answers] == [201, 400, 422, 201]
    assert [row["message"].get("received") for row in entries(station)[1:]] == [None, "{", "7\r", None]


def test_a_thousand_lines_are_answered_one_by_one(station: Station) -> None:
    messages = [start_of(station, f"D{n:04}") for n in range(1000)]
    answers = lines(station, messages)
    assert [json.loads(body)["message_id"] for _, body in answers] == [one["message_id"] for one in messages]
    assert {status for status, _ in answers} == {201}
    assert lines(station, messages) == answers


def test_a_line_of_any_length_is_answered(station: Station) -> None:
    long = b'{"kind": "unit-start", "part": "' + b"x" * 3_000_000 + b'"}'
    answers = lines(station, [start_of(station, "D1"), long, start_of(station, "D2")])
    assert [status for status, _ in answers] == [201, 413, 201]
    assert len(entries(station)[2]["message"]["received"]) == 65_536


def test_lines_beyond_the_limit_are_not_recorded_and_that_is_said(
    store_url: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("PARTKIN_LINES_LIMIT_BYTES", "100000")
    with servers.running(store_url) as base_url, httpx2.Client(base_url=base_url) as client:
        station = Station(client)
        answers = lines(station, [station.says(kind="hold", action="release", hold=1, reason="r")] * 2000)
    assert {status for status, _ in answers[:-1]} <= {409}
    assert (answers[-1][0], json.loads(answers[-1][1])["type"]) == (413, "/problems/too-large")


def test_lines_under_another_media_type_are_journalled_but_not_recorded(station: Station) -> None:
    message = start_of(station, "D1")
    raw = json.dumps(message).encode()
    refused = station.client.post("/v1/messages", content=raw, headers=JSON)
    assert (refused.status_code, refused.json()["type"]) == (415, "/problems/wrong-media-type")
    assert entry(station, refused.json()["entry"])["message"]["received"] == raw.decode()
    assert as_a_line(station, message)[0] == 201


# -- the journal


def test_the_journal_comes_in_pages_in_its_order(station: Station) -> None:
    lines(station, [start_of(station, f"D{n}") for n in range(5)])
    seen: list[int] = []
    cursor: int | None = 0
    while cursor is not None:
        page = station.client.get("/v1/entries", params={"cursor": cursor, "limit": 2}).json()
        seen += [row["entry"] for row in page["items"]]
        cursor = page["next"]
    assert seen == sorted(set(seen))
    assert len(seen) == 6
    assert station.client.get(f"/v1/entries/{seen[-1]}").json()["message"]["serial"] == "D4"


# -- what cannot be read


@dataclass(frozen=True)
class Unreadable:
    """What comes, and the problem with it."""

    content: bytes
    status: int
    type: str
    headers: dict[str, str] = field(default_factory=dict)


ID = "a-message-of-its-own"
GOOD_START: Json = {
    "message_id": ID,
    "operator": "B1",
    "occurred_at": "2026-03-02T06:00:00+01:00",
    "scan_point": "L-10",
    "part": "DRYER",
    "serial": "D1",
}


def start_with(**changes: Any) -> bytes:
    return json.dumps({**GOOD_START, **changes}).encode()


UNREADABLE = {
    "no JSON": Unreadable(b'{"message_id": "a-message-of-its-own"', 400, "not-json"),
    "no UTF-8": Unreadable(b'{"message_id": "a-message-of-its-own", "\xff": 1}', 400, "not-json"),
    "nothing": Unreadable(b"", 400, "not-json"),
    "brackets without end": Unreadable(b"[" * 100_000, 400, "not-json"),
    "no object": Unreadable(b'["a-message-of-its-own"]', 422, "invalid"),
    "a number beyond all measure": Unreadable(start_with(serial=0)[:-2] + b"9" * 5000 + b"}", 422, "invalid"),
    "half a character": Unreadable(start_with(operator="\ud800"), 422, "invalid"),
    "half a character for a kind": Unreadable(start_with(kind="\ud800"), 422, "invalid"),
    "no such member": Unreadable(start_with(shift=1), 422, "invalid"),
    "no such part of the plant": Unreadable(start_with(scan_point="Überall"), 422, "invalid"),
    "a control character": Unreadable(start_with(operator="B\u00001"), 422, "invalid"),
    "no offset from UTC": Unreadable(start_with(occurred_at="2026-03-02T06:00:00"), 422, "invalid"),
    "beyond all calendars": Unreadable(start_with(occurred_at="9999-12-31T23:59:59-01:00"), 422, "invalid"),
    "before all calendars": Unreadable(start_with(occurred_at="0001-01-01T00:00:00+01:00"), 422, "invalid"),
    "another kind": Unreadable(start_with(kind="hold"), 422, "invalid"),
    "too large": Unreadable(start_with(serial="x" * 2_000_000), 413, "too-large"),
    "another media type": Unreadable(start_with(), 415, "wrong-media-type", {"Content-Type": "text/plain"}),
    "no message_id": Unreadable(start_with(message_id=None), 400, "message-id-missing"),
    "another key": Unreadable(start_with(), 422, "invalid", {"Idempotency-Key": '"another"'}),
    "a key without quotes": Unreadable(start_with(), 400, "invalid", {"Idempotency-Key": ID}),
}


@pytest.mark.parametrize("what", UNREADABLE)
def test_what_cannot_be_read_is_journalled_and_claims_no_id(station: Station, what: str) -> None:
    case = UNREADABLE[what]
    answer = station.client.post("/v1/units", content=case.content, headers={**JSON, **case.headers})
    problem = answer.json()
    assert (answer.status_code, problem["status"]) == (case.status, case.status), answer.text
    assert (problem["type"], problem["outcome"]) == (f"/problems/{case.type}", "unreadable")
    kept = entry(station, problem["entry"])
    assert (kept["outcome"], kept["answer"]) == ("unreadable", problem)
    assert kept["message"]["received"] == case.content[:65_536].decode("utf-8", "backslashreplace")
    assert station.client.post("/v1/units", json=GOOD_START).status_code == 201


def test_a_mistake_in_the_form_is_told_with_its_place(service: httpx2.Client) -> None:
    mistakes: list[tuple[Json, str, str]] = [
        ({"shift": 1}, "/shift", "Not a member of this message."),
        ({"Shift": 1}, "/Shift", "Not a member of this message."),
        ({"a/b~c": 1}, "/a~1b~0c", "Not a member of this message."),
        ({"mode": "maybe"}, "/mode", "Input should be 'ask' or 'tell'."),
        ({"serial": 5}, "/serial", "Input should be a valid string."),
    ]
    for changes, pointer, detail in mistakes:
        answer = service.post("/v1/units", content=start_with(**changes), headers=JSON)
        assert answer.json()["errors"] == [{"pointer": pointer, "detail": detail}]


def test_every_mistake_in_the_form_is_told_at_once(service: httpx2.Client) -> None:
    message = {"message_id": "m", "operator": " B1", "unit": dryer("D1"), "components": [{"slot": 0}]}
    answer = service.post("/v1/marriages", json=message)
    assert {one["pointer"] for one in answer.json()["errors"]} == {
        "/operator",
        "/occurred_at",
        "/scan_point",
        "/components/0/item",
        "/components/0/slot",
    }


# -- the header (draft-ietf-httpapi-idempotency-key-header-07; strings of RFC 8941, section 3.3.3)


def test_the_idempotency_key_is_the_message_id(service: httpx2.Client) -> None:
    body = {name: value for name, value in GOOD_START.items() if name != "message_id"}
    for header, message_id in [
        ('"8e03978e-40d5-43e8-bc93-6894a57f9324"', "8e03978e-40d5-43e8-bc93-6894a57f9324"),
        (r'"a \"quoted\" id"', 'a "quoted" id'),
        (r'"back\\slash"', "back\\slash"),
        ('"~"', "~"),
    ]:
        answer = service.post("/v1/units", json=body, headers={"Idempotency-Key": header})
        assert answer.json()["message_id"] == message_id


def test_a_key_that_is_no_string_is_refused(service: httpx2.Client) -> None:
    no_strings = [
        b"bare",
        b'""',
        b'"',
        b'"open',
        b'"in "the" middle"',
        rb'"\a"',
        b'"ends in \\"',
        b'"one", "two"',
        b":YQ==:",
    ]
    for headers in [*([one] for one in no_strings), [b'"one"', b'"two"']]:
        keys = [(b"Idempotency-Key", header) for header in headers]
        body = start_with(message_id="one")
        answer = service.post("/v1/units", content=body, headers=[(b"Content-Type", b"application/json"), *keys])
        assert (answer.status_code, answer.json()["type"]) == (400, "/problems/invalid"), headers


# -- asked and told


def test_a_message_asks_unless_it_says_that_it_tells(station: Station) -> None:
    assert station.marry("D1", "L-10", motor("M1")).status_code == 409
    told = station.marry("D1", "L-10", motor("M1"), mode="tell")
    assert (told.status_code, reasons(told)) == (201, ["unknown-item"])
    assert told.json()["unit"] == {"part": "DRYER", "serial": "D1", "state": "in work"}


def test_what_is_told_twice_is_one_thing(station: Station) -> None:
    message = {**marriage_of(station, "D1", motor("M1")), "mode": "tell"}
    (first,), (again,) = lines(station, [message]), lines(station, [message])
    assert first == again
    assert len(entries(station)) == 2


def test_of_what_is_told_the_readable_is_kept(station: Station) -> None:
    recorded(station.start("D1"))
    told = station.marry("D1", "L-10", "no label of ours", motor("M1"), heater("H1"), mode="tell")
    assert reasons(told) == ["unknown-part"]
    assert told.json()["discrepancies"][0]["pointer"] == "/components/0/item"
    assert [fact["child"] for fact in told.json()["facts"] if fact["fact"] == "married"] == [motor("M1"), heater("H1")]


def test_what_is_told_of_no_unit_puts_nothing_on_hold(station: Station) -> None:
    told = station.load(lot_of("CARTON", "C1"), "L-40", mode="tell")
    assert (reasons(told), told.json()["unit"]) == (["lot-not-received"], None)
    assert station.client.get("/v1/holds").json()["items"] == []


def entries(station: Station) -> list[Json]:
    """All entries; the first is that of the catalogue."""
    items: list[Json] = station.client.get("/v1/entries?limit=1000").json()["items"]
    return items


def entry(station: Station, number: int) -> Json:
    found: Json = station.client.get(f"/v1/entries/{number}").json()
    return found
