"""Where a supplier under trial replies to: it listens, refuses what comes first, and takes it when it comes again."""

import asyncio
from collections.abc import AsyncIterator, Mapping
from contextlib import asynccontextmanager
from typing import NamedTuple

from aiohttp import web

from cotterline.delivery.schedule import Answer
from cotterline.delivery.signatures import ID
from cotterline.partner_kit.subject import Orders
from cotterline.partner_kit.trial import Trial

_MAX_BYTES = 64 * 1024
_BUSY = 503


class Call(NamedTuple):
    """What came: headers by names in small letters, and the body byte for byte."""

    headers: Mapping[str, str]
    body: bytes

    @property
    def message_id(self) -> str:
        """What names it, whatever it is."""
        return self.headers.get(ID, "")


class Callbacks:
    """Places one order and keeps what its supplier calls back with.

    Args:
        orders: what is ordered.
        place: address of this listener, as the supplier reaches it.
        secret: that replies are signed with.
        wait: seconds that a call may take.
    """

    def __init__(self, orders: Orders, place: str, secret: str, wait: float) -> None:
        self.secret = secret
        self.calls: list[Call] = []
        self._orders = orders
        self._place = place.rstrip("/")
        self._wait = wait
        self._came = asyncio.Condition()
        self._answer: object = None

    @asynccontextmanager
    async def listening(self, host: str, port: int) -> AsyncIterator[None]:
        """Listen while the block runs."""
        app = web.Application(client_max_size=_MAX_BYTES)
        app.router.add_post("/v1/orders/{order_id}/callbacks", self._take)
        runner = web.AppRunner(app, access_log=None, shutdown_timeout=0.1)
        await runner.setup()
        try:
            await web.TCPSite(runner, host, port).start()
            yield
        finally:
            await runner.cleanup()

    async def heard(self, trial: Trial) -> list[Call]:
        """Place the order, once, and give what came: the first call, and what came until it came again."""
        if self._answer is None:
            self._answer = await trial.send(self._orders.replied_to(self._place))
            if isinstance(self._answer, Answer):
                await self._until(1)
                if self.calls:
                    await self._until(2)
        return self.calls

    def again(self) -> list[Call]:
        """Give every call of the first message."""
        return [call for call in self.calls if call.message_id == self.calls[0].message_id]

    async def _until(self, times: int) -> None:
        """Wait until the first message has come so often, or for as long as it may take."""

        def often() -> bool:
            return bool(self.calls) and len(self.again()) >= times

        try:
            async with asyncio.timeout(self._wait), self._came:
                await self._came.wait_for(often)
        except TimeoutError:
            return

    async def _take(self, request: web.Request) -> web.Response:
        call = Call({name.lower(): value for name, value in request.headers.items()}, await request.read())
        first = not self.calls
        async with self._came:
            self.calls.append(call)
            self._came.notify_all()
        if first:
            return web.Response(status=_BUSY, headers={"Retry-After": "1"})
        return web.json_response({"message_id": call.message_id}, status=202)
