"""What the service counts about itself, in the text format of Prometheus.

Each process counts for itself and answers for itself: several processes are several targets.
"""

import hmac
import math
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import msgspec
from litestar import Request, Response, get
from litestar.exceptions import NotFoundException
from prometheus_client import CollectorRegistry, Counter, Gauge, Histogram, Info, ProcessCollector
from prometheus_client.exposition import CONTENT_TYPE_LATEST, generate_latest

import cotterline
from cotterline.api.exchange import Exchange
from cotterline.api.problems import RequestRefusedError
from cotterline.api.quote_run_metrics import QuoteRunMetrics
from cotterline.api.readiness import Backlog, Readiness

_SECONDS = (0.002, 0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1, 2.5, 5, 10, 30)
_LABELS = ("method", "route", "status")


class Metrics:
    """The counters of one application, with a registry of their own.

    A label never holds what a client made up: a method made up is ``_OTHER``, a path without a route ``none``.

    Attributes:
        runs: the counters of runs.
    """

    def __init__(self) -> None:
        self._registry = CollectorRegistry()
        self.runs = QuoteRunMetrics(self._registry)
        self._workers = Gauge(
            "cotterline_workers",
            "What this process does beside calls: 1, or 0 once that has ended or died.",
            ("work",),
            registry=self._registry,
        )
        self._swept = Counter(
            "cotterline_swept",
            "What time alone brought about; of ended runs, those whose answers were removed.",
            ("sought",),
            registry=self._registry,
        )
        self._requests = Counter("cotterline_http_requests", "Requests answered.", _LABELS, registry=self._registry)
        self._duration = Histogram(
            "cotterline_http_request_duration_seconds",
            "Time from the head of a request to the end of its answer.",
            _LABELS,
            buckets=_SECONDS,
            registry=self._registry,
        )
        self._in_flight = Gauge(
            "cotterline_http_requests_in_flight", "Requests under way.", ("method",), registry=self._registry
        )
        self._tries = Counter(
            "cotterline_deliveries",
            "Tries to post something, by what became of it.",
            ("kind", "outcome"),
            registry=self._registry,
        )
        self._due = Gauge(
            "cotterline_deliveries_due",
            "Deliveries of every shop that are due and not being posted.",
            registry=self._registry,
        )
        self._lag = Gauge(
            "cotterline_delivery_lag_seconds", "How long the oldest of them has been due.", registry=self._registry
        )
        Info("cotterline_core", "The calculation that answers.", registry=self._registry).info(
            {"version": cotterline.__version__}
        )
        ProcessCollector(registry=self._registry)

    @contextmanager
    def watch(self, exchange: Exchange) -> Iterator[None]:
        """Count one request."""
        method = exchange.known_method
        under_way = self._in_flight.labels(method)
        under_way.inc()
        try:
            yield
        finally:
            under_way.dec()
            labels = (method, exchange.route or "none", str(exchange.status or "none"))
            self._requests.labels(*labels).inc()
            self._duration.labels(*labels).observe(exchange.seconds)

    def tried(self, kind: str, outcome: str) -> None:
        """Count one try to post something."""
        self._tries.labels(kind, outcome).inc()

    def swept(self, sought: str, settled: int) -> None:
        """Count what a sweep settled."""
        self._swept.labels(sought).inc(settled)

    def at_work(self, work: str, *, going: bool) -> None:
        """Tell whether this process does some work beside calls."""
        self._workers.labels(work).set(going)

    def page(self, backlog: Backlog | None) -> bytes:
        """Everything counted so far, as a scraper reads it; without a backlog what is due is not a number."""
        self._due.set(backlog.count if backlog else math.nan)
        self._lag.set(backlog.seconds if backlog else math.nan)
        self.runs.tell(backlog)
        return generate_latest(self._registry)


class Scraping(msgspec.Struct, frozen=True):
    """What a scraper is given, and the token it must show; without one it is given nothing."""

    metrics: Metrics
    token: str


@get("/metrics", include_in_schema=False, opt={"scope": None})
async def scrape(request: Request[Any, Any, Any]) -> Response[bytes]:
    """Give the counters of this process to whoever shows the operator's token."""
    scraping: Scraping = request.app.state.scraping
    if not scraping.token:
        raise NotFoundException
    scheme, _, shown = request.headers.get("authorization", "").partition(" ")
    if scheme.lower() != "bearer" or not hmac.compare_digest(shown.strip().encode(), scraping.token.encode()):
        raise RequestRefusedError(
            "unauthenticated", "The metrics ask for the operator's token.", headers={"WWW-Authenticate": "Bearer"}
        )
    readiness: Readiness = request.app.state.readiness
    return Response(scraping.metrics.page(await readiness.backlog()), headers={"Content-Type": CONTENT_TYPE_LATEST})
