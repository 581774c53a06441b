"""The application: the one place where settings, database and handlers meet."""

import functools
from collections.abc import AsyncIterator, Iterable, Mapping
from contextlib import asynccontextmanager
from datetime import UTC, datetime
from typing import Any

import uvicorn
from litestar import Litestar
from litestar.datastructures import State
from litestar.di import Provide
from litestar.types import ControllerRouterHandler
from uuid_utils.compat import uuid7

from cotterline.api import openapi, problems
from cotterline.api.body import StrictRequest
from cotterline.api.edge import Edge
from cotterline.api.fixed import Fixed
from cotterline.api.kept_quote import Stamp
from cotterline.api.parameters import check_query
from cotterline.api.routes import ROUTES
from cotterline.settings import Settings
from cotterline.store.database import Database

GRACE_SECONDS = 30
"""How long requests under way may take to finish once the server was told to stop."""


def create_app(settings: Settings) -> Edge:
    """Return the service as an ASGI application; the server's start opens the database, its end closes it."""

    @asynccontextmanager
    async def database_open(app: Litestar) -> AsyncIterator[None]:
        app.state.database = await Database.open(settings.database_url, settings.database_connections)
        try:
            yield
        finally:
            await app.state.database.close()

    app = application(ROUTES, lifespan=[database_open], request_max_body_size=settings.body_limit_bytes)
    app.state.openapi = Fixed(openapi_document(), "application/json")
    return Edge(app, settings.public_base_url)


def server(settings: Settings) -> uvicorn.Server:
    """Return the server for :func:`create_app`: call its ``run``; it stops on SIGINT or SIGTERM, requests finished."""
    return uvicorn.Server(
        uvicorn.Config(
            create_app(settings),
            host=settings.host,
            port=settings.port,
            http="httptools",
            loop="uvloop",
            ws="none",
            lifespan="on",
            log_config=None,
            access_log=False,
            server_header=False,
            proxy_headers=False,
            timeout_graceful_shutdown=GRACE_SECONDS,
        )
    )


@functools.cache
def openapi_document() -> bytes:
    """The OpenAPI document, the same bytes for every process of this version."""
    return openapi.build(application(ROUTES))


def application(routes: Iterable[ControllerRouterHandler], **options: Any) -> Litestar:  # noqa: ANN401 - Litestar's own
    """Return handlers with everything the service puts around each of them, short of the edge."""
    return Litestar(
        route_handlers=[*routes],
        dependencies=_DEPENDENCIES,
        request_class=StrictRequest,
        before_request=check_query,
        exception_handlers={**problems.HANDLERS},
        openapi_config=None,
        logging_config=None,
        **options,
    )


def _database(state: State) -> Database:
    database: Database = state.database
    return database


def _stamp() -> Stamp:
    return Stamp(id=uuid7(), now=datetime.now(UTC))


_DEPENDENCIES: Mapping[str, Provide] = {
    "database": Provide(_database, sync_to_thread=False),
    "stamp": Provide(_stamp, sync_to_thread=False, use_cache=False),
}
