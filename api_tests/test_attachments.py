"""Attachments: kept once, whole or not at all, and given back to the byte."""

from __future__ import annotations

import hashlib
import random
import re
import socket
import struct
import threading
import zlib
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing, contextmanager
from pathlib import Path

import httpx2
import psycopg
import pytest
from sqlalchemy import func, make_url, select, text

from api_tests import servers
from api_tests.plant import Json
from partkin.questions.attachments import broken_attachments
from partkin.store.attachments import PIECE_BYTES
from partkin.store.database import Database
from partkin.store.tables import attachment, attachment_piece

MEBIBYTE = 1 << 20
PNG = {"Content-Type": "image/png"}


def some_bytes(count: int) -> bytes:
    return random.Random(count).randbytes(count)


def sha256(content: bytes) -> str:
    return hashlib.sha256(content).hexdigest()


def picture() -> bytes:
    """A real picture, of one grey pixel (PNG, ISO/IEC 15948)."""

    def chunk(kind: bytes, data: bytes) -> bytes:
        return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))

    header = struct.pack(">IIBBBBB", 1, 1, 8, 0, 0, 0, 0)
    chunks = chunk(b"IHDR", header), chunk(b"IDAT", zlib.compress(b"\x00\x80")), chunk(b"IEND", b"")
    return b"\x89PNG\r\n\x1a\n" + b"".join(chunks)


def post(client: httpx2.Client, content: bytes, media_type: str = "application/octet-stream") -> Json:
    response = client.post("/v1/attachments", content=content, headers={"Content-Type": media_type})
    assert response.status_code in (200, 201), response.text
    answer: Json = response.json()
    return answer


def refusal(response: httpx2.Response, type_: str, status: int) -> str:
    """The sentence with which something was refused."""
    assert response.headers["content-type"] == "application/problem+json"
    assert (response.status_code, response.json()["type"]) == (status, f"/problems/{type_}")
    return str(response.json()["detail"])


@contextmanager
def opened(store_url: str) -> Iterator[Database]:
    with closing(Database(store_url)) as database:
        yield database


def rows_kept(store_url: str) -> tuple[int, int]:
    """How many attachments the store has, and how many pieces."""
    with opened(store_url) as database, database.read() as connection:
        attachments = connection.scalars(select(func.count()).select_from(attachment)).one()
        return attachments, connection.scalars(select(func.count()).select_from(attachment_piece)).one()


# -- kept and given back


@pytest.mark.parametrize(
    ("content", "digest"),
    [
        # Source: FIPS 180-4 examples (NIST, SHA256.pdf): "abc"; a million times "a". The empty one is from memory.
        (b"abc", "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"),
        (b"a" * 1_000_000, "cdc76e5c9914fb9281a1c7e284d73e67f1809a48a497200e046d39ccc7112cd0"),
        (b"", "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855"),
    ],
)
def test_the_name_is_the_sha256_of_the_content(service: httpx2.Client, content: bytes, digest: str) -> None:
    assert service.put(f"/v1/attachments/{digest}", content=content).status_code == 201
    assert service.get(f"/v1/attachments/{digest}").content == content
    assert post(service, content)["sha256"] == digest


def test_an_attachment_is_kept_once_whichever_way_it_comes(service: httpx2.Client, store_url: str) -> None:
    content = picture()
    address = f"/v1/attachments/{sha256(content)}"
    first = service.put(address, content=content, headers=PNG)
    assert first.json() == {"sha256": sha256(content), "size": len(content), "media_type": "image/png"}
    again = service.put(address, content=content, headers={"Content-Type": "application/octet-stream"})
    posted = service.post("/v1/attachments", content=content)
    assert [one.status_code for one in (first, again, posted)] == [201, 200, 200]
    assert {one.headers["location"] for one in (first, again, posted)} == {address}
    assert first.json() == again.json() == posted.json(), "what was declared first stays"
    assert rows_kept(store_url) == (1, 1)
    other = service.post("/v1/attachments", content=b"1,2\n", headers={"Content-Type": "text/csv; header=absent"})
    assert (other.status_code, other.headers["location"]) == (201, f"/v1/attachments/{sha256(b'1,2' + bytes([10]))}")


