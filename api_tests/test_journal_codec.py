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
from partkin.store.column_types import bytes_of_id, id_of_bytes
from partkin.store.database import Database
from partkin.store.journal.journal_codec import OWN, BrokenEntry, Codec, Head, trained, with_marks

DICTIONARIES = {"journal_1.dictionary": "0df9e9687338cfbaf5791d86a97464d68dd41cc4af118af2931d9b0d4322032d"}
"""SHA-256 of each. Some store may need it, so none is ever changed or taken away."""

AT = "2026-03-02T06:00:00.000000Z"
MESSAGE = {"kind": "unit-start", "message_id": "m-1", "operator": "B1", "part": "DRYER", "scan_point": "L-10"}
FACT = {"fact": "item known", "item": {"part": "DRYER", "serial": "D0001"}, "number": 7 * 4096, "state": "in work"}
ANSWER = {"entry": 7, "facts": [FACT], "message_id": "m-1", "outcome": "recorded", "recorded_at": AT, "warnings": []}
FIRST = bytes.fromhex(
    "0120d14d0200f87b756e69742d44525945524c2d31443030047761726e696e6773223a5b5d7d0ef0099481e475f256c66bf2"
    "7902ebd3dbf836f9cfb7d7ad01e415d5b05ac39a4c5b86ebb611af2e02"
)
"""The two, as the first version of the codec packed them."""
LATER = bytes.fromhex(
    "0220b145020074027b756e69742d222c012c0652594552222c057d007b44303030317761726e696e6773223a5b5d7d0af0e9"
    "c9a4aed1da79e6dede7fc8f8f4d6873709fbc62d59eed6b7bdf54d02"
)
"""As they are packed since there are more marks."""
OWN_WORDS = b'"kind":"unit-start","part":"DRYER","serial":"D0001","state":"in work","outcome":"recorded","warnings":[]'
"""A dictionary of a store's own: Zstandard takes any bytes for one."""
WITH_OWN = bytes.fromhex(
    "8020b1450200e4027b012c06057d007b03226661637473223a5b7b223a226974656d206b6e6f776e222c223a7b7d2c047d5d"
    "2c01027d0800339345cc14d2326fa84c0f30af6eb5150ec4b1741002"
)
"""As they are packed with it."""
HEAD = Head(7, "m-1", "L-10", "B1", None, moment_of_text(AT))
CODEC = Codec({OWN.start: OWN_WORDS})


def canonical(value: Any) -> str:
    """By another program than the one that the service uses."""
    return rfc8785.dumps(value).decode()


def unpacked(packed: bytes) -> tuple[str, str]:
    return CODEC.unpack(HEAD, packed)


def test_what_was_once_packed_is_read_for_ever() -> None:
    folder = resources.files("partkin.store.journal")
    kept = {one.name: sha256(one.read_bytes()).hexdigest() for one in folder.iterdir() if ".dictionary" in one.name}
    assert kept == DICTIONARIES
    assert [packed[0] for packed in (FIRST, LATER, WITH_OWN)] == [1, 2, 128]
    for packed in (FIRST, LATER, WITH_OWN):
        assert unpacked(packed) == (canonical(MESSAGE), canonical(ANSWER))


def test_a_message_and_its_answer_take_few_bytes() -> None:
    """Against zlib at its best, which knows no dictionary."""
    assert 2 * len(LATER) < len(zlib.compress((canonical(MESSAGE) + canonical(ANSWER)).encode(), 9))
    texts = [with_marks(HEAD, canonical({**MESSAGE, "serial": f"D{n}"}), canonical(ANSWER)) for n in range(2000)]
    content = trained(texts[:-1])
    assert content is not None
    assert 2 * len(Codec({200: content}).compressed(texts[-1:])[0]) < len(LATER)


# What the codec leaves out, and what looks like it: numbers that follow one another, ids, moments in all forms, codes.
MOMENTS = [
    "2026-03-02T06:00:00Z",
    "2026-03-02T06:00:00.000Z",
    "2026-03-02T06:00:00.000000Z",
    "2026-03-02T06:00:00.000000000Z",
    "2026-03-02T06:00:00+00:00",
    "2026-03-02T07:00:00.000+01:00",
    "2026-03-02T06:00:00.123Z",
    "2026-03-02T06:00:00.123000Z",
    "2026-03-02T06:00:00.123456Z",
    "2026-03-02t06:00:00z",
]
WRITTEN_OTHERWISE = {"2026-03-02T06:00:00+00:00", "2026-03-02t06:00:00z"}
"""Than an answer writes them, as far as it goes."""
CODES = ["", "B1", "L-10", 'B"1', "\1", "\7\x08", 'B1","scan_point":"L-10', "\N{MICRO SIGN}", MOMENTS[1]]
WORDS = st.sampled_from(
    ["", "m-1", *MOMENTS, *CODES, "\0", "".join(map(chr, range(16))), '"number":', '"entry":7,', "\U0001f4a7"]
)
NUMBERS = st.integers(7 * 4096 - 1, 7 * 4096 + 3) | st.integers(-(2**53) + 1, 2**53 - 1)
NAMES = st.sampled_from(
    ["number", "entry", "message_id", "recorded_at", "occurred_at", "scan_point", "operator", "fact"]
) | st.text(max_size=4)
VALUES = st.recursive(
    WORDS | NUMBERS | st.none() | st.booleans() | st.floats(allow_nan=False, allow_infinity=False) | st.text(),
    lambda inner: st.lists(inner, max_size=6) | st.dictionaries(NAMES, inner, max_size=5),
    max_leaves=20,
)
SAID = st.sampled_from(MOMENTS).map(lambda said: moment_of_text(said.upper()))
HEADS = st.builds(
    Head,
    st.just(7) | st.integers(1, 2**40),
    st.none() | st.just("m-1") | st.text(min_size=1),
    st.none() | st.sampled_from(CODES) | st.text(),
    st.none() | st.sampled_from(CODES) | st.text(),
    st.none() | SAID | st.integers(0, 2**51),
    SAID,
)


