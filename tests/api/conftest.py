"""The service, in process: whole on each database, or its shell around the handlers of a test."""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

import pytest
import structlog
from litestar.testing import TestClient
from litestar.types import ControllerRouterHandler

from cotterline.api.edge import Edge
from cotterline.main import application, create_app
from cotterline.settings import Settings

Client = TestClient[Edge]
Shell = Callable[..., Any]


@pytest.fixture
def client(database_url: str) -> Iterator[Client]:
    """Serve everything, on a migrated database without a row."""
    with TestClient(create_app(Settings(database_url=database_url)), raise_server_exceptions=False) as client:
        yield client


@pytest.fixture
def bench(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Client]:
    """Serve everything, on a file of no interest to the test."""
    url = f"sqlite:///{tmp_path_factory.mktemp('bench') / 'empty.sqlite3'}"
    with TestClient(create_app(Settings(database_url=url)), raise_server_exceptions=False) as client:
        yield client


@pytest.fixture
def shell() -> Shell:
    """Put what stands around every handler around a test's own."""

    @contextmanager
    def serve(*routes: ControllerRouterHandler, base_url: str = "") -> Iterator[Client]:
        app = application(routes, request_max_body_size=1024 * 1024)
        with TestClient(Edge(app, base_url), raise_server_exceptions=False) as client:
            yield client

    return serve


@pytest.fixture
def logged() -> Iterator[list[Any]]:
    """Collect what is logged instead of writing it."""
    with structlog.testing.capture_logs() as lines:
        yield lines
