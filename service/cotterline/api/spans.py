"""A span for every request, by the semantic conventions of OpenTelemetry for HTTP servers.

Nothing imports this but ``telemetry.py``, and only where traces are wanted: it needs the extra ``telemetry``. What the
client sent stays out: the route's template stands for the path, and an exception is named by its status alone.
"""

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from importlib.metadata import entry_points
from typing import Final

from opentelemetry.context import Context
from opentelemetry.sdk.resources import OTELResourceDetector, Resource
from opentelemetry.sdk.trace import TracerProvider
from opentelemetry.sdk.trace.export import BatchSpanProcessor, SpanExporter
from opentelemetry.trace import Span, SpanKind, Status, StatusCode
from opentelemetry.trace.propagation.tracecontext import TraceContextTextMapPropagator

import cotterline
from cotterline.api.exchange import Exchange

_FAILED: Final = 500
_W3C: Final = TraceContextTextMapPropagator()
_EXPORTERS: Final = "opentelemetry_traces_exporter"
"""Entry points that each exporter's package brings, by the name OTEL_TRACES_EXPORTER knows it by."""

_PROTOCOLS: Final[Mapping[str, str]] = {"http/protobuf": "otlp_proto_http", "grpc": "otlp_proto_grpc"}
"""What ``otlp`` means under each value of OTEL_EXPORTER_OTLP_PROTOCOL."""


class Spans:
    """Makes a span of every request and hands it to the provider's exporters."""

    def __init__(self, provider: TracerProvider) -> None:
        self._provider = provider
        self._tracer = provider.get_tracer("cotterline", cotterline.__version__)

    @contextmanager
    def watch(self, exchange: Exchange) -> Iterator[None]:
        """Open a span that goes on the caller's trace, if it sent a sound one, and close it with the answer."""
        known = {"http.request.method": exchange.known_method, "url.scheme": exchange.scope["scheme"]}
        with self._tracer.start_as_current_span(
            exchange.known_method,
            _parent(exchange),
            SpanKind.SERVER,
            known,
            record_exception=False,
            set_status_on_exception=False,
        ) as span:
            exchange.trace_id = f"{span.get_span_context().trace_id:032x}"
            try:
                yield
            finally:
                _finish(span, exchange)

    def close(self) -> None:
        """Send what is left. It may wait for the network."""
        self._provider.shutdown()


def provider(env: Mapping[str, str]) -> TracerProvider:
    """Return a provider set up as the standard variables say; limits and sampling it reads from them by itself.

    Raises:
        LookupError: an exporter they name is not installed.
    """
    own = Resource.create({"service.name": "cotterline", "service.version": cotterline.__version__})
    made = TracerProvider(resource=own.merge(OTELResourceDetector().detect()))
    for name in (env.get("OTEL_TRACES_EXPORTER", "").strip() or "otlp").split(","):
        made.add_span_processor(BatchSpanProcessor(_exporter(name.strip(), env)))
    return made


def _exporter(name: str, env: Mapping[str, str]) -> SpanExporter:
    protocols = ("OTEL_EXPORTER_OTLP_TRACES_PROTOCOL", "OTEL_EXPORTER_OTLP_PROTOCOL")
    protocol = next((env[variable] for variable in protocols if env.get(variable)), "http/protobuf")
    meant = _PROTOCOLS.get(protocol, protocol) if name == "otlp" else name
    found = [*entry_points(group=_EXPORTERS, name=meant)]
    if not found:
        raise LookupError(f"no exporter named {meant} is installed")
    exporter: SpanExporter = found[0].load()()
    return exporter


def _parent(exchange: Exchange) -> Context:
    if not exchange.traceparent:
        return Context()
    states = [value.decode("latin-1") for name, value in exchange.scope["headers"] if name == b"tracestate"]
    return _W3C.extract({"traceparent": exchange.traceparent, "tracestate": ",".join(states)}, Context())


def _finish(span: Span, exchange: Exchange) -> None:
    if exchange.route:
        span.update_name(f"{exchange.known_method} {exchange.route}")
        span.set_attribute("http.route", exchange.route)
    if exchange.status:
        span.set_attribute("http.response.status_code", exchange.status)
    if not exchange.status or exchange.status >= _FAILED:
        span.set_attribute("error.type", str(exchange.status or "unanswered"))
        span.set_status(Status(StatusCode.ERROR))
