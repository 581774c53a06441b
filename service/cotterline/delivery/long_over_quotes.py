"""Quotes that nothing was done with for as long as the operator has customers' words kept: those are erased."""

from collections.abc import Sequence
from datetime import datetime
from typing import ClassVar

from cotterline.delivery.customer_data import erase
from cotterline.delivery.sweeps import Sweep
from cotterline.store import quotes
from cotterline.store.audit import BY_ITSELF
from cotterline.store.database import ReadTransaction, WriteTransaction
from cotterline.store.quotes import QuoteRow


class LongOverQuotes(Sweep):
    """Erases what may be customers' words in quotes long over, one quote in each transaction."""

    sought: ClassVar[str] = "quotes long over"

    async def is_due(self, tx: ReadTransaction, now: datetime) -> bool:
        """Whether there is such a quote."""
        return bool(await self._first(tx, now))

    async def settle(self, tx: WriteTransaction, now: datetime, most: int) -> int:  # noqa: ARG002 - one is much by itself
        """Erase what is kept of one; return how many that were."""
        return sum([await erase(tx, row, now, BY_ITSELF) is not None for row in await self._first(tx, now)])

    async def _first(self, tx: ReadTransaction, now: datetime) -> Sequence[QuoteRow]:
        return await quotes.long_over(tx, now - self._kept, 1)
