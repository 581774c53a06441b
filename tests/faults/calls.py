"""Calls as a partner should make them: each is repeated, under its key, until it is answered."""

import asyncio
from collections import Counter
from collections.abc import AsyncIterator, Mapping, Sequence
from random import Random
from types import MappingProxyType
from typing import Any, Final
from uuid import UUID

import httpx
import msgspec

PATIENCE: Final = 240.0
"""Seconds until a call that was never answered is given up, which ends everything."""

PAUSE: Final = 0.3
BUSY: Final = frozenset({408, 425, 429})
"""Statuses besides those of a server's failure upon which a call is repeated."""

IN_FLIGHT: Final = b"idempotency-key-in-flight"
"""The other reason to repeat it: the first try is still worked on."""

NOTHING: Final[Mapping[str, str]] = MappingProxyType({})


class RefusedError(Exception):
    """A call that should have been carried out was refused."""


class Caller:
    """Calls whichever host answers.

    Args:
        addresses: of the hosts.
        doors: headers that let it in, and the address it calls from.
        seed: of the keys and of the host it turns to first.

    Attributes:
        seconds: that it waits for a host: too short for one that works hard, so that calls are repeated while they are
            worked on.
    """

    seconds = 2.0

    def __init__(self, addresses: Sequence[str], doors: tuple[Mapping[str, str], str], seed: int) -> None:
        self.answers: Counter[str] = Counter()
        self._addresses = addresses
        self._headers, self._calls_from = dict(doors[0]), doors[1]
        self._chance = Random(seed)  # noqa: S311 - repeatable on purpose

    async def make(self, path: str, body: Mapping[str, Any], *, any_version: bool = False) -> dict[str, Any]:
        """Post something, under one key however often."""
        key = UUID(int=self._chance.getrandbits(128), version=4)
        headers = {"Idempotency-Key": f'"{key}"'} | ({"If-Match": "*"} if any_version else {})
        return _read(await self.call("POST", path, msgspec.json.encode(body), headers))

    async def read(self, path: str) -> dict[str, Any]:
        """Get something."""
        return _read(await self.call("GET", path))

    async def call(self, method: str, path: str, content: bytes = b"", more: Mapping[str, str] = NOTHING) -> bytes:
        """Call until there is an answer, and give its body.

        Raises:
            RefusedError: the answer is that it will not be done.
        """
        headers = self._headers | {"Content-Type": "application/json"} | dict(more)
        first = self._chance.randrange(len(self._addresses))
        async with asyncio.timeout(PATIENCE):
            while True:
                address = self._addresses[first % len(self._addresses)]
                first += 1
                try:
                    async with self._wire(address) as wire:
                        answer = await wire.request(method, path, content=content, headers=headers)
                except httpx.TransportError as error:
                    self.answers[f"none ({type(error).__name__})"] += 1
                else:
                    self.answers[str(answer.status_code)] += 1
                    if answer.is_success:
                        return answer.content
                    if answer.is_client_error and answer.status_code not in BUSY and IN_FLIGHT not in answer.content:
                        raise RefusedError(f"{method} {path} was refused: {answer.text}")
                await asyncio.sleep(PAUSE)

    def _wire(self, address: str) -> httpx.AsyncClient:
        transport = httpx.AsyncHTTPTransport(local_address=self._calls_from)
        return httpx.AsyncClient(base_url=address, timeout=self.seconds, transport=transport)

    async def every(self, noun: str, search: str = "") -> AsyncIterator[dict[str, Any]]:
        """Go through a whole list."""
        cursor = ""
        while True:
            page = await self.read(f"/v1/{noun}?limit=100{search}{cursor}")
            for one in page[noun]:
                yield one
            if "next_cursor" not in page:
                return
            cursor = f"&cursor={page['next_cursor']}"


def _read(content: bytes) -> dict[str, Any]:
    found: dict[str, Any] = msgspec.json.decode(content)
    return found
