"""The service, in process: whole on each database, or its shell around the handlers of a test."""

import functools
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from typing import Any, NamedTuple
from uuid import uuid4

import httpx
import pytest
import structlog
from litestar import Litestar
from litestar.testing import TestClient
from litestar.types import ControllerRouterHandler

from cotterline.api.edge import Edge
from cotterline.main import application, equipped, handlers
from cotterline.settings import Settings
from tests.api.calls import one_of_everything
from tests.api.run_hand import RunHand
from tests.conftest import Backend, Databases
from tests.serving import Served, serving_from
from tests.shops import Shop
from tests.sqlite import Files

Client = TestClient[Edge]
Shell = Callable[..., Any]


SECRET_KEY = "Zm9yIHRlc3RzIGFsb25lIGFuZCBub3Qgc2VjcmV0ISE="  # noqa: S105 - guards nothing but tests
"""What secrets are encrypted with: on PostgreSQL the service makes none of itself."""


def settings(database_url: str, **more: Any) -> Settings:  # noqa: ANN401 - any setting
    """Say how the service runs in tests: what it would post stays in the outbox."""
    return Settings(database_url=database_url, secret_keys=SECRET_KEY, worker="off", **more)


def _unlimited(database_url: str) -> Settings:
    return settings(database_url, rate_per_minute=0, shop_rate_per_minute=0, wrong_keys_per_minute=0)


@functools.cache
def _handlers(_user: str, body_limit_bytes: int) -> Litestar:
    """Give handlers that one fixture equips again for every test: to make them takes longer than most tests."""
    return handlers(body_limit_bytes)


def service(user: str, chosen: Settings) -> Edge:
    """Give the whole service on handlers that no other user has at the same time."""
    return equipped(_handlers(user, chosen.body_limit_bytes), chosen)


def name_request(request: httpx.Request) -> None:
    """Give a POST a key of its own, where the test did not."""
    if request.method == "POST":
        request.headers.setdefault("Idempotency-Key", f'"{uuid4()}"')


@pytest.fixture
def client(database_url: str, shop_a: Shop) -> Iterator[Client]:
    """Serve everything, on a migrated database that holds two shops; calls carry the first one's key."""
    with TestClient(service("client", settings(database_url)), raise_server_exceptions=False) as client:
        client.headers.update(shop_a.headers)
        client.event_hooks = {"request": [name_request]}
        yield client


@pytest.fixture
def anyone(database_url: str) -> Iterator[Client]:
    """Serve without limits; calls carry no key of themselves."""
    with TestClient(service("anyone", _unlimited(database_url)), raise_server_exceptions=False) as client:
        yield client


class Furnished(NamedTuple):
    """A service in which the first shop has made one of everything.

    Attributes:
        client: calls carry no key of themselves, and no limit holds.
        url: of its database.
        ids: of what there is, by the path parameter that names it.
    """

    client: Client
    url: str
    ids: Mapping[str, str]


@pytest.fixture(scope="session")
def furnished_once() -> dict[Backend, tuple[str, Mapping[str, str]]]:
    """Keep, for each kind of database, one that is furnished and closed, and the ids of what is in it."""
    return {}


@pytest.fixture
def furnished(
    backend: Backend, databases: Databases, shop_a: Shop, furnished_once: dict[Backend, tuple[str, Mapping[str, str]]]
) -> Iterator[Furnished]:
    """Serve a copy of the furnished database, which is furnished by the first test that asks."""
    if backend not in furnished_once:
        url = databases.create()
        with TestClient(service("anyone", _unlimited(url))) as client:
            client.headers.update(shop_a.headers)
            furnished_once[backend] = url, one_of_everything(client)
    original, ids = furnished_once[backend]
    url = databases.copy(original)
    with TestClient(service("anyone", _unlimited(url)), raise_server_exceptions=False) as client:
        yield Furnished(client, url, ids)
    databases.drop(url)


@pytest.fixture
def bench(sqlite_files: Files) -> Iterator[Client]:
    """Serve everything, on a file of no interest to the test; calls carry a key."""
    url = sqlite_files.create()
    with TestClient(service("bench", settings(url)), raise_server_exceptions=False) as client:
        client.headers.update(sqlite_files.shops.a.headers)
        client.event_hooks = {"request": [name_request]}
        yield client
    sqlite_files.drop(url)


@pytest.fixture
def shell() -> Shell:
    """Put what stands around every handler around a test's own, which are open to everyone."""

    @contextmanager
    def serve(*routes: ControllerRouterHandler, base_url: str = "") -> Iterator[Client]:
        app = application(routes, request_max_body_size=1024 * 1024, opt={"scope": None})
        with TestClient(Edge(app, base_url), raise_server_exceptions=False) as client:
            yield client

    return serve


@pytest.fixture
def logged() -> Iterator[list[Any]]:
    """Collect what is logged instead of writing it."""
    with structlog.testing.capture_logs() as lines:
        yield lines


@pytest.fixture
def hand(database_url: str, shop_a: Shop) -> RunHand:
    """Give who works on the first shop's runs."""
    return RunHand(database_url, shop_a.tenant)


@pytest.fixture
def served(database_url: str, shop_a: Shop) -> Iterator[Served]:
    """Serve on a socket."""
    with serving_from(database_url, shop_a.key, worker="off", secret_keys=SECRET_KEY) as served:
        yield served


@pytest.fixture
def caller(served: Served) -> Iterator[httpx.Client]:
    """Give who calls it with the first shop's key."""
    headers = {"Authorization": f"Bearer {served.key}"}
    with httpx.Client(base_url=served.address, headers=headers, timeout=20) as caller:
        yield caller