@given(HEADS, VALUES, VALUES)
def test_whatever_is_packed_is_read_again(head: Head, message: Json, answer: Json) -> None:
    texts = canonical(message), canonical(answer)
    assert CODEC.unpack(head, CODEC.pack(head, *texts)) == texts


@given(HEADS, st.sampled_from(MOMENTS))
def test_what_columns_say_is_left_out_and_read_again(head: Head, said: str) -> None:
    """A message as stations write it, which says what the columns of its entry say."""
    head = head._replace(occurred_at=moment_of_text(said.upper()))
    named = {name: getattr(head, name) for name in ("message_id", "operator", "scan_point")}
    message = {**{name: one for name, one in named.items() if one is not None}, "occurred_at": said}
    texts = canonical(message), canonical({**message, "facts": [{"number": head.id * 4096 + n} for n in range(3)]})
    assert CODEC.unpack(head, CODEC.pack(head, *texts)) == texts
    left = with_marks(head, *texts)
    assert "number" not in left
    for name, one in named.items():
        assert (f'"{name}":' in left) == (one is not None and canonical(one) != f'"{one}"')
    assert ("2026-03-02T06" in left.upper()) == (said in WRITTEN_OTHERWISE)


@given(st.binary(max_size=60), st.integers(0, len(FIRST)), st.integers(0, len(FIRST)))
def test_what_was_not_packed_so_is_broken_or_something_else_but_no_other_error(
    put: bytes, start: int, end: int
) -> None:
    for changed in (put, *(packed[:start] + put + packed[end:] for packed in (FIRST, LATER, WITH_OWN))):
        try:
            texts = unpacked(changed)
        except BrokenEntry as broken:
            said = (broken.entry, str(broken)[:24])
        else:
            said = (len(texts), "")
        assert said in ((2, ""), (7, "Entry 7 cannot be read: "))


def test_what_a_later_version_packed_says_so() -> None:
    with pytest.raises(BrokenEntry, match="it needs dictionary 100, which this version of Partkin lacks"):
        unpacked(bytes((100,)) + FIRST[1:])


def test_a_raw_control_character_is_refused() -> None:
    """RFC 8785, 3.2.2.2: they are written as escapes."""
    with pytest.raises(ValueError, match="entry 7 is no canonical JSON"):
        CODEC.pack(HEAD, '{"a":"\2"}', "{}")


def test_threads_pack_and_unpack_at_once() -> None:
    answers = [{**ANSWER, "facts": [FACT] * (n % 50)} for n in range(400)]
    texts = [(canonical({**MESSAGE, "serial": f"{n}"}), canonical(answer)) for n, answer in enumerate(answers)]

    def there_and_back(both: tuple[str, str]) -> tuple[str, str]:
        return unpacked(CODEC.pack(HEAD, *both))

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
        connection.execute(changed, {"number": numbers[0], "texts": b"\x64" + bytes(kept)[1:]})
        connection.execute(changed, {"number": numbers[2], "texts": bytes(kept)[:-9]})
    with pytest.raises(typer.Exit) as left:
        check(store_url, as_json=True)
    broken = json.loads(capsys.readouterr().out)["broken_entries"]
    assert (left.value.exit_code, [one["entry"] for one in broken]) == (1, [numbers[0], numbers[2]])
    with pytest.raises(typer.Exit):
        check(store_url, as_json=False)
    words = capsys.readouterr().out
    assert f"Entry {numbers[0]} cannot be read: it needs dictionary 100" in words
    assert "2 entries cannot be read" in words
    answer = service.get(f"/v1/entries/{numbers[2]}")
    assert (answer.status_code, answer.json()["detail"].startswith(f"Entry {numbers[2]} cannot be read")) == (500, True)
    assert service.get(f"/v1/entries/{numbers[1]}").status_code == 200
