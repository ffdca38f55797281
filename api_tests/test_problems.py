"""Every error has one shape (RFC 9457), and its type is explained at its own address."""

from __future__ import annotations

import json
import resource
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import httpx2
import jsonschema_rs
import psycopg
import pytest
from sqlalchemy import make_url

from api_tests import servers
from api_tests.plant import Station, dryer, load, motor, recorded
from partkin.rules.reasons import REASON_TYPES, WARNING_TYPES
from partkin.web.problems import PROBLEM_TYPES


def assert_problem(response: httpx2.Response, type_: str, status: int) -> None:
    """The one shape of all errors."""
    assert response.headers["content-type"] == "application/problem+json"
    problem = response.json()
    assert (problem["type"], problem["status"], response.status_code) == (f"/problems/{type_}", status, status)
    assert problem["title"] == PROBLEM_TYPES[type_].title
    assert problem["detail"].endswith(".")


JSON = {"Content-Type": "application/json"}
Provoke = Callable[[Station], httpx2.Response]


def reuse(station: Station) -> httpx2.Response:
    station.start("D1", message_id="M")
    return station.start("D2", message_id="M")


def name_two_parts(station: Station) -> httpx2.Response:
    station.start("D1")
    station.marry("D1", "L-10", motor("D1"))
    return station.client.get("/v1/tree?serial=D1")


PROBLEMS: dict[str, tuple[int, Provoke]] = {
    "refused": (409, lambda s: s.marry("D1", "L-10", motor("M1"))),
    "message-id-reused": (422, reuse),
    "message-id-missing": (400, lambda s: s.client.post("/v1/units", json={})),
    "not-json": (400, lambda s: s.client.post("/v1/units", content=b"{", headers=JSON)),
    "invalid": (422, lambda s: s.client.post("/v1/units", json={"message_id": "M"})),
    "too-large": (413, lambda s: s.client.post("/v1/units", content=b" " * (1 << 21), headers=JSON)),
    "wrong-media-type": (
        415,
        lambda s: s.client.post("/v1/units", content=b"{}", headers={"Content-Type": "text/xml"}),
    ),
    "not-found": (404, lambda s: s.client.get("/v1/nothing")),
    "unknown-item": (404, lambda s: s.client.get("/v1/tree?serial=D1")),
    "ambiguous-serial": (409, name_two_parts),
    "method-not-allowed": (405, lambda s: s.client.delete("/v1/units")),
}
STORE_PROBLEMS = {"busy", "store-unreachable", "internal", "question-too-long"}
"""Those that come of the store; each has a test of its own."""


def test_every_type_of_problem_is_provoked() -> None:
    """Reasons and warnings are by test_reasons.py."""
    here = PROBLEMS.keys() | STORE_PROBLEMS
    assert here | REASON_TYPES.keys() | WARNING_TYPES.keys() == PROBLEM_TYPES.keys()


@pytest.mark.parametrize("type_", PROBLEMS)
def test_a_problem_has_the_one_shape(station: Station, standards: Path, type_: str) -> None:
    status, provoke = PROBLEMS[type_]
    response = provoke(station)
    assert_problem(response, type_, status)
    folded = (standards / "rfc" / "problem-details.schema.draft.json").read_text("utf-8")
    schema = json.loads(folded.replace("\\\n", ""))  # RFC 9457, appendix A, whose long lines are folded
    jsonschema_rs.Draft202012Validator(schema, validate_formats=True).validate(response.json())


