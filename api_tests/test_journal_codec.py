"""The journal's texts, packed: read again to the last character, now and by every later version."""

from __future__ import annotations

import json
import re
import zlib
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing
from hashlib import sha256
from importlib import resources
from typing import Any
from uuid import UUID

import httpx2
import pytest
import rfc8785
import typer
from hypothesis import given
from hypothesis import strategies as st
from sqlalchemy import text

from api_tests.plant import Json, Station, recorded
from api_tests.test_seals import UNLOCK
from partkin.command_line.check import check
from partkin.rules.moments import moment_of_text
from partkin.store.database import Database, bytes_of_id, id_of_bytes
from partkin.store.journal_codec import NEWEST, BrokenEntry, pack, unpack

DICTIONARIES = {1: "0df9e9687338cfbaf5791d86a97464d68dd41cc4af118af2931d9b0d4322032d"}
"""SHA-256 of each. Some store may need it, so none is ever changed or taken away."""

AT = "2026-03-02T06:00:00.000000Z"
MESSAGE = {"kind": "unit-start", "message_id": "m-1", "operator": "B1", "part": "DRYER", "scan_point": "L-10"}
FACT = {"fact": "item known", "item": {"part": "DRYER", "serial": "D0001"}, "number": 7 * 4096, "state": "in work"}
ANSWER = {"entry": 7, "facts": [FACT], "message_id": "m-1", "outcome": "recorded", "recorded_at": AT, "warnings": []}
PACKED = bytes.fromhex(
    "0120d14d0200f87b756e69742d44525945524c2d31443030047761726e696e6773223a5b5d7d0ef0099481e475f256c66bf2"
    "7902ebd3dbf836f9cfb7d7ad01e415d5b05ac39a4c5b86ebb611af2e02"
)
"""The two, as the first version of the codec packed them."""


def canonical(value: Any) -> str:
    """By another program than the one that the service uses."""
    return rfc8785.dumps(value).decode()


def unpacked(packed: bytes) -> tuple[str, str]:
    return unpack(7, "m-1", moment_of_text(AT), packed)


def test_what_was_once_packed_is_read_for_ever() -> None:
    folder = resources.files("partkin.store")
    kept = {n: sha256((folder / f"journal_{n}.dictionary").read_bytes()).hexdigest() for n in range(1, NEWEST + 1)}
    assert kept == DICTIONARIES
    assert unpacked(PACKED) == (canonical(MESSAGE), canonical(ANSWER))


def test_a_message_and_its_answer_take_few_bytes() -> None:
    """Against zlib at its best, which knows no dictionary."""
    assert 2 * len(PACKED) < len(zlib.compress((canonical(MESSAGE) + canonical(ANSWER)).encode(), 9))


# What the codec leaves out, and what looks like it: numbers that follow one another, ids, moments, control characters.
WORDS = st.sampled_from(["", "m-1", AT, "\0", "\1\2\3\4", '"number":', '"entry":7,', "\N{MICRO SIGN}", "\U0001f4a7"])
NUMBERS = st.integers(7 * 4096 - 1, 7 * 4096 + 3) | st.integers(-(2**53) + 1, 2**53 - 1)
NAMES = st.sampled_from(["number", "entry", "message_id", "recorded_at", "fact"]) | st.text(max_size=4)
VALUES = st.recursive(
    WORDS | NUMBERS | st.none() | st.booleans() | st.floats(allow_nan=False, allow_infinity=False) | st.text(),
    lambda inner: st.lists(inner, max_size=6) | st.dictionaries(NAMES, inner, max_size=5),
    max_leaves=20,
)


@given(st.integers(1, 2**40), st.none() | st.just("m-1") | st.text(min_size=1), VALUES, VALUES)
def test_whatever_is_packed_is_read_again(number: int, message_id: str | None, message: Json, answer: Json) -> None:
    texts = canonical(message), canonical(answer)
    at = moment_of_text(AT)
    for of in {7, number}:
        assert unpack(of, message_id, at, pack(of, message_id, at, *texts)) == texts


@given(st.binary(max_size=60), st.integers(0, len(PACKED)), st.integers(0, len(PACKED)))
def test_what_was_not_packed_so_is_broken_or_something_else_but_no_other_error(
    put: bytes, start: int, end: int
) -> None:
    for changed in (put, PACKED[:start] + put + PACKED[end:]):
        try:
            texts = unpacked(changed)
        except BrokenEntry as broken:
            said = (broken.entry, str(broken)[:24])
        else:
            said = (len(texts), "")
        assert said in ((2, ""), (7, "Entry 7 cannot be read: "))


