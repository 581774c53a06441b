"""The supplier: accepts what is ordered, dispatches the first line, takes back what comes back, and says so signed."""

import asyncio
from collections import defaultdict
from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Any, Final
from uuid import uuid4

import msgspec

from cotterline.delivery.signatures import made_secret, signed
from tests.faults.calls import Caller, RefusedError
from tests.faults.ledger import Statement
from tests.faults.partners import Partner

TO_AN_ORDER: Final = {1: Statement("accepted"), 2: Statement("dispatched", (1,))}
"""By the supplier's own count, which decides whatever order they arrive in."""


class Supplier(Partner):
    """Answers each order and each return once, by calls of its own that it repeats under one id until they are taken.

    Args:
        seed: of its moods.
    """

    def __init__(self, seed: int) -> None:
        super().__init__(["order_id", "change_id"], seed)
        self.secret = made_secret()
        self.said: defaultdict[str, dict[int, Statement]] = defaultdict(dict)
        self.refused: list[str] = []
        self.caller: Caller
        self._heard: set[str] = set()
        self._talking: set[asyncio.Task[None]] = set()

    def hear(self, subject: str, told: Mapping[str, Any]) -> None:
        """Answer what is new."""
        if subject in self._heard:
            return
        self._heard.add(subject)
        returned = tuple(one["line"] for one in told.get("changes", ()) if one["change"] == "return")
        statements = {3: Statement("returned", returned)} if returned else {}
        task = asyncio.create_task(self._say(told["order_id"], statements if "changes" in told else TO_AN_ORDER))
        self._talking.add(task)
        task.add_done_callback(self._talking.discard)

    async def finish(self) -> None:
        """Return when there is nothing left to say."""
        while self._talking:
            await asyncio.gather(*self._talking)

    async def _say(self, order: str, statements: Mapping[int, Statement]) -> None:
        for sequence, statement in statements.items():
            lines = {"lines": statement.lines} if statement.lines else {}
            says = [{"says": statement.says, **lines}]
            body = msgspec.json.encode({"at": datetime.now(UTC), "sequence": sequence, "says": says})
            headers = signed([self.secret], uuid4().hex, datetime.now(UTC), body)
            try:
                await self.caller.call("POST", f"/v1/orders/{order}/callbacks", body, headers)
            except RefusedError as error:
                self.refused.append(str(error))
            else:
                self.said[order][sequence] = statement
