"""The outermost layer: what every answer must carry, the 404 and the 405 included.

Litestar's own middleware does not run where no route matches, so this wraps the application from outside. It names
the request, limits how long a body may take, answers HEAD, corrects Allow, sets the security headers and writes one
log line that holds neither body nor query.
"""

import asyncio
from collections.abc import Callable, Sequence
from contextlib import AbstractContextManager, ExitStack
from typing import Any, Protocol

import uuid_utils
from litestar import Litestar
from litestar.enums import ScopeType
from litestar.routes import HTTPRoute
from litestar.types import HTTPScope, Receive, Scope, Send

from cotterline.api.exchange import Exchange, allowed
from cotterline.api.problems import Call, RequestRefusedError

MAX_TARGET_BYTES = 8192
"""Path and query together. A server should take 8000 octets of request line (RFC 9110, section 4.1)."""

MAX_HEADER_BYTES = 32768

BODY_SECONDS = 30.0
"""How long the whole body may take to arrive, or each part of one that is streamed."""


class Watcher(Protocol):
    """Looks on at every request, whatever becomes of it."""

    def watch(self, exchange: Exchange) -> AbstractContextManager[None]:
        """Give what is entered before the request is served and left once it was answered."""


class Edge:
    """Wraps the application; call it as an ASGI application."""

    def __init__(
        self, app: Litestar, base_url: str = "", body_seconds: float = BODY_SECONDS, watchers: Sequence[Watcher] = ()
    ) -> None:
        self.app = app
        self._base_url = base_url
        self.body_seconds = body_seconds
        self.leaving = False
        """Whether the server is about to stop: each answer then closes its connection."""
        self._watchers = watchers
        routes = [route for route in app.routes if isinstance(route, HTTPRoute)]
        self._streamed = {
            route.path_format for route in routes if any(each.opt.get("streamed") for each in route.route_handlers)
        }
        self._methods = {route.path_format: allowed(route.methods) for route in routes}

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Serve one connection."""
        if scope["type"] != ScopeType.HTTP:
            await self.app(scope, receive, send)
            return
        call = Call(str(uuid_utils.uuid7()), self._base_url, is_head=scope["method"] == "HEAD")
        exchange = Exchange(scope, send, call, self._methods, last=self.leaving)
        with ExitStack() as watching:
            watching.callback(exchange.write_log_line)
            for watcher in self._watchers:
                watching.enter_context(watcher.watch(exchange))
            await self._serve(exchange, receive)

    async def _serve(self, exchange: Exchange, receive: Receive) -> None:
        try:
            _check_head(exchange.scope)
            timed = _within(self.body_seconds, receive, lambda: exchange.route in self._streamed)
            await self.app(exchange.scope, timed, exchange.send)
        except Exception as error:  # noqa: BLE001 - the last place that can answer
            await exchange.fail(error)


def _check_head(scope: HTTPScope) -> None:
    """Refuse what the server's parser lets through: an address or header without measure, a host missing or double."""
    if len(scope["raw_path"]) + len(scope["query_string"]) > MAX_TARGET_BYTES:
        raise RequestRefusedError("target-too-long", f"The address exceeds {MAX_TARGET_BYTES} bytes.")
    if sum(len(name) + len(value) for name, value in scope["headers"]) > MAX_HEADER_BYTES:
        raise RequestRefusedError("header-too-large", f"The header exceeds {MAX_HEADER_BYTES} bytes.")
    hosts = sum(name == b"host" for name, _ in scope["headers"])
    if hosts > 1 or (hosts == 0 and scope["http_version"] == "1.1"):
        raise RequestRefusedError("malformed-request", "There must be one Host (RFC 9112, section 3.2).")


def _within(seconds: float, receive: Receive, each: Callable[[], bool]) -> Receive:
    """Give ``receive`` a deadline until the body is complete; waiting for a disconnect afterwards has none.

    The whole body has as long, or each part of one that is streamed, which is known once it is routed.
    """
    clock = asyncio.get_running_loop().time
    deadline: float | None = clock() + seconds

    async def timed() -> Any:  # noqa: ANN401 - any ASGI message
        nonlocal deadline
        if deadline and each():
            deadline = clock() + seconds
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
