"""Clients of the service as a partner should write them: every call is repeated under its key until it is answered."""

import asyncio
from collections import Counter
from collections.abc import AsyncIterator, Mapping, Sequence
from random import Random
from typing import Any, Final
from uuid import UUID

import httpx
import msgspec

from tests.api.agreed import agreed
from tests.api.ordering import FROM_STOCK, SURE
from tests.faults.ledger import Event, Order

SECONDS: Final = 2.0
"""One try may take: too short for a host that works hard, so that calls are repeated while they are worked on."""

PATIENCE: Final = 240.0
"""Seconds until a call that was never answered is given up, which ends everything."""

PAUSE: Final = 0.3
BUSY: Final = frozenset({408, 425, 429})
"""Statuses besides those of a server's failure upon which a call is repeated."""

IN_FLIGHT: Final = b"idempotency-key-in-flight"
"""The other reason to repeat it: the first try is still worked on."""


class RefusedError(Exception):
    """A call that should have been carried out was refused."""


class Client:
    """Calls whichever host answers.

    Args:
        addresses: of the hosts.
        doors: headers that let it in, and the address it calls from.
        seed: of the keys and of the host it turns to first.
    """

    def __init__(self, addresses: Sequence[str], doors: tuple[Mapping[str, str], str], seed: int) -> None:
        self.accepted_quotes: list[str] = []
        self.refused: list[str] = []
        self.accepted_orders: dict[str, tuple[str, ...]] = {}
        self.answers: Counter[str] = Counter()
        self._addresses = addresses
        self._headers, self._calls_from = dict(doors[0]), doors[1]
        self._chance = Random(seed)  # noqa: S311 - repeatable on purpose

    async def work(self, ended: asyncio.Event, rest: float) -> None:
        """Take bicycles from quote to order, one after the other with a rest between; the last one to its end."""
        while not ended.is_set():
            try:
                await self._one()
            except RefusedError as error:
                self.refused.append(str(error))
            await asyncio.sleep(rest)

    async def _one(self) -> None:
        """Take one bicycle from quote to order."""
        quote = str((await self.make("/v1/quotes", SURE))["id"])
        self.accepted_quotes.append(quote)
        path = f"/v1/quotes/{quote}"
        await self.make(f"{path}/transitions", {"action": "issue"}, any_version=True)
        approval = {"action": "approve", **agreed("approve", "400")}
        await self.make(f"{path}/transitions", approval, any_version=True)
        placed = await self.make(f"{path}/orders", FROM_STOCK)
        self.accepted_orders[quote] = tuple(str(one["id"]) for one in placed["orders"])

    async def make(self, path: str, body: Mapping[str, Any], *, any_version: bool = False) -> dict[str, Any]:
        """Post something, under one key however often."""
        key = UUID(int=self._chance.getrandbits(128), version=4)
        headers = {"Idempotency-Key": f'"{key}"'} | ({"If-Match": "*"} if any_version else {})
        return await self._until_answered("POST", path, msgspec.json.encode(body), headers)

    async def read(self, path: str) -> dict[str, Any]:
        """Get something."""
        return await self._until_answered("GET", path, b"", {})

    async def _until_answered(self, method: str, path: str, body: bytes, more: Mapping[str, str]) -> dict[str, Any]:
        headers = self._headers | {"Content-Type": "application/json"} | dict(more)
        first = self._chance.randrange(len(self._addresses))
        async with asyncio.timeout(PATIENCE):
            while True:
                address = self._addresses[first % len(self._addresses)]
                first += 1
                try:
                    async with self._wire(address, SECONDS) as wire:
                        answer = await wire.request(method, path, content=body, headers=headers)
                except httpx.TransportError as error:
                    self.answers[f"none ({type(error).__name__})"] += 1
                else:
                    self.answers[str(answer.status_code)] += 1
                    if answer.is_success:
                        found: dict[str, Any] = msgspec.json.decode(answer.content)
                        return found
                    if answer.is_client_error and answer.status_code not in BUSY and IN_FLIGHT not in answer.content:
                        raise RefusedError(f"{method} {path} was refused: {answer.text}")
                await asyncio.sleep(PAUSE)

    def _wire(self, address: str, seconds: float) -> httpx.AsyncClient:
        transport = httpx.AsyncHTTPTransport(local_address=self._calls_from)
        return httpx.AsyncClient(base_url=address, timeout=seconds, transport=transport)

    async def every(self, noun: str) -> AsyncIterator[dict[str, Any]]:
        """Go through a whole list."""
        cursor = ""
        while True:
            page = await self.read(f"/v1/{noun}?limit=100{cursor}")
            for one in page[noun]:
                yield one
            if "next_cursor" not in page:
                return
            cursor = f"&cursor={page['next_cursor']}"

    async def orders(self) -> dict[str, Order]:
        """Every order there is, by id."""
        return {str(one["id"]): Order(str(one["quote_id"]), one["outcome"]) async for one in self.every("orders")}

    async def events(self) -> tuple[Event, ...]:
        """Every event there is, in order, byte for byte."""
        found: list[Event] = []
        after = 0
        while True:
            page = await self._raw_events(after)
            if not page.events:
                return tuple(found)
            for raw in page.events:
                told = msgspec.json.decode(raw)
                found.append(Event(told["position"], told["type"], str(told["data"].get("id")), bytes(raw)))
            after = page.next_after

    async def _raw_events(self, after: int) -> "_Events":
        async with self._wire(self._addresses[0], PATIENCE) as wire:
            answer = await wire.get(f"/v1/events?after={after}&limit=100", headers=self._headers)
        return msgspec.json.decode(answer.raise_for_status().content, type=_Events)


class _Events(msgspec.Struct):
    events: tuple[msgspec.Raw, ...]
    next_after: int