def test_what_a_later_version_packed_says_so() -> None:
    with pytest.raises(BrokenEntry, match="it needs dictionary 200, which this version of Partkin lacks"):
        unpacked(bytes((200,)) + PACKED[1:])


def test_a_raw_control_character_is_refused() -> None:
    """RFC 8785, 3.2.2.2: they are written as escapes."""
    with pytest.raises(ValueError, match="entry 7 is no canonical JSON"):
        pack(7, "m-1", 0, '{"a":"\2"}', "{}")


def test_threads_pack_and_unpack_at_once() -> None:
    answers = [{**ANSWER, "facts": [FACT] * (n % 50)} for n in range(400)]
    texts = [(canonical({**MESSAGE, "serial": f"{n}"}), canonical(answer)) for n, answer in enumerate(answers)]

    def there_and_back(both: tuple[str, str]) -> tuple[str, str]:
        return unpacked(pack(7, "m-1", moment_of_text(AT), *both))

    with ThreadPoolExecutor(8) as threads:
        assert list(threads.map(there_and_back, texts)) == texts


# -- message ids


@given(st.uuids().map(str) | st.uuids().map(lambda uuid: str(uuid).upper()) | st.text(st.characters(min_codepoint=33)))
def test_ids_are_told_apart_and_read_again(message_id: str) -> None:
    kept = bytes_of_id(message_id)
    assert id_of_bytes(kept) == message_id
    is_uuid = re.fullmatch("[0-9a-f]{8}-([0-9a-f]{4}-){3}[0-9a-f]{12}", message_id)  # RFC 9562, 4
    assert (len(kept) == 16) == (is_uuid is not None)


def test_ids_that_look_alike_are_of_different_messages(station: Station) -> None:
    """A UUID, the same in capitals and without hyphens, and the sixteen characters that its bytes are."""
    uuid = UUID(bytes=b"sixteen-letters.")
    messages = [
        {**station.says(part="DRYER", scan_point="L-10"), "message_id": one}
        for one in (f"{uuid}", f"{uuid}".upper(), uuid.hex, "sixteen-letters.", "sixteen-letters")
    ]
    first, again = ([station.client.post("/v1/units", json=message) for message in messages] for _ in range(2))
    assert [answer.json()["message_id"] for answer in first] == [one["message_id"] for one in messages]
    assert len({answer.json()["entry"] for answer in first}) == 5
    assert [answer.content for answer in again] == [answer.content for answer in first]


# -- entries that cannot be read


def test_broken_entries_are_named(
    station: Station, service: httpx2.Client, store_url: str, capsys: pytest.CaptureFixture[str]
) -> None:
    numbers = [recorded(station.start(f"D{n}"))["entry"] for n in range(3)]
    changed = text("UPDATE entry SET texts = :texts WHERE id = :number")
    with closing(Database(store_url)) as store, store.write() as connection:
        for unlock in UNLOCK[store.dialect]:
            connection.execute(text(unlock))
        kept = connection.scalar(text("SELECT texts FROM entry WHERE id = :number"), {"number": numbers[0]})
        connection.execute(changed, {"number": numbers[0], "texts": b"\xc8" + bytes(kept)[1:]})
        connection.execute(changed, {"number": numbers[2], "texts": bytes(kept)[:-9]})
    with pytest.raises(typer.Exit) as left:
        check(store_url, as_json=True)
    broken = json.loads(capsys.readouterr().out)["broken_entries"]
    assert (left.value.exit_code, [one["entry"] for one in broken]) == (1, [numbers[0], numbers[2]])
    with pytest.raises(typer.Exit):
        check(store_url, as_json=False)
    words = capsys.readouterr().out
    assert f"Entry {numbers[0]} cannot be read: it needs dictionary 200" in words
    assert "2 entries cannot be read" in words
    answer = service.get(f"/v1/entries/{numbers[2]}")
    assert (answer.status_code, answer.json()["detail"].startswith(f"Entry {numbers[2]} cannot be read")) == (500, True)
    assert service.get(f"/v1/entries/{numbers[1]}").status_code == 200
