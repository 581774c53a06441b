"""The service, in process: whole on each database, or its shell around the handlers of a test."""

import shutil
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any
from uuid import uuid4

import httpx
import pytest
import structlog
from litestar.testing import TestClient
from litestar.types import ControllerRouterHandler

from cotterline.api.edge import Edge
from cotterline.main import application, create_app
from cotterline.settings import Settings
from tests.shops import Shop, Shops

Client = TestClient[Edge]
Shell = Callable[..., Any]


SECRET_KEY = "Zm9yIHRlc3RzIGFsb25lIGFuZCBub3Qgc2VjcmV0ISE="  # noqa: S105 - guards nothing but tests
"""What secrets are encrypted with: on PostgreSQL the service makes none of itself."""


def settings(database_url: str, **more: Any) -> Settings:  # noqa: ANN401 - any setting
    """Say how the service runs in tests: what it would post stays in the outbox."""
    return Settings(database_url=database_url, secret_keys=SECRET_KEY, worker="off", **more)


def name_request(request: httpx.Request) -> None:
    """Give a POST a key of its own, where the test did not."""
    if request.method == "POST":
        request.headers.setdefault("Idempotency-Key", f'"{uuid4()}"')


@pytest.fixture
def client(database_url: str, shop_a: Shop) -> Iterator[Client]:
    """Serve everything, on a migrated database that holds two shops; calls carry the first one's key."""
    with TestClient(create_app(settings(database_url)), raise_server_exceptions=False) as client:
        client.headers.update(shop_a.headers)
        client.event_hooks = {"request": [name_request]}
        yield client


@pytest.fixture
def anyone(database_url: str) -> Iterator[Client]:
    """Serve without limits; calls carry no key of themselves."""
    unlimited = settings(database_url, rate_per_minute=0, shop_rate_per_minute=0, wrong_keys_per_minute=0)
    with TestClient(create_app(unlimited), raise_server_exceptions=False) as client:
        yield client


@pytest.fixture
def bench(tmp_path_factory: pytest.TempPathFactory, sqlite_template: tuple[Path, Shops]) -> Iterator[Client]:
    """Serve everything, on a file of no interest to the test; calls carry a key."""
    template, shops = sqlite_template
    url = f"sqlite:///{shutil.copy(template, tmp_path_factory.mktemp('bench'))}"
    with TestClient(create_app(settings(url)), raise_server_exceptions=False) as client:
        client.headers.update(shops.a.headers)
        client.event_hooks = {"request": [name_request]}
        yield client


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
