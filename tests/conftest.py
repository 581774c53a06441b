"""Databases for the tests: each test has its own, a copy of one that was migrated once."""

import asyncio
import os
import shutil
from collections.abc import AsyncIterator, Iterator
from pathlib import Path
from typing import Any, Literal

import hypothesis
import pytest
from playwright.sync_api import Browser

from cotterline.store.database import Database
from cotterline.store.migrate import migrate
from cotterline.store.tenancy import Tenant
from tests import postgres, shops
from tests.browser import chromium

Backend = Literal["sqlite", "postgresql"]

# Time limits belong to benchmarks: a busy machine must not turn a law red. The same examples on every run.
hypothesis.settings.register_profile("cotterline", deadline=None, derandomize=True, database=None)
hypothesis.settings.load_profile("cotterline")


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
def sqlite_template(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, shops.Shops]:
    """Migrate the file that every SQLite database of a test is a copy of, and add the shops."""
    path = tmp_path_factory.mktemp("template") / "cotterline.sqlite3"
    asyncio.run(migrate(f"sqlite:///{path}"))
    return path, asyncio.run(shops.add(f"sqlite:///{path}"))


@pytest.fixture(scope="module")
def browser(sqlite_template: object) -> Iterator[Browser]:
    """Start a browser, after whatever else a module shares that needs an event loop: ask for it last."""
    del sqlite_template
    with chromium() as browser:
        yield browser


@pytest.fixture(params=["sqlite", "postgresql"])
def backend(request: pytest.FixtureRequest) -> Backend:
    """Run the test once on each database."""
    chosen: Backend = request.param
    return chosen


@pytest.fixture
def database_url(backend: Backend, request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[str]:
    """Give the URL of a migrated database that holds two shops and nothing else."""
    if backend == "sqlite":
        yield f"sqlite:///{shutil.copy(request.getfixturevalue('sqlite_template')[0], tmp_path / 'cotterline.sqlite3')}"
        return
    server: postgres.Server = request.getfixturevalue("postgres_server")
    url = server.create()
    yield url
    server.drop(url)


@pytest.fixture
def empty_database_url(backend: Backend, request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[str]:
    """Give the URL of a database without a table."""
    if backend == "sqlite":
        yield f"sqlite:///{tmp_path / 'empty.sqlite3'}"
        return
    server: postgres.Server = request.getfixturevalue("postgres_server")
    url = server.create(migrated=False)
    yield url
    server.drop(url)


@pytest.fixture
def shops_there(backend: Backend, request: pytest.FixtureRequest) -> shops.Shops:
    """Give the shops of the migrated database."""
    if backend == "sqlite":
        on_sqlite: shops.Shops = request.getfixturevalue("sqlite_template")[1]
        return on_sqlite
    server: postgres.Server = request.getfixturevalue("postgres_server")
    return server.shops


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
