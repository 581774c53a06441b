"""Sends the practice supplier's replies to the service, signed, some time after each other, until each has arrived."""

import asyncio
from collections.abc import Callable, Iterable
from datetime import datetime
from ipaddress import ip_address
from typing import Final, NamedTuple
from urllib.parse import urlsplit

import msgspec
import structlog
from aiohttp import ClientError, ClientSession, ClientTimeout
from msgspec import UnsetType

from cotterline.bench.replies import Reply
from cotterline.delivery.signatures import signed
from cotterline.practice_supplier.rules import REPLY_SECRET

log = structlog.get_logger("cotterline.practice_supplier")

_TRIES: Final = 6
_TIMEOUT: Final = ClientTimeout(total=15)
_ARRIVED: Final = range(200, 300)


class Letter(NamedTuple):
    """One reply on its way.

    Attributes:
        to: the address it is posted to.
        message_id: names it; the same at every try.
        reply: what it says.
        after: seconds to wait before it is sent.
    """

    to: str
    message_id: str
    reply: Reply
    after: float


def target(reply_to: str | UnsetType, service: str) -> str | None:
    """Where replies go: beneath the service's address, or, where none is known, to this machine and nowhere else.

    Everybody can sign an order with the published secret; without this anybody could have anything posted anywhere.

    >>> target("https://elsewhere.example/v1/orders/1/callbacks", "https://bench.example")
    >>> target("/v1/orders/1/callbacks", "https://bench.example")
    'https://bench.example/v1/orders/1/callbacks'
    >>> target("http://127.0.0.1:8000/v1/orders/1/callbacks", "")
    'http://127.0.0.1:8000/v1/orders/1/callbacks'
    """
    if isinstance(reply_to, UnsetType):
        return None
    address = service + reply_to if reply_to.startswith("/") else reply_to
    known = address.startswith(f"{service}/") if service else _on_this_machine(address)
    return address if known else None


def _on_this_machine(address: str) -> bool:
    try:
        parts = urlsplit(address)
        host = parts.hostname or ""
        return parts.scheme in {"http", "https"} and (host == "localhost" or ip_address(host).is_loopback)
    except ValueError:
        return False


class Postbox:
    """Sends letters one after the other for each order, several orders at once.

    Args:
        session: what posts are made with; it follows no redirects here.
        clock: gives the present instant.
        pause: seconds before the second try of a letter that did not arrive; each further one waits twice as long.
    """

    def __init__(self, session: ClientSession, clock: Callable[[], datetime], pause: float) -> None:
        self._session = session
        self._clock = clock
        self._pause = pause
        self._under_way: set[asyncio.Task[None]] = set()

    def take(self, letters: Iterable[Letter]) -> None:
        """Send letters in their order, without waiting for it."""
        task = asyncio.create_task(self._send_all([*letters]))
        self._under_way.add(task)
        task.add_done_callback(self._under_way.discard)

    async def close(self) -> None:
        """Give up what is still to be sent."""
        for task in [*self._under_way]:
            task.cancel()
        await asyncio.gather(*self._under_way, return_exceptions=True)

    async def _send_all(self, letters: list[Letter]) -> None:
        for letter in letters:
            await asyncio.sleep(letter.after)
            await self._send(letter)

    async def _send(self, letter: Letter) -> None:
        body = msgspec.json.encode(letter.reply)
        for tried in range(_TRIES):
            status = await self._post(letter, body)
            log.info("replied", message_id=letter.message_id, status=status, attempt=tried + 1)
            if status in _ARRIVED:
                return
            await asyncio.sleep(self._pause * 2**tried)

    async def _post(self, letter: Letter, body: bytes) -> int | None:
        headers = {"content-type": "application/json"}
        headers |= signed([REPLY_SECRET], letter.message_id, self._clock(), body)
        try:
            async with self._session.post(
                letter.to, data=body, headers=headers, allow_redirects=False, timeout=_TIMEOUT
            ) as answer:
                return answer.status
        except (ClientError, TimeoutError, OSError):
            return None
