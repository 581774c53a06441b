"""A client that sends too slowly or too much is let go, on a real socket, and the next one is served."""

import socket
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from cotterline.api import connection, examples
from tests.serving import Served, serving

BODY = examples.read("clear_shell")
SECONDS = 0.5
LONGEST = 6.0


@pytest.fixture
def served(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Served]:
    """Serve with little patience for heads and bodies."""
    monkeypatch.setattr(connection, "HEAD_SECONDS", SECONDS)
    with serving(tmp_path, body_seconds=SECONDS, body_limit_bytes=2048) as served:
        yield served


def trickle(served: Served, start: bytes, drop: bytes) -> tuple[bytes, float]:
    """Send a start and then drop after drop until the server closes; gives what came back, and how long it took."""
    begun = time.monotonic()
    received = b""
    with socket.create_connection(("127.0.0.1", int(served.address.rpartition(":")[2]))) as client:
        client.settimeout(SECONDS / 10)
        client.sendall(start)
        while time.monotonic() - begun < LONGEST:
            try:
                piece = client.recv(65536)
                received += piece
                if not piece:
                    return received, time.monotonic() - begun
                continue
            except TimeoutError:
                pass
            except ConnectionError:
                return received, time.monotonic() - begun
            try:
                client.sendall(drop)
            except OSError:
                continue
    raise AssertionError("the server never let go")


def head(served: Served, *fields: str) -> bytes:
    lines = ["POST /v1/thread-verdicts HTTP/1.1", "Host: bench.example", f"Authorization: Bearer {served.key}", *fields]
    return "\r\n".join([*lines, "", ""]).encode()


@pytest.mark.parametrize("fields", [("Content-Length: 400",), ("Transfer-Encoding: chunked",)])
def test_a_body_that_comes_drop_by_drop_is_refused_in_time(served: Served, fields: tuple[str, ...]) -> None:
    drop = b" " if "Content" in fields[0] else b"1\r\n \r\n"
    received, lasted = trickle(served, head(served, "Content-Type: application/json", *fields), drop)
    assert received.startswith(b"HTTP/1.1 408 ")
    assert b"/problems/request-timeout" in received
    assert SECONDS * 0.9 <= lasted < LONGEST


@pytest.mark.parametrize("start", [b"", b"GET /health/live HTTP/1.1\r\nHost: a\r\nX-Slow: "])
def test_a_head_that_never_ends_is_let_go(served: Served, start: bytes) -> None:
    received, lasted = trickle(served, start, b"a" if start else b"")
    assert received == b""
    assert SECONDS * 0.9 <= lasted < LONGEST


@pytest.mark.parametrize("start", [b"GET /", b"GET / HTTP/1.1\r\nHost: a\r\nX-Long: ", b"GET / HTTP/1.1\r\n"])
def test_a_head_without_measure_is_let_go_before_it_fills_the_memory(
    served: Served, monkeypatch: pytest.MonkeyPatch, start: bytes
) -> None:
    monkeypatch.setattr(connection, "HEAD_SECONDS", 60.0)  # it is not the time that ends it
    drop = b"X-Many: 1\r\n" * 12_000 if start.endswith(b"\n") else b"a" * 130_000
    received, _ = trickle(served, start, drop)
    assert received == b""


def test_a_second_head_that_never_ends_is_let_go_after_the_first_was_answered(served: Served) -> None:
    first = b"GET /health/live HTTP/1.1\r\nHost: a\r\n\r\n"
    received, lasted = trickle(served, first + b"GET /health/live HTTP/1.1\r\nX-Slow: ", b"a")
    assert received.count(b"HTTP/1.1 200 OK") == 1
    assert SECONDS * 0.9 <= lasted < LONGEST


def test_a_client_in_no_hurry_between_requests_is_not_cut_short_in_one(served: Served) -> None:
    whole = head(served, "Content-Type: application/json", f"Content-Length: {len(BODY)}", "Connection: close") + BODY
    with socket.create_connection(("127.0.0.1", int(served.address.rpartition(":")[2]))) as client:
        client.sendall(b"GET /health/live HTTP/1.1\r\nHost: a\r\n\r\n")
        time.sleep(SECONDS * 0.6)
        for start in range(0, len(whole), 25):
            client.sendall(whole[start : start + 25])
            time.sleep(SECONDS / 50)
        received = b""
        while piece := client.recv(65536):
            received += piece
    assert received.count(b"HTTP/1.1 200 OK") == 2


def test_a_body_over_the_limit_is_refused_before_it_is_read(served: Served) -> None:
    received, _ = trickle(served, head(served, "Content-Type: application/json", "Content-Length: 2049"), b" ")
    assert received.startswith(b"HTTP/1.1 413 ")
