"""A request is a span on its caller's trace, sent only where the standard variables say, and only with the extra."""

import json
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path
from typing import Any

import pytest
from litestar import get
from litestar.params import FromPath
from litestar.testing import TestClient
from opentelemetry.proto.collector.trace.v1.trace_service_pb2 import ExportTraceServiceRequest
from opentelemetry.sdk.trace import ReadableSpan, TracerProvider
from opentelemetry.sdk.trace.export import SimpleSpanProcessor
from opentelemetry.sdk.trace.export.in_memory_span_exporter import InMemorySpanExporter
from opentelemetry.trace import SpanKind, StatusCode, get_current_span

from cotterline.api import telemetry
from cotterline.api.edge import Edge
from cotterline.api.spans import Spans
from cotterline.main import application
from tests.command_line import environment

TRACE = "0af7651916cd43dd8448eb211c80319c"
PARENT = "b7ad6b7169203331"
TRACEPARENT = f"00-{TRACE}-{PARENT}-01"
"""The example of W3C Trace Context (Recommendation, 2021), section 3.2.4."""

PRIVATE = "bottom-drawer"

seen: list[str] = []


@get("/drawers/{name:str}", opt={"scope": None})
async def read(name: FromPath[str]) -> dict[str, str]:
    """Give a name, inside a span."""
    seen.append(f"{get_current_span().get_span_context().span_id:016x}")
    return {"name": name}


@get("/faults", opt={"scope": None})
async def fail() -> None:
    """Fail with private words."""
    raise RuntimeError(PRIVATE)


@pytest.fixture
def spans() -> InMemorySpanExporter:
    return InMemorySpanExporter()


@pytest.fixture
def client(spans: InMemorySpanExporter) -> Iterator[TestClient[Edge]]:
    provider = TracerProvider()
    provider.add_span_processor(SimpleSpanProcessor(spans))
    edge = Edge(application([read, fail]), watchers=[Spans(provider)])
    with TestClient(edge, raise_server_exceptions=False) as client:
        yield client


def only(spans: InMemorySpanExporter) -> ReadableSpan:
    (span,) = spans.get_finished_spans()
    return span


def test_a_span_bears_the_routes_template_and_nothing_the_client_sent(
    client: TestClient[Edge], spans: InMemorySpanExporter
) -> None:
    client.get(f"/drawers/{PRIVATE}?odd={PRIVATE}", headers={"x-note": PRIVATE})
    span = only(spans)
    assert (span.name, span.kind) == ("GET /drawers/{name}", SpanKind.SERVER)
    assert dict(span.attributes or {}) == {
        "http.request.method": "GET",
        "http.route": "/drawers/{name}",
        "http.response.status_code": 422,
        "url.scheme": "http",
    }
    assert PRIVATE not in span.to_json()


def test_the_span_is_open_while_the_handler_works(client: TestClient[Edge], spans: InMemorySpanExporter) -> None:
    client.get("/drawers/a")
    context = only(spans).context
    assert context is not None
    assert seen[-1] == f"{context.span_id:016x}"


def test_a_span_goes_on_its_callers_trace_and_the_log_names_it(
    client: TestClient[Edge], spans: InMemorySpanExporter, logged: list[Any]
) -> None:
    answer = client.get("/drawers/a", headers={"traceparent": TRACEPARENT, "tracestate": "bench=1"})
    span = only(spans)
    assert span.parent is not None
    assert span.context is not None
    assert (f"{span.context.trace_id:032x}", f"{span.parent.span_id:016x}") == (TRACE, PARENT)
    assert span.context.trace_state.to_header() == "bench=1"
    assert logged[-1]["trace_id"] == TRACE
    assert answer.headers["traceparent"] == TRACEPARENT


@pytest.mark.parametrize("given", [[], [TRACEPARENT.upper()], [TRACEPARENT, TRACEPARENT], ["00-" + "0" * 52]])
def test_without_a_sound_trace_a_new_one_begins(
    client: TestClient[Edge], spans: InMemorySpanExporter, logged: list[Any], given: list[str]
) -> None:
    client.get("/drawers/a", headers=[("traceparent", value) for value in given])
    span = only(spans)
    assert span.parent is None
    assert span.context is not None
    assert logged[-1]["trace_id"] == f"{span.context.trace_id:032x}" != TRACE


def test_a_failure_marks_the_span_and_tells_nothing_more(client: TestClient[Edge], spans: InMemorySpanExporter) -> None:
    client.get("/faults")
    span = only(spans)
    assert span.status.status_code == StatusCode.ERROR
    assert (span.attributes or {})["error.type"] == "500"
    assert span.events == ()
    assert PRIVATE not in span.to_json()


def test_a_refusal_is_no_failure_and_a_path_without_a_route_bears_the_method_alone(
    client: TestClient[Edge], spans: InMemorySpanExporter
) -> None:
    client.get(f"/{PRIVATE}")
    client.request("BREW", "/faults")
    first, second = spans.get_finished_spans()
    assert (first.name, first.status.status_code) == ("GET", StatusCode.UNSET)
    assert second.name == "_OTHER"


