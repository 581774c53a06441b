"""The practice supplier on a socket: an HTTP server that can also hang up, which an ASGI application cannot."""

import asyncio
import base64
from collections.abc import AsyncIterator, Callable, Mapping
from datetime import datetime
from typing import Final

import msgspec
import structlog
from aiohttp import ClientSession, web

from cotterline.bench.errors import CotterlineError
from cotterline.delivery.signatures import verified
from cotterline.practice_supplier.counter import Counter
from cotterline.practice_supplier.postbox import Postbox
from cotterline.practice_supplier.rules import CREDENTIAL, ORDERS, REPLY_SECRET, RULES, SIGNING_SECRET

log = structlog.get_logger("cotterline.practice_supplier")

_MAX_BYTES: Final = 1024 * 1024
_JSON: Final = "application/json"
_FIRST_PAUSE: Final = 0.5
_POSTBOX: Final = web.AppKey("postbox", Postbox)


class PracticeSupplier:
    """The handlers.

    Args:
        service: address of the service that replies go to; without one they go to this machine alone.
        pace: seconds between one reply and the next.
        clock: gives the present instant.
    """

    def __init__(self, service: str, pace: float, clock: Callable[[], datetime]) -> None:
        self._counter = Counter(service, pace)
        self._clock = clock

    def application(self) -> web.Application:
        """Return the application to serve."""
        app = web.Application(client_max_size=_MAX_BYTES)
        app.router.add_get("/", self.about)
        app.router.add_post(ORDERS, self.take)
        app.cleanup_ctx.append(self._postbox)
        return app

    async def about(self, request: web.Request) -> web.Response:
        """Tell what it does, and its secrets, which everybody may know."""
        del request
        told = {
            "orders": ORDERS,
            "signing_secret": SIGNING_SECRET,
            "reply_secret": REPLY_SECRET,
            "credential": CREDENTIAL,
            "rules": RULES,
        }
        return web.Response(body=msgspec.json.encode(told), content_type=_JSON)

    async def take(self, request: web.Request) -> web.StreamResponse:
        """Take one order or change of an order."""
        body = await request.read()
        headers = {name.lower(): value for name, value in request.headers.items()}
        now = self._clock()
        try:
            message_id = verified([SIGNING_SECRET], headers, body, now)
        except CotterlineError as error:
            log.info("refused", why=error.detail)
            return web.json_response({"practice_supplier": error.detail}, status=401)
        if not _credential_holds(headers):
            return web.json_response({"practice_supplier": "The credential is not the published one."}, status=401)
        answer = self._counter.serve(message_id, body, now)
        log.info("taken", message_id=message_id, status=answer.status, replies=len(answer.letters))
        await asyncio.sleep(answer.after)
        request.app[_POSTBOX].take(answer.letters)
        if not answer.status and request.transport:
            request.transport.abort()
        return web.Response(body=answer.body, status=answer.status or 500, content_type=_JSON)

    async def _postbox(self, app: web.Application) -> AsyncIterator[None]:
        async with ClientSession(trust_env=False) as session:
            app[_POSTBOX] = postbox = Postbox(session, self._clock, _FIRST_PAUSE)
            yield
            await postbox.close()


def _credential_holds(headers: Mapping[str, str]) -> bool:
    """Whether what is shown besides the signature, if anything, is the published credential."""
    shown = headers.get("authorization", "")
    kind, _, rest = shown.partition(" ")
    if kind.lower() == "basic":
        try:
            return base64.b64decode(rest, validate=True).decode().partition(":")[2] == CREDENTIAL
        except ValueError:
            return False
    return not shown or (kind.lower() == "bearer" and rest == CREDENTIAL)
