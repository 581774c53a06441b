"""The application: the one place where settings, database and handlers meet."""

import asyncio
import functools
import os
import signal
import socket
import time
from collections.abc import AsyncIterator, Iterable, Iterator, Mapping
from contextlib import asynccontextmanager, contextmanager
from datetime import UTC, datetime, timedelta
from types import FrameType
from typing import Any

import uvicorn
from litestar import Litestar, Request
from litestar.datastructures import State
from litestar.di import Provide
from litestar.routes import HTTPRoute
from litestar.types import ControllerRouterHandler
from uuid_utils.compat import uuid7

from cotterline.api import (
    deprecations,
    kept_answers,
    openapi,
    problems,
    receiver_secrets,
    shop_documents,
    shop_profiles,
    telemetry,
    workshops,
)
from cotterline.api.body import StrictRequest
from cotterline.api.caller import caller_of, needed_scope
from cotterline.api.connection import Connection
from cotterline.api.deprecations import DEPRECATIONS, Deprecation
from cotterline.api.edge import Edge
from cotterline.api.endpoints import Endpoints
from cotterline.api.fixed import Fixed
from cotterline.api.kept_quote import Stamp
from cotterline.api.key_uses import KeyUses
from cotterline.api.long_answers import LongAnswers
from cotterline.api.metrics import Metrics, Scraping
from cotterline.api.parameters import check_query
from cotterline.api.quote_run_limits import QuoteRunLimits
from cotterline.api.rate_limits import Buckets, BucketsInDatabase, BucketsInMemory, RateLimits, admit_within_limits
from cotterline.api.readiness import Readiness
from cotterline.api.routes import ROUTES, WATCHED
from cotterline.api.token_bucket import Policy
from cotterline.settings import Settings, networks_in
from cotterline.store.address import driver_url
from cotterline.store.cipher import Cipher
from cotterline.store.database import Database
from cotterline.workers import GRACE_SECONDS, working


def create_app(settings: Settings) -> Edge:
    """Return the service as an ASGI application; the server's start opens the database, its end closes it."""
    return equipped(handlers(settings.body_limit_bytes), settings)


def handlers(body_limit_bytes: int, deprecated: tuple[Deprecation, ...] = DEPRECATIONS) -> Litestar:
    """Every handler with what the service puts around it; it serves once it is equipped."""
    return application(ROUTES, deprecated, lifespan=[_running], request_max_body_size=body_limit_bytes)


def equipped(app: Litestar, settings: Settings) -> Edge:
    """Return handlers as the service that settings describe; once it has ended they can be equipped anew."""
    tracers = [tracer] if (tracer := telemetry.tracer(os.environ)) else []
    metrics = Metrics()
    app.state.settings, app.state.metrics, app.state.tracers = settings, metrics, tracers
    app.state.long_answers = LongAnswers()
    app.state.endpoints = Endpoints(networks_in(settings.open_networks), settings.practice_supplier)
    app.state.quote_run_limits = QuoteRunLimits(
        at_once=settings.runs_at_once,
        bicycles=settings.run_bicycles,
        kept_bytes=settings.run_bytes,
        kept=timedelta(days=settings.run_days),
    )
    app.state.openapi = functools.partial(_served_document, app.state.deprecations)
    app.state.scraping = Scraping(metrics, settings.metrics_token)
    return Edge(app, settings.public_base_url, watchers=[metrics, *tracers])


@asynccontextmanager
async def _running(app: Litestar) -> AsyncIterator[None]:
    settings: Settings = app.state.settings
    database = await Database.open(settings.database_url, settings.database_connections)
    uses = KeyUses(database)
    app.state.database, app.state.key_uses = database, uses
    app.state.rate_limits = _rate_limits(settings, database)
    app.state.readiness = Readiness(database)
    app.state.cipher = Cipher.of(settings.database_url, settings.secret_keys)
    keeping = asyncio.create_task(uses.keep_always())
    try:
        async with working(settings, database, app.state.cipher, app.state.metrics):
            yield
    finally:
        keeping.cancel()
        await asyncio.wait([keeping])
        await uses.keep()
        await database.close()
        for tracer in app.state.tracers:
            await asyncio.to_thread(tracer.close)


