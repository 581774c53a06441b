"""One post over the network: to an address that was checked, within its time, and never on to somewhere else."""

import contextlib
import socket
import ssl
from collections.abc import AsyncIterator, Callable, Mapping, Sequence
from types import TracebackType
from typing import Final, Self

import aiohttp
import msgspec
from aiohttp.abc import AbstractResolver
from aiohttp.connector import AddrInfoType

from cotterline.delivery.addresses import REFUSAL, Network, guarded, origin
from cotterline.delivery.schedule import Answer, Trouble

READ: Final = 64 * 1024
"""How much of an answer is read."""

_TROUBLE: Final = (
    (
        (aiohttp.InvalidURL, aiohttp.NonHttpUrlClientError),
        Trouble(kind="address", words="it is no proper address"),
    ),
    (
        (aiohttp.ClientSSLError,),
        Trouble(kind="certificate", words="no secure connection: its certificate or protocol is not trusted"),
    ),
    ((aiohttp.ClientConnectorDNSError,), Trouble(kind="connection", words="its name has no address")),
    ((aiohttp.ClientConnectorError,), Trouble(kind="connection", words="no connection")),
)
"""What goes wrong on the way, the more particular first."""


class Post(msgspec.Struct, frozen=True, kw_only=True):
    """Something to send.

    Attributes:
        endpoint: where.
        headers: all that goes before the body.
        body: byte for byte, or piece by piece.
        timeout_seconds: how long it may take, from the look-up of the name to the end of the answer.
        in_test_mode: whether it is a test's, which alone may go to the practice supplier.
    """

    endpoint: str
    headers: Mapping[str, str]
    body: bytes | AsyncIterator[bytes]
    timeout_seconds: float
    in_test_mode: bool


class Poster:
    """Sends posts. Open it with ``async with``, in the loop it is used in."""

    def __init__(
        self,
        open_networks: Sequence[Network] = (),
        practice_supplier: str = "",
        resolver: AbstractResolver | None = None,
        trusted: ssl.SSLContext | None = None,
    ) -> None:
        """Set the limits.

        Args:
            open_networks: those the operator opened besides the public ones.
            practice_supplier: an address on one machine, whose origin alone may be posted to in test mode whatever
                network it is on.
            resolver: finds the addresses of a name; the system's unless given.
            trusted: whose certificates are believed; those the system believes unless given.
        """
        self._open = open_networks
        self._practice = origin(practice_supplier) if practice_supplier else None
        self._resolver = resolver
        self._trusted = trusted
        self._public: aiohttp.ClientSession
        self._practising: aiohttp.ClientSession

    async def __aenter__(self) -> Self:
        self._public = self._session(self._connector(guarded(self._open)))
        self._practising = self._session(self._connector())
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        await self._public.close()
        await self._practising.close()

    async def post(self, post: Post) -> Answer | Trouble:
        """Send it and return what came of it; whatever goes wrong on the way is told in words of our own."""
        session = self._practising if self._is_practice(post) else self._public
        limit = aiohttp.ClientTimeout(total=post.timeout_seconds)
        try:
            async with session.post(
                post.endpoint, data=post.body, headers=post.headers, allow_redirects=False, timeout=limit
            ) as response:
                return await _answer(response)
        except (TimeoutError, aiohttp.ClientError, OSError, ValueError) as error:
            return _trouble(error, post.timeout_seconds)

    def _is_practice(self, post: Post) -> bool:
        return post.in_test_mode and self._practice is not None and origin(post.endpoint) == self._practice

    def _session(self, connector: aiohttp.TCPConnector) -> aiohttp.ClientSession:
        """Return a session that keeps nothing from one post to the next: no cookie, no proxy, no user of a file."""
        return aiohttp.ClientSession(
            connector=connector, cookie_jar=aiohttp.DummyCookieJar(), trust_env=False, auto_decompress=False
        )

    def _connector(self, make_socket: Callable[[AddrInfoType], socket.socket] | None = None) -> aiohttp.TCPConnector:
        """Return what connects for one post only: one kept open would fail the next where the other end closed it."""
        return aiohttp.TCPConnector(
            limit=0,
            force_close=True,
            use_dns_cache=False,
            resolver=self._resolver or aiohttp.ThreadedResolver(),
            ssl=self._trusted or True,
            socket_factory=make_socket,
        )


async def _answer(response: aiohttp.ClientResponse) -> Answer:
    """Read the beginning of the answer. What it says stands by its status, even if it breaks off after that."""
    body = bytearray()
    whole = False
    with contextlib.suppress(aiohttp.ClientError, OSError):  # a time-out among them
        while len(body) <= READ and not whole:
            piece = await response.content.read(READ + 1 - len(body))
            body += piece
            whole = not piece
    retry_after = response.headers.get("Retry-After")
    return Answer(status=response.status, retry_after=retry_after, body=bytes(body[:READ]), whole=whole)


def _trouble(error: Exception, seconds: float) -> Trouble:
    """Say what went wrong in words of our own: a library's may repeat an address with a secret in it."""
    if isinstance(error, aiohttp.ClientConnectorError) and REFUSAL in str(error.os_error):
        return Trouble(kind="address", words=f"its name leads to {REFUSAL}")
    for kinds, trouble in _TROUBLE:
        if isinstance(error, kinds):
            return trouble
    if isinstance(error, TimeoutError):
        return Trouble(kind="timeout", words=f"no answer within {seconds:g} s")
    return Trouble(kind="connection", words="broke off, or was not HTTP")