def test_a_question_of_the_wrong_form_has_it_too(service: httpx2.Client) -> None:
    for request, type_, status in [
        ("GET /v1/entries?limit=0", "invalid", 422),
        ("GET /v1/entries?cursor=x", "invalid", 422),
        ("GET /v1/entries?cursor=99999999999999999999", "invalid", 422),
        ("GET /v1/holds?cursor=99999999999999999999", "invalid", 422),
        ("GET /v1/units?cursor=no-blank", "invalid", 422),
        ("GET /v1/units?cursor=a%00%20b", "invalid", 422),
        ("GET /v1/units?part=a%00", "invalid", 422),
        ("GET /v1/units?state=lost", "invalid", 422),
        ("GET /v1/entries/x", "invalid", 422),
        ("GET /v1/entries/0", "invalid", 422),
        ("GET /v1/entries/4711", "not-found", 404),
        ("GET /v1/entries/99999999999999999999", "invalid", 422),
        ("GET /v1/where", "invalid", 422),
        ("GET /v1/where?serial=D1&lot=S1", "invalid", 422),
        ("GET /v1/where?sscc=17", "invalid", 422),
        ("GET /v1/where?serial=D1", "unknown-item", 404),
        ("GET /v1/history?scan=%07", "unreadable", 422),
        ("GET /v1/history?serial=D1&cursor=x", "invalid", 422),
        ("GET /v1/units/D1/clearance", "unknown-item", 404),
        ("GET /v1/scan-points/L-99/next", "unknown-scan-point", 404),
        ("GET /v1/instruments/T9/tested", "not-found", 404),
        ("GET /v1/instruments?on=yesterday", "invalid", 422),
        ("GET /v1/orders", "invalid", 422),
        ("GET /v1/shipments/N9", "not-found", 404),
        ("GET /v1/shipments?despatched=perhaps", "invalid", 422),
        ("GET /v1/labels/4711", "not-found", 404),
        (f"GET /v1/attachments/{'0' * 64}", "not-found", 404),
        ("GET /v1/attachments/0", "invalid", 422),
        ("GET /v1/tree?serial=D1&as_known_at=4711", "invalid", 422),
        ("POST /v1/seals", "not-found", 404),
        ("GET /problems/nothing", "not-found", 404),
        ("PUT /v1/entries", "method-not-allowed", 405),
        ("POST /v1/messages", "wrong-media-type", 415),
    ]:
        method, address = request.split(" ", 1)
        assert_problem(service.request(method, address), type_, status)


def test_the_methods_of_an_address_are_all_named(service: httpx2.Client) -> None:
    refused = service.put("/v1/units")
    assert refused.headers["allow"] == "GET, POST"
    assert refused.json()["detail"] == "/v1/units takes GET, POST, not PUT."


def test_the_address_of_a_type_explains_it(service: httpx2.Client) -> None:
    types = service.get("/problems").json()
    assert types.keys() == PROBLEM_TYPES.keys()
    for name, explained in types.items():
        assert service.get(f"/problems/{name}").json() == explained
        assert all(explained[part].strip() for part in ("title", "meaning", "mend"))


# -- the store fails


def test_a_fault_of_the_service_is_told_and_records_nothing(station: Station, store_url: str) -> None:
    recorded(station.start("D1"))
    run_behind_its_back(store_url, "DROP TABLE hold")
    message = station.says(scan_point="L-10", unit=dryer("D1"), components=[{"item": motor("M1")}])
    before = station.client.get("/v1/entries").json()
    assert_problem(station.client.post("/v1/marriages", json=message), "internal", 500)
    assert_problem(station.client.get("/v1/holds"), "internal", 500)
    assert station.client.get("/v1/entries").json() == before


def test_a_key_that_stays_taken_is_a_fault_and_no_race(station: Station, store_url: str) -> None:
    recorded(station.start("D1"))
    run_behind_its_back(store_url, "CREATE UNIQUE INDEX one_each ON entry (kind)")
    assert_problem(station.start("D2", message_id="M"), "internal", 500)
    run_behind_its_back(store_url, "DROP INDEX one_each")
    recorded(station.start("D2", message_id="M"))


def test_a_question_that_takes_too_long_is_stopped_and_others_are_answered(store_url: str) -> None:
    load(store_url)
    with (
        servers.running(store_url, question_seconds=0.2) as base_url,
        httpx2.Client(base_url=base_url, timeout=30) as client,
    ):
        recorded(Station(client).start("D1"))
        for statement in ("ALTER TABLE visit RENAME TO kept_visit", f"CREATE VIEW visit AS {ENDLESS_VISITS}"):
            run_behind_its_back(store_url, statement)
        assert_problem(client.get("/v1/where?serial=D1"), "question-too-long", 503)
        assert client.get("/v1/holds").is_success


