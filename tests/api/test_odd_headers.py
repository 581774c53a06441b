"""Headers nobody would send, on a real socket: long, odd, repeated, at odds. None is a failure of ours."""

import contextlib
import logging
import re
import socket
from collections.abc import Callable, Iterator
from typing import Any

import pytest
from hypothesis import HealthCheck, event, example, given, settings
from hypothesis import strategies as st

from cotterline.api import examples
from tests.serving import Served, serving

BODY = examples.read("clear_shell")
Failures = Callable[[], list[object]]

EXAMPLES = 400
SECONDS = 0.5

NAMES = (
    b"Host Authorization Content-Type Content-Length Content-Encoding Transfer-Encoding Connection Expect Upgrade TE "
    b"Trailer Accept Accept-Encoding Accept-Charset Accept-Language Cookie Range Date Forwarded X-Forwarded-For "
    b"X-Forwarded-Proto X-Request-Id X-HTTP-Method-Override Idempotency-Key If-Match If-None-Match If-Modified-Since "
    b"If-Unmodified-Since Prefer Origin Referer User-Agent Via Keep-Alive Proxy-Authorization Traceparent Tracestate "
    b"Baggage Max-Forwards Content-Location HTTP2-Settings Sec-WebSocket-Key RateLimit Retry-After"
).split()

NEAR_MISSES = [
    *(
        b"",
        b" ",
        b"\t",
        b",",
        b";",
        b"=",
        b'"',
        b'"\\',
        b"*",
        b"W/",
        b'W/"a", "b"',
        b"chunked",
        b"gzip, chunked",
        b"identity",
    ),
    *(b"close", b"keep-alive, upgrade", b"websocket", b"h2c", b"100-continue", b"trailers", b"application/json"),
    *(
        b"application/json; charset=utf-16",
        b"text/html;q=0.0000001",
        b"*/*;q=nan",
        b"bytes=0-0,-1",
        b"Bearer",
        b"Bearer  .",
    ),
    *(b"Basic Og==", b"-1", b"0", b"1", b"99999999999999999999", b"1, 1", b"+5", b"0x10", b"respond-async; wait=1e9"),
    *(b"00-" + b"0" * 32 + b"-" + b"0" * 16 + b"-00", b"00-" + b"a" * 32 + b"-" + b"b" * 16 + b"-01", b"a=1,a=2"),
    *(
        b"Thu, 01 Jan 1970 00:00:00 GMT",
        b"Mon, 99 Foo 9999 99:99:99 GMT",
        b"[::1]:x",
        b"a@b",
        b"%00",
        b"\xff\xfe",
        b"\xc3\xa9",
    ),
]

REQUESTS = [
    *(
        b"GET /health/live",
        b"HEAD /health/ready",
        b"OPTIONS /v1/quotes",
        b"GET /v1/quotes?limit=1",
        b"GET /openapi.json",
    ),
    *(b"GET /v1/quotes/01900000-0000-7000-8000-000000000000", b"GET /metrics", b"GET /docs", b"GET /nowhere"),
    *(b"POST /v1/quotes", b"POST /v1/thread-verdicts", b"DELETE /v1/quotes", b"PATCH /v1/quotes"),
]

# What the parser lets through to the service: visible octets, blanks, and those above ASCII (RFC 9110, section 5.5).
sound = st.lists(st.sampled_from([*range(0x20, 0x7F), 9, *range(0x80, 0x100)]), max_size=60).map(bytes)
long_ones = st.builds(
    lambda octet, times: octet * times, st.sampled_from([b"a", b"\xff", b'"', b","]), st.integers(1, 9000)
)
values = st.one_of(st.sampled_from(NEAR_MISSES), sound, long_ones)
tokens = st.from_regex(rb"[a-z0-9!#$%&'*+.^_`|~-]{1,30}", fullmatch=True)
names = st.one_of(st.sampled_from(NAMES), st.sampled_from(NAMES).map(bytes.lower), tokens)
# And what it must not: anything at all.
anything = st.binary(max_size=30)
fields = st.lists(st.tuples(names, values), max_size=12)
odd_fields = st.lists(st.tuples(st.one_of(names, anything), st.one_of(values, anything)), max_size=12)
repeated = st.builds(lambda field, times: [field] * times, st.tuples(names, values), st.integers(2, 400))


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    """Serve for all examples, without limits."""
    unlimited = {"rate_per_minute": 0, "shop_rate_per_minute": 0, "wrong_keys_per_minute": 0}
    with serving(tmp_path_factory.mktemp("odd"), metrics_token="a-scraper-shows-this", **unlimited) as served:  # noqa: S106 - invented
        yield served


def send(served: Served, request: bytes) -> bytes:
    """Send all of a request and nothing after it; gives all that comes back."""
    received = b""
    with socket.create_connection(("127.0.0.1", int(served.address.rpartition(":")[2])), timeout=20) as client:
        with contextlib.suppress(OSError):
            client.sendall(request)
        client.settimeout(SECONDS)  # it may have been told of a body that never comes
        with contextlib.suppress(ConnectionError, TimeoutError):
            while piece := client.recv(65536):
                received += piece
    return received


def statuses(received: bytes) -> list[int]:
    return [int(status) for status in re.findall(rb"^HTTP/1\.1 (\d{3}) ", received, re.MULTILINE)]


def request(served: Served, line: bytes, headers: list[tuple[bytes, bytes]], *, known: bool) -> bytes:
    plain = [(b"Host", b"bench.example")]
    if known:
        plain.append((b"Authorization", b"Bearer " + served.key.encode()))
    body = BODY if line.startswith((b"POST", b"PATCH")) else b""
    if body:
        plain += [(b"Content-Type", b"application/json"), (b"Content-Length", b"%d" % len(body))]
    lines = [name + b": " + value for name, value in [*plain, *headers, (b"Connection", b"close")]]
    return line + b" HTTP/1.1\r\n" + b"\r\n".join([*lines, b"", b""]) + body


@pytest.fixture
def failures(caplog: pytest.LogCaptureFixture, logged: list[dict[str, Any]]) -> Failures:
    """Tell every failure logged so far: an exception nobody catches is logged by the server, the loop or the edge."""

    def found() -> list[object]:
        foreign = [record.getMessage() for record in caplog.records if record.levelno >= logging.ERROR]
        return [*foreign, *(entry for entry in logged if entry["log_level"] == "error")]

    return found


@settings(max_examples=EXAMPLES, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(line=st.sampled_from(REQUESTS), headers=st.one_of(fields, fields, odd_fields, repeated), known=st.booleans())
@example(line=b"POST /v1/quotes", headers=[(b"Content-Type", b"application/json")] * 2, known=True)
@example(line=b"GET /metrics", headers=[(b"Authorization", b"Bearer \xff")], known=False)
@example(line=b"GET /openapi.json", headers=[(b"If-None-Match", b'"\xff", *')], known=True)
def test_no_header_makes_the_service_fail(
    served: Served, failures: Failures, line: bytes, headers: list[tuple[bytes, bytes]], *, known: bool
) -> None:
    found = statuses(send(served, request(served, line, headers, known=known)))
    event(f"{found[0] if found else 'closed'}")
    assert [status for status in found if status >= 500] == []
    assert failures() == []


def test_the_service_is_well_afterwards(served: Served) -> None:
    for line in (b"GET /health/ready", b"POST /v1/thread-verdicts"):
        received = send(served, request(served, line, [], known=True))
        assert statuses(received) == [200]
