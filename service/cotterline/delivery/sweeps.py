"""What time alone brings about: looked for in every shop, once a minute, and recorded and told there."""

import asyncio
from abc import ABC, abstractmethod
from collections.abc import Callable, Sequence
from datetime import datetime, timedelta
from typing import ClassVar, Final, NoReturn

import structlog
from sqlalchemy.exc import SQLAlchemyError

from cotterline.store import shops
from cotterline.store.database import Database, ReadTransaction, WriteTransaction
from cotterline.store.tenancy import MODES, SERVICE, Tenant

EVERY_SECONDS: Final = 60.0
"""How often every shop is looked through."""

BATCH: Final = 100
"""Things settled in one transaction: whoever else tells of something of this shop's waits for its end."""

Count = Callable[[str, int], None]

log = structlog.get_logger("cotterline.sweeps")


def uncounted(_sought: str, _settled: int) -> None:
    """Count nothing."""


class Sweep(ABC):
    """Settles what is due, in every shop; any number of these may run at once.

    Args:
        database: where it is.
        clock: gives the present instant.
        kept: how long what it removes is kept before, where that can be set.
    """

    sought: ClassVar[str]
    """What is looked for, in words."""

    def __init__(self, database: Database, clock: Callable[[], datetime], kept: timedelta = timedelta()) -> None:
        self._database = database
        self._clock = clock
        self._kept = kept

    @abstractmethod
    async def is_due(self, tx: ReadTransaction, now: datetime) -> bool:
        """Whether there is something to write for this tenant."""

    @abstractmethod
    async def settle(self, tx: WriteTransaction, now: datetime, most: int) -> int:
        """Record and tell up to ``most`` of what is due; return how many that were."""

    async def run(self, count: Count = uncounted) -> NoReturn:
        """Sweep once a minute, for ever."""
        while True:
            try:
                await self.sweep(count)
            except (SQLAlchemyError, OSError) as error:
                log.warning("a sweep failed", sought=self.sought, error=type(error).__qualname__)
            except Exception:  # a slip of ours here must not end what else this process does
                log.exception("a sweep failed", sought=self.sought)
            await asyncio.sleep(EVERY_SECONDS)

    async def sweep(self, count: Count = uncounted) -> int:
        """Settle what is due by now; return how many that were.

        Args:
            count: is told what was sought and how many were settled, after each transaction.
        """
        settled = 0
        for tenant in await self._tenants():
            while await self._any(tenant):
                these = await self._settle(tenant)
                count(self.sought, these)
                settled += these
        return settled

    async def _tenants(self) -> Sequence[Tenant]:
        async with self._database.read(SERVICE) as tx:
            return [Tenant(shop.id, mode) for shop in await shops.every(tx) for mode in MODES]

    async def _any(self, tenant: Tenant) -> bool:
        """Most of the time there is nothing, and nobody need wait for a look."""
        async with self._database.read(tenant) as tx:
            return await self.is_due(tx, self._clock())

    async def _settle(self, tenant: Tenant) -> int:
        async with self._database.write(tenant) as tx:
            return await self.settle(tx, self._clock(), BATCH)