@pytest.mark.parametrize(
    ("env", "asked_for"),
    [
        ({}, False),
        ({"OTEL_SERVICE_NAME": "bench"}, False),
        ({"OTEL_EXPORTER_OTLP_ENDPOINT": " "}, False),
        ({"OTEL_EXPORTER_OTLP_ENDPOINT": "http://collector:4318"}, True),
        ({"OTEL_EXPORTER_OTLP_TRACES_ENDPOINT": "http://collector:4318/v1/traces"}, True),
        ({"OTEL_TRACES_EXPORTER": "otlp"}, True),
        ({"OTEL_TRACES_EXPORTER": "none", "OTEL_EXPORTER_OTLP_ENDPOINT": "http://collector:4318"}, False),
        ({"OTEL_SDK_DISABLED": "true", "OTEL_TRACES_EXPORTER": "otlp"}, False),
    ],
)
def test_traces_are_made_only_where_the_standard_variables_ask_for_them(
    env: dict[str, str], *, asked_for: bool
) -> None:
    assert telemetry.wanted(env) == asked_for
    made = telemetry.tracer(env)
    assert (made is not None) == asked_for
    if made is not None:
        made.close()


def test_an_exporter_that_is_not_installed_is_named_and_the_service_goes_on(logged: list[Any]) -> None:
    assert telemetry.tracer({"OTEL_TRACES_EXPORTER": "pigeon"}) is None
    (line,) = logged
    assert (line["log_level"], "pigeon" in line["reason"]) == ("warning", True)


PROGRAM = """
import json, os, sys
{before}
from litestar.testing import TestClient
from cotterline import logs, main
from cotterline.settings import Settings
logs.write_json("info")
with TestClient(main.create_app(Settings(database_url="sqlite:///traced.sqlite3"))) as client:
    status = client.get("/health/live", headers={{"traceparent": "{traceparent}"}}).status_code
imported = [name for name in ("cotterline.api.spans", "opentelemetry.sdk.trace") if name in sys.modules]
print(json.dumps({{"event": "done", "status": status, "imported": imported}}))
"""


def run(folder: Path, before: str = "", **env: str) -> list[dict[str, Any]]:
    """Serve one request in a process of its own; gives the lines it logged."""
    plain = {name: value for name, value in environment().items() if not name.startswith("OTEL_")}
    program = PROGRAM.format(before=before, traceparent=TRACEPARENT)
    done = subprocess.run(  # noqa: S603 - our own words
        [sys.executable, "-c", program], cwd=folder, env=plain | env, capture_output=True, text=True, check=True
    )
    return [json.loads(line) for line in done.stdout.splitlines() if line.startswith("{")]


def test_nothing_of_it_is_imported_where_it_is_not_asked_for(tmp_path: Path) -> None:
    # Litestar looks whether OpenTelemetry's interface is installed; what does the work stays out.
    assert run(tmp_path)[-1] == {"event": "done", "status": 200, "imported": []}


def test_without_the_extra_the_service_says_so_and_serves(tmp_path: Path) -> None:
    hidden = 'sys.modules["opentelemetry"] = None'
    lines = run(tmp_path, hidden, OTEL_EXPORTER_OTLP_ENDPOINT="http://127.0.0.1:1")
    assert lines[-1] == {"event": "done", "status": 200, "imported": []}
    assert [line["level"] for line in lines if "telemetry" in line["event"]] == ["warning"]


@pytest.fixture
def collector() -> Iterator[Callable[[], tuple[str, list[ExportTraceServiceRequest]]]]:
    """Listen like a collector; gives its address and what it was sent, each body read by the published schema."""
    received: list[ExportTraceServiceRequest] = []

    class Collector(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            assert self.path == "/v1/traces"
            received.append(ExportTraceServiceRequest.FromString(self.rfile.read(int(self.headers["content-length"]))))
            self.send_response(200)
            self.end_headers()

        def log_message(self, *_: object) -> None:
            pass

    with HTTPServer(("127.0.0.1", 0), Collector) as listening:
        thread = threading.Thread(target=listening.serve_forever)
        thread.start()
        yield lambda: (f"http://127.0.0.1:{listening.server_port}", received)
        listening.shutdown()
        thread.join()


@pytest.mark.parametrize("name", ["", "bench-of-ada"])
def test_spans_reach_the_collector_named_in_the_environment(
    tmp_path: Path, collector: Callable[[], tuple[str, list[ExportTraceServiceRequest]]], name: str
) -> None:
    address, received = collector()
    run(tmp_path, OTEL_EXPORTER_OTLP_ENDPOINT=address, **({"OTEL_SERVICE_NAME": name} if name else {}))
    (spans,) = received[0].resource_spans
    assert {item.key: item.value.string_value for item in spans.resource.attributes}["service.name"] == (
        name or "cotterline"
    )
    (span,) = spans.scope_spans[0].spans
    assert (span.name, span.trace_id.hex(), span.parent_span_id.hex()) == ("GET /health/live", TRACE, PARENT)
