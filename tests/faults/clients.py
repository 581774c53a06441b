"""Clients of the service: each takes bicycles from quote to order and beyond, or has many quoted at once."""

import asyncio
from collections import defaultdict
from collections.abc import Mapping, Sequence
from typing import Any, Final

import msgspec

from cotterline.api.bicycles.forms import JSON_LINES
from tests.api.agreed import agreed
from tests.api.fitting import report
from tests.api.ordering import JOB, SURE
from tests.api.test_exchanges import MISSED
from tests.faults.calls import Caller, RefusedError
from tests.faults.ledger import Answers

STREAMED: Final = 10
"""Bicycles of one stream."""

STREAM_REST: Final = 5.0
EVERY_FOURTH: Final = 4


def json_lines(count: int) -> bytes:
    """Bicycles that can be quoted, one a line."""
    return b"".join(msgspec.json.encode({**JOB, "reference": f"hook {n}"}) + b"\n" for n in range(1, count + 1))


def numbers(lines: bytes) -> tuple[int, ...]:
    """The number of the bicycle each line of answers is about."""
    told = [msgspec.json.decode(line) for line in lines.splitlines()]
    return tuple(int(one["place"].removeprefix("line ")) for one in told if "result" in one)


class Client(Caller):
    """Takes bicycles from quote to order; of four, two have their order changed, one of them by an exchange."""

    def __init__(self, addresses: Sequence[str], doors: tuple[Mapping[str, str], str], seed: int) -> None:
        super().__init__(addresses, doors, seed)
        self.accepted_quotes: list[str] = []
        self.accepted_orders: dict[str, tuple[str, ...]] = {}
        self.accepted_changes: defaultdict[str, list[tuple[int, str]]] = defaultdict(list)
        self.refused: list[str] = []

    async def work(self, ended: asyncio.Event, rest: float) -> None:
        """Take bicycles through, one after the other with a rest between; the last one to its end."""
        while not ended.is_set():
            try:
                await self._one(len(self.accepted_quotes) % EVERY_FOURTH)
            except RefusedError as error:
                self.refused.append(str(error))
            await asyncio.sleep(rest)

    async def _one(self, number: int) -> None:
        """Take one bicycle through."""
        quote = str((await self.make("/v1/quotes", SURE))["id"])
        self.accepted_quotes.append(quote)
        path = f"/v1/quotes/{quote}"
        await self.make(f"{path}/transitions", {"action": "issue"}, any_version=True)
        approval = {"action": "approve", **agreed("approve", "400")}
        await self.make(f"{path}/transitions", approval, any_version=True)
        placed = await self.make(f"{path}/orders", {})
        self._has_ordered(quote, placed["orders"])
        if number == 1:
            await self._give_up(str(placed["orders"][0]["id"]), 2)
        elif number == EVERY_FOURTH - 1:
            await self._exchange(quote)

    async def _give_up(self, order: str, line: int) -> None:
        await self.make(f"/v1/orders/{order}/changes", {"changes": [{"line": line, "change": "cancel"}]})
        self.accepted_changes[order].append((line, "cancel"))

    async def _exchange(self, quote: str) -> None:
        """Report that the rings missed, and have another spindle sent for the one that goes back."""
        missed = await self.make(f"/v1/quotes/{quote}/fit-reports", report(MISSED, MISSED, spindle_length_mm=113))
        made = await self.make(f"/v1/fit-reports/{missed['id']}/exchanges", {})
        self._has_ordered(quote, [made["ordered"]])
        self.accepted_changes[made["replaced"]["id"]].append((1, "return"))

    def _has_ordered(self, quote: str, orders: Sequence[Mapping[str, Any]]) -> None:
        self.accepted_orders[quote] = (*self.accepted_orders.get(quote, ()), *(str(one["id"]) for one in orders))


class Streams(Caller):
    """Has many bicycles quoted at once, again and again; a stream that was cut off is sent again."""

    seconds = 8.0

    def __init__(self, addresses: Sequence[str], doors: tuple[Mapping[str, str], str], seed: int) -> None:
        super().__init__(addresses, doors, seed)
        self.read_to_end: list[Answers] = []

    async def work(self, ended: asyncio.Event) -> None:
        """Send one after the other."""
        body = json_lines(STREAMED)
        while not ended.is_set():
            lines = await self.call("POST", "/v1/quotes/stream", body, {"Content-Type": JSON_LINES})
            last = msgspec.json.decode(lines.splitlines()[-1])
            if last.get("summary", {}).get("complete"):
                self.read_to_end.append(Answers(f"stream {len(self.read_to_end) + 1}", STREAMED, numbers(lines)))
            await asyncio.sleep(STREAM_REST)
