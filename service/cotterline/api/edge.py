"""The outermost layer: what every answer must carry, the 404 and the 405 included.

Litestar's own middleware does not run where no route matches, so this wraps the application from outside. It names
the request, limits how long a body may take, answers HEAD, corrects Allow, sets the security headers and writes one
log line that holds neither body nor query.
"""

import asyncio
import re
import time
from collections.abc import Iterable, Mapping
from typing import Any

import msgspec
import structlog
import uuid_utils
from litestar import Litestar
from litestar.enums import ScopeType
from litestar.routes import HTTPRoute
from litestar.types import HTTPScope, Message, Receive, Scope, Send

from cotterline.api.problems import MEDIA_TYPE, Call, RequestRefusedError, document, log_failure, refusal_of

MAX_TARGET_BYTES = 8192
"""Path and query together. A server should take 8000 octets of request line (RFC 9110, section 4.1)."""

MAX_HEADER_BYTES = 32768

BODY_SECONDS = 30.0
"""How long the whole body may take to arrive."""

_TRACEPARENT = re.compile(rb"00-(?!0{32})[0-9a-f]{32}-(?!0{16})[0-9a-f]{16}-[0-9a-f]{2}")
"""Version 00 of W3C Trace Context (Recommendation, 2021), section 3.2."""

_ALWAYS: Mapping[bytes, bytes] = {
    b"x-content-type-options": b"nosniff",
    b"referrer-policy": b"no-referrer",
    b"content-security-policy": b"default-src 'none'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'",
    b"cache-control": b"no-store",
}
"""Set on every answer that does not set its own."""

log = structlog.get_logger("cotterline.requests")


class Edge:
    """Wraps the application; call it as an ASGI application."""

    def __init__(self, app: Litestar, base_url: str = "", body_seconds: float = BODY_SECONDS) -> None:
        self.app = app
        self._base_url = base_url
        self._body_seconds = body_seconds
        routes = [route for route in app.routes if isinstance(route, HTTPRoute)]
        self._methods = {route.path_format: _allowed(route.methods) for route in routes}

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Serve one connection."""
        if scope["type"] != ScopeType.HTTP:
            await self.app(scope, receive, send)
            return
        exchange = _Exchange(scope, send, Call(str(uuid_utils.uuid7()), self._base_url), self._methods)
        try:
            _check_head(scope)
            await self.app(exchange.scope, _within(self._body_seconds, receive), exchange.send)
        except Exception as error:  # noqa: BLE001 - the last place that can answer
            await exchange.fail(error)
        finally:
            exchange.write_log_line()


class _Exchange:
    """One request and its answer."""

    def __init__(self, scope: HTTPScope, send: Send, call: Call, methods: Mapping[str, bytes]) -> None:
        self.call = call
        self.method = scope["method"]
        self.scope: HTTPScope = scope | {
            "state": {**scope.get("state", {}), "call": call},
            "method": "GET" if self.method == "HEAD" else self.method,
        }
        self.status = 0
        self._trace = _traceparent(scope["headers"])
        self._send = send
        self._methods = methods
        self._begun = time.perf_counter()
        self._bytes = 0

    async def send(self, message: Message) -> None:
        """Pass the application's message on, completed."""
        if message["type"] == "http.response.start":
            self.status = message["status"]
            message["headers"] = self._headers(dict(message["headers"]))
        elif message["type"] == "http.response.body":
            self._bytes += len(message["body"])
            if self.method == "HEAD":
                message["body"] = b""
        await self._send(message)

    def _headers(self, headers: dict[bytes, bytes]) -> list[tuple[bytes, bytes]]:
        headers = {name.lower(): value for name, value in headers.items()}
        if self.status == 405:  # noqa: PLR2004 - the status is its own name
            headers[b"allow"] = _allowed(headers[b"allow"].decode().split(", "))
        elif self.method == "OPTIONS" and b"allow" in headers:
            headers[b"allow"] = self._methods[self.scope["path_template"]]
        if self._trace:
            headers[b"traceparent"] = self._trace
        return [*({**_ALWAYS} | headers | {b"x-request-id": self.call.request_id.encode()}).items()]

    async def fail(self, error: Exception) -> None:
        """Answer an exception that left the application, where nothing has been answered yet."""
        refusal = refusal_of(error)
        log_failure(error, refusal, self.call)
        if self.status:
            raise error
        problem = document(refusal, self.call)
        body = msgspec.json.encode(problem)
        fields = {"content-type": MEDIA_TYPE, "content-length": str(len(body)), **refusal.headers}
        headers = [(name.encode(), value.encode()) for name, value in fields.items()]
        await self.send({"type": "http.response.start", "status": problem.status, "headers": headers})
        await self.send({"type": "http.response.body", "body": body, "more_body": False})

    def write_log_line(self) -> None:
        """Write the one line for this request: the route's template, never the path, which may hold an identifier."""
        log.info(
            "request",
            request_id=self.call.request_id,
            trace_id=self._trace[3:35].decode() if self._trace else None,
            method=self.method,
            route=self.scope.get("path_template"),
            status=self.status,
            bytes=self._bytes,
            milliseconds=round((time.perf_counter() - self._begun) * 1000, 3),
        )


def _allowed(methods: Iterable[str]) -> bytes:
    """The value of Allow: OPTIONS everywhere, HEAD where there is GET."""
    return ", ".join(sorted({*methods, "OPTIONS"} | ({"HEAD"} if "GET" in methods else set()))).encode()


def _traceparent(headers: Iterable[tuple[bytes, bytes]]) -> bytes | None:
    given = [value for name, value in headers if name == b"traceparent"]
    return given[0] if len(given) == 1 and _TRACEPARENT.fullmatch(given[0]) else None


def _check_head(scope: HTTPScope) -> None:
    """Refuse what the server's parser lets through: an address or header without measure, a host missing or double."""
    if len(scope["raw_path"]) + len(scope["query_string"]) > MAX_TARGET_BYTES:
        raise RequestRefusedError("target-too-long", f"The address exceeds {MAX_TARGET_BYTES} bytes.")
    if sum(len(name) + len(value) for name, value in scope["headers"]) > MAX_HEADER_BYTES:
        raise RequestRefusedError("header-too-large", f"The header exceeds {MAX_HEADER_BYTES} bytes.")
    hosts = sum(name == b"host" for name, _ in scope["headers"])
    if hosts > 1 or (hosts == 0 and scope["http_version"] == "1.1"):
        raise RequestRefusedError("malformed-request", "There must be one Host (RFC 9112, section 3.2).")


def _within(seconds: float, receive: Receive) -> Receive:
    """Give ``receive`` a deadline until the body is complete; waiting for a disconnect afterwards has none."""
    deadline: float | None = asyncio.get_running_loop().time() + seconds

    async def timed() -> Any:  # noqa: ANN401 - any ASGI message
        nonlocal deadline
        try:
            async with asyncio.timeout_at(deadline):
                message = await receive()
        except TimeoutError as error:
            words = f"The body did not arrive within {seconds:g} s."
            raise RequestRefusedError("request-timeout", words, headers={"Connection": "close"}) from error
        if message["type"] == "http.disconnect" and deadline:
            raise RequestRefusedError("malformed-request", "The body ended early.")
        if not message.get("more_body", False):
            deadline = None
        return message

    return timed