ENDLESS_VISITS = """
    WITH RECURSIVE n(i) AS (SELECT 1 UNION ALL SELECT i + 1 FROM n WHERE i < 1000000000)
    SELECT kept_visit.* FROM kept_visit WHERE (SELECT max(i) FROM n) > 0
"""


def test_a_full_disk_is_told_and_the_repeat_is_recorded(sqlite_stores: servers.SQLiteStores) -> None:
    url = sqlite_stores.migrated()
    load(url)
    with servers.served(url) as (process, base_url), httpx2.Client(base_url=base_url) as client:
        message = Station(client).says(scan_point="L-10", part="DRYER", serial="D1")
        _, most = resource.prlimit(process.pid, resource.RLIMIT_FSIZE, (0, resource.RLIM_INFINITY))
        assert_problem(client.post("/v1/units", json=message), "store-unreachable", 503)
        resource.prlimit(process.pid, resource.RLIMIT_FSIZE, (most, most))
        assert recorded(client.post("/v1/units", json=message))["unit"]["serial"] == "D1"


def test_a_server_that_went_away_is_told_and_the_repeat_is_recorded(
    postgresql_stores: servers.PostgreSQLStores,
) -> None:
    url = postgresql_stores.migrated()
    load(url)
    with servers.running(url) as base_url, httpx2.Client(base_url=base_url) as client:
        station = Station(client)
        recorded(station.start("D1"))
        message = station.says(scan_point="L-10", part="DRYER", serial="D2")
        with closed_to_all(url):
            assert_problem(client.post("/v1/units", json=message), "store-unreachable", 503)
            assert_problem(client.get("/v1/units"), "store-unreachable", 503)
        assert recorded(client.post("/v1/units", json=message))["unit"]["serial"] == "D2"
    postgresql_stores.remove(url)


def test_a_connection_that_broke_is_replaced(postgresql_stores: servers.PostgreSQLStores) -> None:
    url = postgresql_stores.migrated()
    load(url)
    with servers.running(url) as base_url, httpx2.Client(base_url=base_url) as client:
        station = Station(client)
        recorded(station.start("D1"))
        with closed_to_all(url):
            pass
        recorded(station.start("D2"))
    postgresql_stores.remove(url)


def test_a_store_that_others_keep_locked_is_told_and_the_repeat_is_recorded(
    postgresql_stores: servers.PostgreSQLStores,
) -> None:
    url = postgresql_stores.migrated()
    load(url)
    run_behind_its_back(url, f"ALTER DATABASE {make_url(url).database} SET lock_timeout = '5ms'")
    with servers.running(url) as base_url, httpx2.Client(base_url=base_url, timeout=30) as client:
        message = Station(client).says(scan_point="L-10", part="DRYER", serial="D1")
        with psycopg.connect(url) as other:
            other.execute("LOCK TABLE entry IN EXCLUSIVE MODE")
            assert_problem(client.post("/v1/units", json=message), "busy", 503)
        recorded(client.post("/v1/units", json=message))
    postgresql_stores.remove(url)


def run_behind_its_back(url: str, statement: str) -> None:
    if url.startswith("sqlite"):
        other = sqlite3.connect(url.removeprefix("sqlite:///"))
        other.execute(statement)
        other.close()
    else:
        with psycopg.connect(url, autocommit=True) as connection:
            connection.execute(statement.encode())


@contextmanager
def closed_to_all(url: str) -> Iterator[None]:
    """A database that takes no connections and has none, as while its server restarts."""
    name = make_url(url).database
    server = make_url(url).set(database="postgres").render_as_string(hide_password=False)
    with psycopg.connect(server, autocommit=True) as connection:
        connection.execute(f"ALTER DATABASE {name} ALLOW_CONNECTIONS false".encode())
        connection.execute("SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE datname = %s", [name])
        yield
        connection.execute(f"ALTER DATABASE {name} ALLOW_CONNECTIONS true".encode())
