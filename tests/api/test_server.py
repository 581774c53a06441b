"""The service on a real socket: what the server's parser makes of odd requests, and that none is a failure."""

import contextlib
import logging
import socket
import time
from collections.abc import Iterator
from typing import NamedTuple

import msgspec
import pytest

from cotterline.api import examples
from tests.serving import Served, serving

CLOSE = b"Host: bench.example\r\nConnection: close\r\n"
JSON = b"Content-Type: application/json\r\n"
CHUNKED = b"Transfer-Encoding: chunked\r\n"
BODY = examples.read("clear_shell")


class Answer(NamedTuple):
    """One answer off the wire."""

    status: int
    headers: dict[str, str]
    body: bytes


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    """Serve for all tests of this file."""
    with serving(tmp_path_factory.mktemp("server")) as served:
        yield served


@pytest.fixture
def port(served: Served) -> int:
    """Give the port to talk to."""
    return int(served.address.rpartition(":")[2])


@pytest.fixture
def key(served: Served) -> bytes:
    """Give the header that opens the door."""
    return f"Authorization: Bearer {served.key}\r\n".encode()


@pytest.fixture(autouse=True)
def no_failure(caplog: pytest.LogCaptureFixture, logged: list[dict[str, object]]) -> Iterator[None]:
    """Hold that neither the server nor the service logged an error, whatever it was sent."""
    yield
    assert [record for record in caplog.records if record.levelno >= logging.ERROR] == []
    assert [line for line in logged if line["log_level"] == "error"] == []


def talk(port: int, *pieces: bytes, pause: float = 0.0) -> bytes:
    """Send pieces over one connection; gives all that comes back until it closes."""
    received = b""
    with socket.create_connection(("127.0.0.1", port), timeout=10) as connection:
        with contextlib.suppress(ConnectionError):  # the server may answer and close before everything was sent
            for piece in pieces:
                connection.sendall(piece)
                time.sleep(pause)
        with contextlib.suppress(ConnectionResetError):
            while piece := connection.recv(65536):
                received += piece
    return received


def answers(raw: bytes) -> list[Answer]:
    """Every answer in what came back, by its own length."""
    found = []
    while raw:
        head, _, raw = raw.partition(b"\r\n\r\n")
        first, *lines = head.decode("latin-1").split("\r\n")
        headers = {name.lower(): value for name, _, value in (line.partition(": ") for line in lines)}
        length = int(headers.get("content-length", 0))
        found.append(Answer(int(first.split()[1]), headers, raw[:length]))
        raw = raw[length:]
    return found


def ask(port: int, line: bytes, headers: bytes = b"", *body: bytes, pause: float = 0.0) -> Answer:
    """Send one request; gives its one answer."""
    head = line + b" HTTP/1.1\r\n" + CLOSE + headers + b"\r\n"
    (answer,) = answers(talk(port, head, *body, pause=pause))
    return answer


def test_head_has_the_headers_of_get_and_no_body(port: int) -> None:
    whole = ask(port, b"GET /v1/reference/threads")
    (head,) = answers(talk(port, b"HEAD /v1/reference/threads HTTP/1.1\r\n" + CLOSE + b"\r\n"))
    assert head.headers["content-length"] == str(len(whole.body))
    assert head.body == b""


def test_options_tells_the_methods(port: int) -> None:
    answer = ask(port, b"OPTIONS /v1/quotes")
    assert (answer.status, answer.headers["allow"]) == (204, "GET, HEAD, OPTIONS, POST")


def test_a_body_in_chunks_that_come_slowly_is_read(port: int, key: bytes) -> None:
    size = b"%x\r\n" % len(BODY)
    pieces = (size, BODY[:9], BODY[9:], b"\r\n0\r\n\r\n")
    answer = ask(port, b"POST /v1/thread-verdicts", JSON + key + CHUNKED, *pieces, pause=0.05)
    assert answer.status == 200
    assert msgspec.json.decode(answer.body)["state"] == "fit_to_order"


