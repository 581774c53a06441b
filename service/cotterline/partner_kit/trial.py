"""A program under trial: what is sent to it and how, and what it answers."""

import asyncio
from collections.abc import AsyncIterator, Callable, Mapping, Sequence
from datetime import datetime, timedelta
from typing import Final

from cotterline.delivery import credentials
from cotterline.delivery.post import Post, Poster
from cotterline.delivery.schedule import Answer, Trouble
from cotterline.delivery.signatures import signed
from cotterline.partner_kit.subject import Message

Came = Answer | Trouble
NOW: Final = timedelta(0)
PIECE: Final = 64
"""Bytes that a slow sender sends at once."""

PIECES: Final = 24


class Trial:
    """Sends messages to one endpoint as the service would, or not quite.

    Args:
        poster: sends.
        endpoint: of the program.
        secret: that it shares with the service.
        clock: gives the present instant.
        patience: seconds that an answer may take.
        pause: seconds between two pieces of a slow body.
    """

    def __init__(  # noqa: PLR0913 - what a trial consists of
        self,
        poster: Poster,
        endpoint: str,
        secret: str,
        clock: Callable[[], datetime],
        *,
        patience: float,
        pause: float,
    ) -> None:
        self.secret = secret
        self._poster = poster
        self._endpoint = endpoint
        self._clock = clock
        self._patience = patience
        self._pause = pause

    async def send(
        self, message: Message, *, secrets: Sequence[str] | None = None, ago: timedelta = NOW, body: bytes | None = None
    ) -> Came:
        """Send a message.

        Args:
            message: what is sent and signed.
            secrets: what it is signed with; the one that is shared where left out, none where empty.
            ago: before now it says it is sent; behind now where negative.
            body: what goes out instead of what was signed.
        """
        headers = self.headers(message, secrets=secrets, ago=ago)
        return await self.post(message, headers, message.body if body is None else body)

    def headers(
        self, message: Message, *, secrets: Sequence[str] | None = None, ago: timedelta = NOW
    ) -> dict[str, str]:
        """The headers that a message is signed by."""
        given = [self.secret] if secrets is None else secrets
        return signed(given, message.id, self._clock() - ago, message.body)

    async def post(self, message: Message, headers: Mapping[str, str], body: bytes | AsyncIterator[bytes]) -> Came:
        """Send a body under headers as they are given."""
        return await self._poster.post(
            Post(
                endpoint=self._endpoint,
                headers=credentials.headers(message.content_type, {}, headers),
                body=body,
                timeout_seconds=self._patience,
                in_test_mode=True,
            )
        )

    async def slowly(self, message: Message) -> Came:
        """Send a message piece by piece, with its length named before."""
        length = {"content-length": str(len(message.body))}
        return await self.post(message, self.headers(message) | length, self._pieces(message.body))

    async def in_chunks(self, message: Message) -> Came:
        """Send a message whose length is not named before (RFC 9112, section 7.1)."""
        return await self.post(message, self.headers(message), _halves(message.body))

    async def cut_off(self, message: Message) -> Came:
        """Begin to send a message and close the connection in the middle of its body."""
        length = {"content-length": str(len(message.body))}
        return await self.post(message, self.headers(message) | length, _half(message.body))

    async def _pieces(self, body: bytes) -> AsyncIterator[bytes]:
        step = max(PIECE, -(-len(body) // PIECES))
        for start in range(0, len(body), step):
            yield body[start : start + step]
            await asyncio.sleep(self._pause)


async def _halves(body: bytes) -> AsyncIterator[bytes]:
    middle = len(body) // 2
    yield body[:middle]
    yield body[middle:]


async def _half(body: bytes) -> AsyncIterator[bytes]:
    yield body[: len(body) // 2]
    raise ConnectionResetError
