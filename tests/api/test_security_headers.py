"""What a browser is told of every answer, whatever it is.

After the OWASP Secure Headers Project, list of headers of 2024-07-19, and the OWASP Cheat Sheet Series, "REST
Security", section "Security Headers", as of 2026.
"""

import re
import socket
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import Final

import httpx
import pytest
from litestar.testing import TestClient

from cotterline.api.edge import Edge
from cotterline.main import create_app
from tests.api.calls import operations
from tests.api.conftest import Furnished, settings
from tests.serving import Served, serving
from tests.shops import Shop
from tests.sqlite import Files

Client = TestClient[Edge]
ALWAYS: Final = {
    "x-content-type-options": "nosniff",
    "x-frame-options": "DENY",
    "referrer-policy": "no-referrer",
    "cross-origin-resource-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin",
}
PUBLIC: Final = frozenset(
    {
        "/deprecations",
        "/docs",
        "/docs/docs.js",
        "/docs/swagger-ui.css",
        "/openapi.json",
        "/problems",
        "/problems/not-found",
    }
)
"""The same for everybody, so that anybody may keep it."""

OPEN: Final = [
    *(("GET", path) for path in sorted(PUBLIC)),
    *(
        ("GET", path)
        for path in ("/health/live", "/health/ready", "/metrics", "/v1/reference/threads", "/nowhere", "/")
    ),
    *(("OPTIONS", path) for path in ("/v1/quotes", "/nowhere", "/docs")),
    *(("HEAD", path) for path in ("/docs", "/health/live", "/nowhere")),
    *(("DELETE", path) for path in ("/v1/quotes", "/docs")),
    ("GET", "/estimate/cotl_link_" + "a" * 60),
    ("POST", "/estimate/cotl_link_" + "a" * 60),
    ("GET", "/docs/%2e%2e/problems.py"),
    ("GET", "/problems/nothing"),
    ("GET", "/v1/quotes"),
    ("POST", "/v1/quotes"),
    ("GET", "/health/live?unknown=1"),
    ("GET", "/nowhere/" + "a" * 9000),
    ("BREW", "/v1/quotes"),
]
"""Calls without a key: what is open to everyone, and refusals of every kind."""


def check(answer: httpx.Response, *, public: bool = False) -> None:
    """Hold one answer against the advice."""
    told = answer.headers
    assert {name: told.get_list(name) for name in ALWAYS} == {name: [value] for name, value in ALWAYS.items()}
    (policy,) = told.get_list("content-security-policy")
    rules = dict(rule.strip().partition(" ")[::2] for rule in policy.split(";"))
    assert rules["default-src"] == "'none'"
    assert rules["frame-ancestors"] == rules["base-uri"] == "'none'"
    assert "form-action" in rules
    assert "'unsafe" not in rules.get("script-src", "")
    (kept,) = told.get_list("cache-control")
    assert public or "no-store" in kept or "private" in kept, "no cache that others share may keep it"
    assert [name for name in told if name.startswith("access-control-")] == [], "no other site's page may read it"
    assert not {"set-cookie", "server", "x-powered-by"} & told.keys()
    if answer.content:
        assert "content-type" in told


def test_every_operation_with_a_key(furnished: Furnished, shop_a: Shop) -> None:
    seen, ids = set(), {**furnished.ids, "code": "not-found"}
    for operation in operations():
        with_key = shop_a.headers if operation.scope else {}
        answer = operation.call(furnished.client, ids, with_key | {"Origin": "https://elsewhere.example"})
        check(answer, public=operation.path in PUBLIC | {"/problems/{code}"})
        seen.add(answer.status_code // 100)
        if tag := answer.headers.get("etag"):
            again = operation.call(furnished.client, ids, with_key | {"If-None-Match": tag})
            check(again, public=not operation.scope)
    assert {2, 4} <= seen


@pytest.mark.parametrize(("method", "path"), OPEN, ids=lambda part: part[:40])
def test_every_answer_to_whoever_has_no_key(anyone: Client, method: str, path: str) -> None:
    origin = {"Origin": "https://elsewhere.example", "Access-Control-Request-Method": "POST"}
    check(anyone.request(method, path, headers=origin), public=path in PUBLIC)


def test_another_sites_page_is_not_let_in_by_its_browser(anyone: Client) -> None:
    """A preflight without Access-Control-Allow-Origin fails (Fetch Standard, "CORS-preflight fetch")."""
    asked = {
        "Origin": "https://elsewhere.example",
        "Access-Control-Request-Method": "POST",
        "Access-Control-Request-Headers": "authorization, idempotency-key",
    }
    answer = anyone.options("/v1/quotes", headers=asked)
    assert answer.status_code == 204
    check(answer)


@pytest.fixture
def reached(sqlite_files: Files) -> Iterator[Callable[[str], Mapping[str, str]]]:
    """Tell the headers of an answer of the service that is reached at an address."""
    url = sqlite_files.create()

    def headers(base_url: str) -> Mapping[str, str]:
        with TestClient(create_app(settings(url, public_base_url=base_url))) as client:
            return client.get("/nowhere").headers

    yield headers
    sqlite_files.drop(url)


def test_a_browser_is_told_to_come_by_https_alone_where_it_can(
    reached: Callable[[str], Mapping[str, str]],
) -> None:
    """RFC 6797, section 6.1: seconds, and nothing of hosts below this one, which may be somebody else's."""
    assert reached("https://bench.example/cotterline")["strict-transport-security"] == "max-age=31536000"
    assert "strict-transport-security" not in reached("http://bench.example")
    assert "strict-transport-security" not in reached("")


@pytest.fixture
def served(tmp_path: Path) -> Iterator[Served]:
    """Serve on a socket."""
    with serving(tmp_path, worker="off") as served:
        yield served


@pytest.mark.parametrize("sent", [b"\r\n\r\nNO HTTP\r\n\r\n", b"GET / HTTP/9.9\r\n\r\n", b"GET /\0 HTTP/1.1\r\n\r\n"])
def test_what_is_no_http_is_refused_like_everything_else(served: Served, sent: bytes) -> None:
    address = ("127.0.0.1", int(served.address.rpartition(":")[2]))
    with socket.create_connection(address, timeout=20) as wire:
        wire.sendall(sent)
        received = b""
        while piece := wire.recv(65536):
            received += piece
    head, _, body = received.partition(b"\r\n\r\n")
    status, *fields = head.decode().split("\r\n")
    assert status == "HTTP/1.1 400 Bad Request"
    parted = [(name, value) for name, _, value in (field.partition(": ") for field in fields)]
    answer = httpx.Response(400, headers=parted, content=body)
    check(answer)
    assert answer.headers["content-type"] == "application/problem+json"
    assert re.fullmatch(r"urn:uuid:[0-9a-f-]{36}", answer.json()["instance"])
    assert answer.json()["type"] == "/problems/malformed-request"


def test_a_stream_and_its_refusal(served: Served) -> None:
    headers = {"Authorization": f"Bearer {served.key}", "Content-Type": "application/x-ndjson"}
    for content in (b"{}\n", b""):
        check(httpx.post(f"{served.address}/v1/quotes/stream", headers=headers, content=content))
    check(httpx.post(f"{served.address}/v1/quotes/stream", headers=headers | {"Content-Type": "text/html"}))