def test_any_size_comes_back_to_the_byte(service: httpx2.Client, store_url: str) -> None:
    attachments = pieces = 0
    for size in (1, PIECE_BYTES - 1, PIECE_BYTES, PIECE_BYTES + 1, 3 * PIECE_BYTES):
        content = some_bytes(size)
        assert post(service, content)["size"] == size
        response = service.get(f"/v1/attachments/{sha256(content)}")
        assert response.content == content
        assert response.headers["content-length"] == str(size)
        attachments, pieces = attachments + 1, pieces + -(-size // PIECE_BYTES)
        assert rows_kept(store_url) == (attachments, pieces)


def test_many_stations_may_bring_the_same_at_once(service: httpx2.Client, store_url: str) -> None:
    content = some_bytes(2 * PIECE_BYTES + 1)
    stations = 8
    together = threading.Barrier(stations)

    def bring(_station: int) -> int:
        with httpx2.Client(base_url=service.base_url, timeout=60) as client:
            together.wait()
            return client.put(f"/v1/attachments/{sha256(content)}", content=content, headers=PNG).status_code

    with ThreadPoolExecutor(stations) as pool:
        assert sorted(pool.map(bring, range(stations))) == [200] * (stations - 1) + [201]
    assert rows_kept(store_url) == (1, 3)
    assert service.get(f"/v1/attachments/{sha256(content)}").content == content


# -- what the answer says of it


def test_an_attachment_is_saved_and_never_rendered(service: httpx2.Client) -> None:
    page = b"<script>alert(1)</script>"
    post(service, page, "text/html")
    headers = service.get(f"/v1/attachments/{sha256(page)}").headers
    assert headers["content-type"] == "text/html"
    assert headers["x-content-type-options"] == "nosniff"
    assert headers["content-disposition"] == f'attachment; filename="{sha256(page)}.html"'
    post(service, b"wave", "application/x-invented")
    headers = service.get(f"/v1/attachments/{sha256(b'wave')}").headers
    assert headers["content-disposition"] == f'attachment; filename="{sha256(b"wave")}"'


def test_the_media_type_comes_back_as_declared(service: httpx2.Client) -> None:
    for media_type in ("image/png", "image/webp", "text/csv; charset=utf-8", 'text/csv;header="present"', "a/b+c"):
        content = media_type.encode()
        assert post(service, content, media_type)["media_type"] == media_type
        assert service.get(f"/v1/attachments/{sha256(content)}").headers["content-type"] == media_type
    undeclared = service.post("/v1/attachments", content=b"wave")
    # Source: RFC 9110, 8.3: content of an undeclared type may be taken for application/octet-stream.
    assert undeclared.json()["media_type"] == "application/octet-stream"


def test_what_is_no_media_type_is_refused(service: httpx2.Client, store_url: str) -> None:
    for media_type in ("", "picture", "image/", "a/b, c/d", "a/b; c", "text/" + "x" * 200, "a/é", 'a/b; c="é"'):
        headers = [(b"Content-Type", media_type.encode("latin-1"))]
        refused = service.post("/v1/attachments", content=b"wave", headers=headers)
        assert "such as image/png" in refusal(refused, "wrong-media-type", 415)
    assert rows_kept(store_url) == (0, 0)


def test_a_web_form_around_a_file_is_refused(service: httpx2.Client, store_url: str) -> None:
    wrapped = service.post("/v1/attachments", files={"file": ("wave.png", picture(), "image/png")})
    assert "Send the bytes themselves" in refusal(wrapped, "wrong-media-type", 415)
    undeclared = service.post("/v1/attachments", data={"wave": "1"})
    assert "application/x-www-form-urlencoded" in refusal(undeclared, "wrong-media-type", 415)
    assert rows_kept(store_url) == (0, 0)


def test_who_has_it_already_is_told_so(service: httpx2.Client) -> None:
    post(service, b"wave")
    address = f"/v1/attachments/{sha256(b'wave')}"
    tag = service.get(address).headers["etag"]
    # Source: RFC 9110, 8.8.3 (a strong tag), 13.1.2 (a list, weak ones, *).
    assert re.fullmatch('"[0-9a-f]{64}"', tag)
    for known in (tag, f'"other", W/{tag}', "*"):
        answer = service.get(address, headers={"If-None-Match": known})
        assert (answer.status_code, answer.content, answer.headers["etag"]) == (304, b"", tag)
    assert service.head(address, headers={"If-None-Match": tag}).status_code == 304
    assert service.get(address, headers={"If-None-Match": '"other"'}).content == b"wave"


def test_head_says_what_get_would(service: httpx2.Client) -> None:
    post(service, picture(), "image/png")
    address = f"/v1/attachments/{sha256(picture())}"
    asked, got = service.head(address), service.get(address)
    assert (asked.status_code, asked.content) == (200, b"")
    assert {name: value for name, value in asked.headers.items() if name != "date"} == {
        name: value for name, value in got.headers.items() if name != "date"
    }


def test_what_is_not_kept_is_not_found(service: httpx2.Client) -> None:
    address = f"/v1/attachments/{sha256(b'never kept')}"
    assert sha256(b"never kept") in refusal(service.get(address), "not-found", 404)
    assert service.head(address).status_code == 404
    for name in ("", "x", sha256(b"wave").upper(), sha256(b"wave") + "0"):
        for method in ("GET", "PUT") if name else ():
            refused = service.request(method, f"/v1/attachments/{name}")
            refusal(refused, "invalid", 422)
            assert [one["pointer"] for one in refused.json()["errors"]] == ["/path/sha256"]


# -- whole or not at all


def test_other_content_than_the_address_names_is_refused(service: httpx2.Client, store_url: str) -> None:
    content = some_bytes(PIECE_BYTES + 1)
    address = f"/v1/attachments/{sha256(content)}"
    for other in (content[:-1], content + b"\n", b""):
        refused = service.put(address, content=other, headers=PNG)
        detail = refusal(refused, "invalid", 422)
        assert f"The {len(other)} bytes that arrived have the SHA-256 {sha256(other)}" in detail
        assert refused.json()["errors"][0]["pointer"] == "/path/sha256"
    assert rows_kept(store_url) == (0, 0)
    service.put(address, content=content)
    assert refusal(service.put(address, content=b"other"), "invalid", 422), "also where the hash is known"
    assert service.get(address).content == content


def test_no_more_than_the_limit_is_kept(store_url: str, monkeypatch: pytest.MonkeyPatch) -> None:
    limit = 2 * PIECE_BYTES + 5
    monkeypatch.setenv("PARTKIN_ATTACHMENT_LIMIT_BYTES", str(limit))
    content = some_bytes(limit + 1)
    with servers.running(store_url) as base_url, httpx2.Client(base_url=base_url) as client:
        for body in (content, chunked(content)):
            refused = client.post("/v1/attachments", content=body)
            assert f"may have {limit} bytes" in refusal(refused, "too-large", 413)
        refusal(client.put(f"/v1/attachments/{sha256(content)}", content=content), "too-large", 413)
        assert rows_kept(store_url) == (0, 0)
        assert client.post("/v1/attachments", content=chunked(content[:-1])).status_code == 201
        assert client.get(f"/v1/attachments/{sha256(content[:-1])}").content == content[:-1]


def chunked(content: bytes) -> Iterator[bytes]:
    """A body whose length is not said beforehand."""
    yield from (content[place : place + 70_000] for place in range(0, len(content), 70_000))


@contextmanager
def half_sent(base_url: str, content: bytes, name: str) -> Iterator[socket.socket]:
    """A connection on which half of an attachment has been sent."""
    address = httpx2.URL(base_url)
    head = f"PUT /v1/attachments/{name} HTTP/1.1\r\nHost: {address.host}\r\nContent-Length: {len(content)}\r\n\r\n"
    with socket.create_connection((address.host, address.port or 80), timeout=60) as connection:
        connection.sendall(head.encode() + content[: len(content) // 2])
        yield connection


def test_an_upload_that_is_cut_off_leaves_nothing(store_url: str) -> None:
    content = some_bytes(3 * PIECE_BYTES)
    half = content[: len(content) // 2]
    with servers.running(store_url) as base_url:
        # Under the name that the first half would have: whoever took it for the whole would keep it.
        for name in (sha256(content), sha256(half)):
            with half_sent(base_url, content, name):
                pass
    assert rows_kept(store_url) == (0, 0), "now that the service has ended, and all its requests"


def test_a_slow_upload_keeps_nobody_waiting(service: httpx2.Client, store_url: str) -> None:
    content = some_bytes(3 * PIECE_BYTES)
    with half_sent(str(service.base_url), content, sha256(content)) as connection:
        assert post(service, b"another")["size"] == len(b"another")
        assert rows_kept(store_url) == (1, 1)
        connection.sendall(content[len(content) // 2 :])
        assert connection.recv(4096).startswith(b"HTTP/1.1 201 ")
    assert service.get(f"/v1/attachments/{sha256(content)}").content == content


def test_an_upload_that_others_leave_no_room_for_is_asked_for_again(
    postgresql_stores: servers.PostgreSQLStores,
) -> None:
    url = postgresql_stores.migrated()
    with psycopg.connect(url, autocommit=True) as other:
        other.execute(f"ALTER DATABASE {make_url(url).database} SET lock_timeout = '5ms'".encode())
    with servers.running(url) as base_url, httpx2.Client(base_url=base_url, timeout=30) as client:
        with psycopg.connect(url) as other:
            other.execute("LOCK TABLE attachment IN EXCLUSIVE MODE")
            detail = refusal(client.post("/v1/attachments", content=b"wave"), "busy", 503)
            assert detail == "Nothing was kept. Send it again."
        assert client.post("/v1/attachments", content=b"wave").status_code == 201
    postgresql_stores.remove(url)


SIZE_OF_LARGE = 64 * MEBIBYTE


def test_memory_does_not_grow_with_the_content(store_url: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PARTKIN_ATTACHMENT_LIMIT_BYTES", str(SIZE_OF_LARGE))
    chunk = some_bytes(MEBIBYTE)
    digest = sha256(chunk * (SIZE_OF_LARGE // MEBIBYTE))
    with servers.served(store_url) as (process, base_url), httpx2.Client(base_url=base_url, timeout=100) as client:
        small = post(client, chunk)["sha256"]  # after this, all modules are loaded
        assert client.get(f"/v1/attachments/{small}").content == chunk
        before = memory_of(process.pid)
        with most_memory_of(process.pid) as most:
            body = (chunk for _ in range(SIZE_OF_LARGE // MEBIBYTE))
            assert client.put(f"/v1/attachments/{digest}", content=body).status_code == 201
            received = hashlib.sha256()
            with client.stream("GET", f"/v1/attachments/{digest}") as response:
                for part in response.iter_bytes():
                    received.update(part)
        assert received.hexdigest() == digest
        assert most() - before < SIZE_OF_LARGE // 3


def memory_of(process: int) -> int:
    """Bytes that a process has for itself, without what it maps of files (Linux, proc_pid_status(5))."""
    status = Path(f"/proc/{process}/status").read_text()
    return 1024 * int(re.findall(r"^RssAnon:\s+(\d+) kB$", status, re.MULTILINE)[0])


@contextmanager
def most_memory_of(process: int) -> Iterator[Callable[[], int]]:
    """Watches a process; gives the most memory that it was seen to have."""
    seen = [memory_of(process)]
    ended = threading.Event()

    def watch() -> None:
        while not ended.wait(0.005):
            seen.append(memory_of(process))

    watcher = threading.Thread(target=watch)
    watcher.start()
    try:
        yield lambda: max(seen)
    finally:
        ended.set()
        watcher.join()


# -- what was kept stays what it is


def test_an_attachment_that_was_changed_behind_our_back_is_found(service: httpx2.Client, store_url: str) -> None:
    names = {size: sha256(some_bytes(size)) for size in (PIECE_BYTES + 7, 2 * PIECE_BYTES, 3 * PIECE_BYTES, 1, 0)}
    for size in names:
        post(service, some_bytes(size))
    read: list[tuple[int, int]] = []
    with opened(store_url) as database:
        assert list(broken_attachments(database, lambda *done: read.append(done))) == []
        assert read == [(done, len(names)) for done in range(1, len(names) + 1)]
        changed, cut, gap, short, sound = names.values()
        with database.write() as connection:
            for statement, name in [
                ("UPDATE attachment_piece SET content = :other WHERE piece = 1 AND sha256 = :name", changed),
                ("DELETE FROM attachment_piece WHERE piece = 1 AND sha256 = :name", cut),
                ("DELETE FROM attachment_piece WHERE piece = 1 AND sha256 = :name", gap),
                ("UPDATE attachment SET size = 2 WHERE sha256 = :name", short),
            ]:
                wanted = text(statement).bindparams(name=name)
                connection.execute(wanted.bindparams(other=b"7 bytes") if ":other" in statement else wanted)
        found = {broken.sha256: broken.detail for broken in broken_attachments(database, lambda *_: None)}
    altered = sha256(some_bytes(PIECE_BYTES + 7)[:PIECE_BYTES] + b"7 bytes")
    assert found == {
        changed: f"Its content has the SHA-256 {altered}.",
        cut: f"It has {PIECE_BYTES} bytes; {2 * PIECE_BYTES} were kept.",
        gap: "Piece 1 is missing.",
        short: "It has 1 bytes; 2 were kept.",
    }
    assert sound not in found
