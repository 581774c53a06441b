"""The application: the one place where settings, database and handlers meet."""

import asyncio
import functools
import os
import signal
import socket
import time
from collections.abc import AsyncIterator, Iterable, Iterator, Mapping
from contextlib import asynccontextmanager
from datetime import UTC, datetime, timedelta
from types import FrameType
from typing import Any

import structlog
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
from cotterline.api.routes import ROUTES
from cotterline.api.token_bucket import Policy
from cotterline.delivery.due_visits import DueVisits
from cotterline.delivery.ended_runs import EndedRuns
from cotterline.delivery.lapsed_quotes import LapsedQuotes
from cotterline.delivery.long_over_quotes import LongOverQuotes
from cotterline.delivery.old_answers import OldAnswers
from cotterline.delivery.old_events import OldEvents
from cotterline.delivery.outbox_worker import Count, Worker, uncounted
from cotterline.delivery.post import Poster
from cotterline.delivery.runs_left_behind import RunsLeftBehind
from cotterline.delivery.sweeps import Sweep
from cotterline.runs.worker import RunWorker
from cotterline.settings import Settings, networks_in
from cotterline.store.address import driver_url
from cotterline.store.cipher import Cipher
from cotterline.store.database import Database

GRACE_SECONDS = 30
"""How long requests under way may take to finish once the server was told to stop, and posts after them."""

log = structlog.get_logger("cotterline.main")


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
        async with posting(settings, database, app.state.cipher, app.state.metrics.tried):
            yield
    finally:
        keeping.cancel()
        await asyncio.wait([keeping])
        await uses.keep()
        await database.close()
        for tracer in app.state.tracers:
            await asyncio.to_thread(tracer.close)


@asynccontextmanager
async def posting(settings: Settings, database: Database, cipher: Cipher, count: Count) -> AsyncIterator[None]:
    """Post what is due while the block runs, where this process is to; at its end posts under way are finished.

    Offers whose time is over and re-checks that are due are told of by the same process, and runs are worked on.
    """
    if settings.worker == "off":
        yield
        return
    async with Poster(networks_in(settings.open_networks), settings.practice_supplier) as poster:
        kept = timedelta(days=settings.run_days)
        workers = (Worker(database, cipher, poster, count=count), RunWorker(database, kept))
        running = [asyncio.create_task(worker.run()) for worker in workers]
        for each in running:
            each.add_done_callback(_mourn)
        sweeping = [asyncio.create_task(each.run()) for each in _sweeps(settings, database)]
        try:
            yield
        finally:
            for each in sweeping:
                each.cancel()
            await asyncio.wait(sweeping)
            for worker in workers:
                worker.stop()
            await asyncio.wait(running, timeout=GRACE_SECONDS)
            for each in running:
                each.cancel()


def _sweeps(settings: Settings, database: Database) -> Iterator[Sweep]:
    """What time alone brings about, as this operator wants it."""
    for kind in (LapsedQuotes, DueVisits, EndedRuns, OldAnswers):
        yield kind(database, _now)
    yield RunsLeftBehind(database, _now, timedelta(days=settings.run_wait_days))
    if settings.customer_days:
        yield LongOverQuotes(database, _now, timedelta(days=settings.customer_days))
    if settings.event_days:
        yield OldEvents(database, _now, timedelta(days=settings.event_days))


def _now() -> datetime:
    return datetime.now(UTC)


async def work(settings: Settings) -> None:
    """Do nothing but post what is due, until SIGINT or SIGTERM; posts under way are finished."""
    told = asyncio.Event()
    for number in (signal.SIGINT, signal.SIGTERM):
        asyncio.get_running_loop().add_signal_handler(number, told.set)
    database = await Database.open(settings.database_url, settings.database_connections)
    try:
        cipher = Cipher.of(settings.database_url, settings.secret_keys)
        async with posting(settings, database, cipher, uncounted):
            await told.wait()
    finally:
        await database.close()


def _mourn(running: asyncio.Task[None]) -> None:
    """Say so when a worker ended by an error of our own: this process does its work no more."""
    if not running.cancelled() and (error := running.exception()) is not None:
        log.critical("a worker has died", exc_info=error)


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
    return Server(
        app,
        uvicorn.Config(
            app,
            host=settings.host,
            port=settings.port,
            http=Connection,
            loop="uvloop",
            ws="none",
            lifespan="on",
            log_config=None,
            access_log=False,
            server_header=False,
            proxy_headers=False,
            timeout_graceful_shutdown=GRACE_SECONDS,
        ),
        settings.leave_seconds,
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
    return Stamp(id=uuid7(), now=_now())


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
