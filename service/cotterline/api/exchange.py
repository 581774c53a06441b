"""One request and its answer, as the edge sees them: what was asked, by whom, and what came of it."""

import re
import time
from collections.abc import Iterable, Mapping

import msgspec
import structlog
from litestar.types import HTTPScope, Message, Send

from cotterline.api.problems import MEDIA_TYPE, Call, document, log_failure, refusal_of

_TRACEPARENT = re.compile(rb"00-(?!0{32})[0-9a-f]{32}-(?!0{16})[0-9a-f]{16}-[0-9a-f]{2}")
"""Version 00 of W3C Trace Context (Recommendation, 2021), section 3.2."""

ALWAYS: Mapping[bytes, bytes] = {
    b"x-content-type-options": b"nosniff",
    b"x-frame-options": b"DENY",
    b"referrer-policy": b"no-referrer",
    b"cross-origin-resource-policy": b"same-origin",
    b"cross-origin-opener-policy": b"same-origin",
    b"content-security-policy": b"default-src 'none'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'",
    b"cache-control": b"no-store",
}
"""Set on every answer that does not set its own, as OWASP advises (Secure Headers Project, list of 2024-07-19; Cheat
Sheet Series, "REST Security"). What nobody may do from another site is said by what is missing: no answer has a header
of CORS or a cookie."""

_SECURE: Mapping[bytes, bytes] = {b"strict-transport-security": b"max-age=31536000"}
"""Besides, where the service is reached by https: for a year by nothing else (RFC 6797, section 6.1). Other hosts below
this one are not ours to speak for."""

_METHODS = {"GET", "HEAD", "POST", "PUT", "PATCH", "DELETE", "OPTIONS", "TRACE", "CONNECT"}
"""Those of RFC 9110, section 9, and RFC 5789."""

log = structlog.get_logger("cotterline.requests")


class Exchange:
    """One request and its answer."""

    def __init__(
        self, scope: HTTPScope, send: Send, call: Call, methods: Mapping[str, bytes], *, last: bool = False
    ) -> None:
        """Begin.

        Args:
            scope: of the request.
            send: where the answer goes.
            call: what the layers inside know of it.
            methods: of each route, as Allow has them.
            last: whether its connection is closed after it.
        """
        self.call = call
        self._last = last
        self.method = scope["method"]
        self.scope: HTTPScope = scope | {
            "state": {**scope.get("state", {}), "call": call},
            "method": "GET" if self.method == "HEAD" else self.method,
        }
        self.status = 0
        self.traceparent = _traceparent(scope["headers"])
        self.trace_id = self.traceparent[3:35] if self.traceparent else None
        self._send = send
        self._methods = methods
        self._begun = time.perf_counter()
        self._bytes = 0

    @property
    def known_method(self) -> str:
        """The method, or ``_OTHER`` for one a client made up."""
        return self.method if self.method in _METHODS else "_OTHER"

    @property
    def route(self) -> str | None:
        """The route's template, never the path, which may hold an identifier; None where no route matched."""
        return self.scope.get("path_template")

    @property
    def seconds(self) -> float:
        """Time since the head of the request was read."""
        return time.perf_counter() - self._begun

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
            headers[b"allow"] = allowed(headers[b"allow"].decode().split(", "))
        elif self.method == "OPTIONS" and b"allow" in headers:
            headers[b"allow"] = self._methods[self.scope["path_template"]]
        if self.traceparent:
            headers[b"traceparent"] = self.traceparent.encode()
        told = {name.lower().encode(): value.encode() for name, value in self.call.headers.items()}
        if self._last:
            told[b"connection"] = b"close"
        if b"link" in headers and b"link" in told:  # two of them are one list (RFC 8288, section 3)
            told[b"link"] = headers[b"link"] + b", " + told[b"link"]
        secure = _SECURE if self.call.base_url.startswith("https://") else {}
        return [*({**ALWAYS, **secure} | headers | told | {b"x-request-id": self.call.request_id.encode()}).items()]

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
        """Write the one line for this request, with nothing in it that the client chose."""
        log.info(
            "request",
            request_id=self.call.request_id,
            trace_id=self.trace_id,
            method=self.known_method,
            route=self.route,
            status=self.status,
            bytes=self._bytes,
            milliseconds=round(self.seconds * 1000, 3),
            **self.call.logged,
        )


def allowed(methods: Iterable[str]) -> bytes:
    """The value of Allow: OPTIONS everywhere, HEAD where there is GET."""
    return ", ".join(sorted({*methods, "OPTIONS"} | ({"HEAD"} if "GET" in methods else set()))).encode()


def _traceparent(headers: Iterable[tuple[bytes, bytes]]) -> str | None:
    given = [value for name, value in headers if name == b"traceparent"]
    return given[0].decode() if len(given) == 1 and _TRACEPARENT.fullmatch(given[0]) else None
