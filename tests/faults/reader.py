"""Who reads, once all is in peace, what the service kept."""

from typing import Any

import msgspec

from tests.faults.calls import Caller
from tests.faults.ledger import Event, Order


class Reader(Caller):
    """Reads everything there is."""

    async def quotes(self) -> tuple[str, ...]:
        """The id of every quote."""
        return tuple([str(one["id"]) async for one in self.every("quotes")])

    async def orders(self) -> dict[str, Order]:
        """Every order, by id."""
        return {str(one["id"]): await self._order(str(one["id"])) async for one in self.every("orders")}

    async def _order(self, order_id: str) -> Order:
        kept = await self.read(f"/v1/orders/{order_id}")
        changes = tuple((one["line"], one["change"]) for one in kept["changes"])
        return Order(str(kept["quote_id"]), kept["outcome"], _standing(kept), kept["replies"], changes)

    async def events(self) -> tuple[Event, ...]:
        """Every event, in order, byte for byte."""
        found: list[Event] = []
        after = 0
        while True:
            page = msgspec.json.decode(await self.call("GET", f"/v1/events?after={after}&limit=100"), type=_Events)
            if not page.events:
                return tuple(found)
            for raw in page.events:
                told = msgspec.json.decode(raw)
                standing = _standing(told["data"]) if told["type"].startswith("order.") else (1, ())
                found.append(Event(told["position"], told["type"], str(told["data"].get("id")), bytes(raw), standing))
            after = page.next_after


class _Events(msgspec.Struct):
    events: tuple[msgspec.Raw, ...]
    next_after: int


def _standing(order: dict[str, Any]) -> tuple[int, tuple[str, ...]]:
    return order["version"], tuple(line["state"] for line in order["standing"]["lines"])