async def work(settings: Settings) -> bool:
    """Do nothing but post what is due and work on runs, until SIGINT or SIGTERM; posts under way are finished.

    Where there is a port for it, whether the process is well and what it counts can be read there until the end.

    Returns:
        Whether it was told to stop; else some of the work has died, and a new process should take it up.
    """
    told = asyncio.Event()
    for number in (signal.SIGINT, signal.SIGTERM):
        asyncio.get_running_loop().add_signal_handler(number, told.set)
    metrics = Metrics()
    database = await Database.open(settings.database_url, settings.database_connections)
    try:
        cipher = Cipher.of(settings.database_url, settings.secret_keys)
        async with (
            _watched(settings, database, metrics) as readiness,
            working(settings, database, cipher, metrics) as running,
        ):
            stop = asyncio.create_task(told.wait())
            await asyncio.wait([stop, *running], return_when=asyncio.FIRST_COMPLETED)
            stop.cancel()
            readiness.leaving = True
    finally:
        await database.close()
    return told.is_set()


@asynccontextmanager
async def _watched(settings: Settings, database: Database, metrics: Metrics) -> AsyncIterator[Readiness]:
    """Serve what a worker tells of itself while the block runs, where there is a port for it."""
    readiness = Readiness(database)
    if not settings.worker_port:
        yield readiness
        return
    app = application(WATCHED)
    app.state.readiness, app.state.scraping = readiness, Scraping(metrics, settings.metrics_token)
    edge = Edge(app, settings.public_base_url, watchers=[metrics])
    page = _Page(_configuration(edge, settings.worker_host, settings.worker_port))
    serving = asyncio.create_task(page.serve([page.config.bind_socket()]))
    try:
        yield readiness
    finally:
        page.should_exit = True
        await serving


class _Page(uvicorn.Server):
    """A server beside other work, which ends once that has: signals are not for it."""

    @contextmanager
    def capture_signals(self) -> Iterator[None]:
        """Leave signals to the work."""
        yield


class Server(uvicorn.Server):
    """The server's own, which ends long answers before it waits for the requests under way.

    Told to stop by a signal it first says so to whoever asks whether it is ready, and goes on for some time, so that a
    balancer sends it nothing more by then. A second signal ends that time.

    Attributes:
        answers: the application's.
    """

    def __init__(self, app: Edge, config: uvicorn.Config, leave_seconds: int) -> None:
        super().__init__(config)
        self.answers: LongAnswers = app.app.state.long_answers
        self._app = app
        self._leave_seconds = leave_seconds
        self._leave_at: float | None = None

    def handle_exit(self, sig: int, frame: FrameType | None) -> None:
        """Take a signal."""
        if self._leave_seconds and self._leave_at is None and self.started:
            self._captured_signals.append(sig)
            self._leave_at = time.monotonic() + self._leave_seconds
            self._app.leaving = self._app.app.state.readiness.leaving = True
        else:
            super().handle_exit(sig, frame)

    async def on_tick(self, counter: int) -> bool:
        """Look, ten times a second, whether it is time to stop."""
        if self._leave_at is not None and time.monotonic() >= self._leave_at:
            self.should_exit = True
        return await super().on_tick(counter)

    async def shutdown(self, sockets: list[socket.socket] | None = None) -> None:
        """Stop."""
        self.answers.end()
        await super().shutdown(sockets)


def server(settings: Settings) -> Server:
    """Return the server for :func:`create_app`: call its ``run``; it stops on SIGINT or SIGTERM, requests finished."""
    app = create_app(settings)
    return Server(app, _configuration(app, settings.host, settings.port), settings.leave_seconds)


def _configuration(app: Edge, host: str, port: int) -> uvicorn.Config:
    return uvicorn.Config(
        app,
        host=host,
        port=port,
        http=Connection,
        loop="uvloop",
        ws="none",
        lifespan="on",
        log_config=None,
        access_log=False,
        server_header=False,
        proxy_headers=False,
        timeout_graceful_shutdown=GRACE_SECONDS,
    )


