"""Databases for the tests: each test has its own, a copy of one that was migrated once."""

import os
import shutil
from collections.abc import AsyncIterator, Iterator
from pathlib import Path
from typing import Any, Literal

import hypothesis
import pytest
from _pytest.nodeid import coerce_node_id
from playwright.sync_api import Browser

from cotterline.store import migrate
from cotterline.store.database import Database
from cotterline.store.tenancy import Tenant
from tests import postgres, shops, sqlite
from tests.browser import chromium

Backend = Literal["sqlite", "postgresql"]
Databases = sqlite.Files | postgres.Server

# Time limits belong to benchmarks: a busy machine must not turn a law red. The same examples on every run.
hypothesis.settings.register_profile("cotterline", deadline=None, derandomize=True, database=None)
hypothesis.settings.load_profile("cotterline")


@pytest.hookimpl(trylast=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Put the groups of tests that share a worker where pytest reads them: xdist 3.8 puts them where 9.2 does not."""
    for item in items:
        grouped = getattr(item, "_nodeid", "")
        if grouped:
            item._id = coerce_node_id(grouped)  # there is no public way to it


@pytest.fixture(scope="session")
def anyio_backend() -> tuple[str, dict[str, Any]]:
    """Run asynchronous tests as the server runs: asyncio on uvloop, one loop for the whole run."""
    return "asyncio", {"use_uvloop": True}


@pytest.fixture(scope="session", autouse=True)
async def one_loop(anyio_backend: object) -> AsyncIterator[None]:
    """Keep the loop from test to test: a driver's thread may still report to it when its test is over."""
    del anyio_backend
    yield  # noqa: PT022 -- a fixture that returned would let go of the loop


@pytest.fixture(scope="session")
def postgres_server() -> Iterator[postgres.Server]:
    """Share one PostgreSQL among the tests of a worker: starting one takes less than agreeing on one."""
    try:
        with postgres.server() as server:
            yield server
    except postgres.UnavailableError as error:
        postgres.give_up(error, os.environ)


@pytest.fixture(scope="session")
def sqlite_files(tmp_path_factory: pytest.TempPathFactory) -> sqlite.Files:
    """Share one folder of SQLite databases among the tests of a worker."""
    return sqlite.Files(tmp_path_factory.mktemp("databases"))


@pytest.fixture(scope="module")
def browser(sqlite_files: object) -> Iterator[Browser]:
    """Start a browser, after whatever else a module shares that needs an event loop: ask for it last."""
    del sqlite_files
    with chromium() as browser:
        yield browser


@pytest.fixture(params=["sqlite", "postgresql"])
def backend(request: pytest.FixtureRequest) -> Backend:
    """Run the test once on each database."""
    chosen: Backend = request.param
    return chosen


@pytest.fixture
def databases(backend: Backend, request: pytest.FixtureRequest) -> Databases:
    """Give what makes databases of this kind."""
    chosen: Databases = request.getfixturevalue("sqlite_files" if backend == "sqlite" else "postgres_server")
    return chosen


@pytest.fixture
def database_url(databases: Databases) -> Iterator[str]:
    """Give the URL of a migrated database that holds two shops and nothing else."""
    url = databases.create()
    yield url
    databases.drop(url)


@pytest.fixture
def empty_database_url(databases: Databases) -> Iterator[str]:
    """Give the URL of a database without a table."""
    url = databases.create(migrated=False)
    yield url
    databases.drop(url)


@pytest.fixture
def shops_there(databases: Databases) -> shops.Shops:
    """Give the shops of the migrated database."""
    return databases.shops


@pytest.fixture
def shop_a(shops_there: shops.Shops) -> shops.Shop:
    """Give the shop that tests call as unless they say otherwise."""
    return shops_there.a


@pytest.fixture
def shop_b(shops_there: shops.Shops) -> shops.Shop:
    """Give a shop that has nothing to do with the first."""
    return shops_there.b


@pytest.fixture
def shop_a_test(shops_there: shops.Shops) -> shops.Shop:
    """Give the first shop in test mode."""
    return shops_there.a_test


@pytest.fixture
def tenant(shop_a: shops.Shop) -> Tenant:
    """Whose data a test of the store works on."""
    return shop_a.tenant


@pytest.fixture
async def database(database_url: str) -> AsyncIterator[Database]:
    """Give a migrated database that holds two shops and nothing else, open."""
    database = await Database.open(database_url)
    yield database
    await database.close()


@pytest.fixture
def steps(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Run migrations from a copy that a test may add to, in a folder whose name a configuration could misread."""
    copy = tmp_path / "50% of:the way"
    shutil.copytree(migrate.SCRIPTS, copy, ignore=shutil.ignore_patterns("__pycache__"))
    monkeypatch.setattr(migrate, "SCRIPTS", copy)
    return copy