@pytest.mark.parametrize(
    ("headers", "body"),
    [
        (CHUNKED, b"zz\r\n"),
        (CHUNKED, b"-1\r\n\r\n"),
        (CHUNKED + b"Content-Length: 5\r\n", b"0\r\n\r\n"),
        (b"Content-Length: 5\r\nContent-Length: 6\r\n", b"abcdef"),
        (b"Content-Length: -5\r\n", b""),
        (b"Content-Length: 5x\r\n", b"abcde"),
        (b"Transfer-Encoding: gzip\r\n", b""),
        (b"Bad Name: x\r\n", b""),
        (b"X-Folded: a\r\n b\r\n", b""),
    ],
)
def test_a_framing_that_cannot_be_trusted_is_refused(port: int, key: bytes, headers: bytes, body: bytes) -> None:
    # RFC 9112, sections 5 to 7; a request read two ways is how one is smuggled past a proxy.
    assert ask(port, b"POST /v1/thread-verdicts", JSON + key + headers, body).status == 400


@pytest.mark.parametrize("line", [b"BREW /docs", b"GET docs", b"\x16\x03\x01\x02", b"GET /" + b"a" * 100_000])
def test_what_is_no_request_is_refused(port: int, line: bytes) -> None:
    assert ask(port, line).status == 400


def test_a_header_without_measure_is_refused(port: int) -> None:
    for header in (b"X-Large: " + b"a" * 1_000_000 + b"\r\n", b"".join(b"X-%d: a\r\n" % n for n in range(20_000))):
        answer = ask(port, b"GET /health/live", header)
        assert (answer.status, answer.headers["content-type"]) == (431, "application/problem+json")


@pytest.mark.parametrize("hosts", [b"", b"Host: a\r\nHost: b\r\n", b"Host: a b\r\n"])
def test_there_must_be_one_host(port: int, hosts: bytes) -> None:
    (answer,) = answers(talk(port, b"GET /health/live HTTP/1.1\r\nConnection: close\r\n" + hosts + b"\r\n"))
    assert answer.status == 400


def test_requests_sent_ahead_are_answered_in_their_order(port: int, key: bytes) -> None:
    lines = [b"GET /health/live", b"GET /nowhere", b"POST /v1/quotes", b"GET /health/ready"]
    sent = [line + b" HTTP/1.1\r\nHost: a\r\n" + key + b"Content-Length: 0\r\n\r\n" for line in lines[:-1]]
    raw = talk(port, b"".join(sent) + lines[-1] + b" HTTP/1.1\r\n" + CLOSE + b"\r\n")
    assert [answer.status for answer in answers(raw)] == [200, 404, 415, 200]


def test_a_client_that_waits_for_leave_gets_it_only_for_a_body_that_will_be_read(port: int, key: bytes) -> None:
    length = b"Content-Length: %d\r\n" % len(BODY)
    expect = b"Expect: 100-continue\r\n" + length
    wanted = b"POST /v1/thread-verdicts HTTP/1.1\r\n" + CLOSE + JSON + key + expect + b"\r\n"
    assert [answer.status for answer in answers(talk(port, wanted, BODY, pause=0.2))] == [100, 200]
    unwanted = b"POST /v1/thread-verdicts HTTP/1.1\r\n" + CLOSE + key + expect + b"\r\n"
    assert [answer.status for answer in answers(talk(port, unwanted))] == [415]


@pytest.mark.parametrize("chunked", [True, False])
def test_ten_megabytes_are_refused_before_they_are_read(port: int, key: bytes, *, chunked: bool) -> None:
    size = 10_000_000
    headers = CHUNKED if chunked else b"Content-Length: %d\r\n" % size
    start = b"%x\r\n" % size if chunked else b""
    answer = ask(port, b"POST /v1/quotes", JSON + key + headers, start + b" " * size)
    assert answer.status == 413
    assert msgspec.json.decode(answer.body)["type"] == "/problems/request-too-large"


def test_a_client_that_goes_away_in_the_middle_leaves_the_service_well(port: int, key: bytes) -> None:
    with socket.create_connection(("127.0.0.1", port), timeout=5) as connection:
        connection.sendall(b"POST /v1/quotes HTTP/1.1\r\n" + CLOSE + JSON + key + b"Content-Length: 500\r\n\r\n{")
        time.sleep(0.1)
    assert ask(port, b"GET /health/ready").status == 200


@pytest.mark.parametrize("path", [b"/%00", b"/%ff", b"/v1/quotes/%00", b"//v1//", b"/../etc/passwd", b"/%2e%2e/x"])
def test_an_odd_path_is_nothing_there(port: int, path: bytes) -> None:
    assert ask(port, b"GET " + path).status == 404


def test_the_server_does_not_say_what_it_is_made_of(port: int) -> None:
    assert "server" not in ask(port, b"GET /health/live").headers