@functools.cache
def openapi_document(deprecated: tuple[Deprecation, ...] = DEPRECATIONS) -> bytes:
    """The OpenAPI document, the same bytes for every process of this version."""
    return openapi.build(application(ROUTES, deprecated))


@functools.cache
def _served_document(deprecated: tuple[Deprecation, ...]) -> Fixed:
    """The OpenAPI document as it is served, made when it is first asked for: a second that no start needs to wait."""
    return Fixed(openapi_document(deprecated), "application/json")


def application(
    routes: Iterable[ControllerRouterHandler],
    deprecated: tuple[Deprecation, ...] = DEPRECATIONS,
    **options: Any,  # noqa: ANN401 - Litestar's own
) -> Litestar:
    """Return handlers with everything the service puts around each of them, short of the edge.

    Raises:
        RuntimeError: a handler does not say which scope it needs.
    """
    app = Litestar(
        route_handlers=[*routes],
        dependencies=_DEPENDENCIES,
        request_class=StrictRequest,
        before_request=_before_each,
        exception_handlers={**problems.HANDLERS},
        openapi_config=None,
        logging_config=None,
        **options,
    )
    app.state.deprecations = deprecated
    for route in app.routes:
        for handler in route.route_handlers if isinstance(route, HTTPRoute) else ():
            needed_scope(handler)
    return app


async def _before_each(request: Request[Any, Any, Any]) -> None:
    deprecations.tell(request)
    await admit_within_limits(request)
    await check_query(request)


def _database(state: State) -> Database:
    database: Database = state.database
    return database


def _long_answers(state: State) -> LongAnswers:
    long_answers: LongAnswers = state.long_answers
    return long_answers


def _readiness(state: State) -> Readiness:
    readiness: Readiness = state.readiness
    return readiness


def _cipher(state: State) -> Cipher:
    cipher: Cipher = state.cipher
    return cipher


def _quote_run_limits(state: State) -> QuoteRunLimits:
    limits: QuoteRunLimits = state.quote_run_limits
    return limits


def _endpoints(state: State) -> Endpoints:
    endpoints: Endpoints = state.endpoints
    return endpoints


def _rate_limits(settings: Settings, database: Database) -> RateLimits:
    alone = driver_url(settings.database_url).get_backend_name() == "sqlite"
    buckets: Buckets = BucketsInMemory() if alone else BucketsInDatabase(database)
    strangers = settings.wrong_keys_per_minute
    return RateLimits(
        key=Policy("key", settings.rate_per_minute, settings.rate_burst),
        shop=Policy("shop", settings.shop_rate_per_minute, settings.shop_rate_burst),
        wrong_keys=Policy("wrong-keys", strangers, max(strangers, 1)),
        buckets=buckets,
        strangers=BucketsInMemory(),
    )


def _stamp() -> Stamp:
    return Stamp(id=uuid7(), now=datetime.now(UTC))


_DEPENDENCIES: Mapping[str, Provide] = {
    "caller": Provide(caller_of, sync_to_thread=False),
    "cipher": Provide(_cipher, sync_to_thread=False),
    "crank_workshop": Provide(workshops.crank_workshop),
    "database": Provide(_database, sync_to_thread=False),
    "desk": Provide(shop_documents.desk, sync_to_thread=False),
    "endpoints": Provide(_endpoints, sync_to_thread=False),
    "keeping": Provide(receiver_secrets.keeping, sync_to_thread=False),
    "long_answers": Provide(_long_answers, sync_to_thread=False),
    "once": Provide(kept_answers.once),
    "quote_run_limits": Provide(_quote_run_limits, sync_to_thread=False),
    "readiness": Provide(_readiness, sync_to_thread=False),
    "shop": Provide(shop_profiles.shop),
    "stamp": Provide(_stamp, sync_to_thread=False, use_cache=False),
    "workshop": Provide(workshops.workshop),
}
