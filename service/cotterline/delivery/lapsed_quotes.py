"""Offers that end unanswered: recorded and told soon after their time, though nobody does anything."""

import asyncio
from collections.abc import Callable, Sequence
from datetime import datetime
from typing import Final, NoReturn

import msgspec
import structlog
from sqlalchemy.exc import SQLAlchemyError

from cotterline.bench.quote_life import state_after
from cotterline.delivery.quote_events import tell
from cotterline.store import quote_transitions, quotes, shops
from cotterline.store.audit import BY_ITSELF, record
from cotterline.store.database import Database, WriteTransaction
from cotterline.store.quote_transitions import TransitionRow
from cotterline.store.quotes import QuoteRow
from cotterline.store.tenancy import MODES, SERVICE, Tenant

EVERY_SECONDS: Final = 60.0
"""How often offers are looked through; each reads as expired from the very moment, told of or not."""

BATCH: Final = 100
"""Quotes in one transaction: whoever else tells of something of this shop's waits for its end."""

log = structlog.get_logger("cotterline.lapsed_quotes")


class LapsedQuotes:
    """Records offers whose time is over, in every shop; any number of these may run at once.

    Args:
        database: where the quotes are.
        clock: gives the present instant.
    """

    def __init__(self, database: Database, clock: Callable[[], datetime]) -> None:
        self._database = database
        self._clock = clock

    async def run(self) -> NoReturn:
        """Sweep once a minute, for ever."""
        while True:
            try:
                await self.sweep()
            except (SQLAlchemyError, OSError) as error:
                log.warning("lapsed quotes were not looked for", error=type(error).__qualname__)
            await asyncio.sleep(EVERY_SECONDS)

    async def sweep(self) -> int:
        """Record and tell what has lapsed by now; return how many quotes that were."""
        told = 0
        for tenant in await self._tenants():
            while await self._any(tenant):
                told += await self._expire(tenant)
        return told

    async def _tenants(self) -> Sequence[Tenant]:
        async with self._database.read(SERVICE) as tx:
            return [Tenant(shop.id, mode) for shop in await shops.every(tx) for mode in MODES]

    async def _any(self, tenant: Tenant) -> bool:
        """Whether there is something to write: most of the time there is not, and nobody need wait for a look."""
        async with self._database.read(tenant) as tx:
            return bool(await quotes.lapsed(tx, self._clock(), 1))

    async def _expire(self, tenant: Tenant) -> int:
        now = self._clock()
        async with self._database.write(tenant) as tx:
            # Every quote before the first event: who acts on a quote holds it and then waits for the events' counter.
            expired = [row for row in await quotes.lapsed(tx, now, BATCH) if await _expired(tx, row)]
            for row in expired:
                await _tell(tx, row, now)
        return len(expired)


def _after(row: QuoteRow) -> QuoteRow:
    return msgspec.structs.replace(row, state=state_after(row.state, "expire"), version=row.version + 1)


async def _expired(tx: WriteTransaction, row: QuoteRow) -> bool:
    """Let an offer end, unless somebody was faster; tell whether it has."""
    return await quotes.change(tx, _after(row), row.version)


async def _tell(tx: WriteTransaction, row: QuoteRow, now: datetime) -> None:
    """Record that an offer ended, which is as in ``row`` before."""
    after = _after(row)
    transition = TransitionRow(
        quote_id=row.id,
        version=after.version,
        at=now,
        actor=BY_ITSELF,
        action="expire",
        from_state=row.state,
        to_state=after.state,
        revision=row.revision,
        note=None,
    )
    await quote_transitions.insert(tx, transition)
    await record(
        tx,
        tx.tenant,
        at=now,
        actor=BY_ITSELF,
        action="quote.expired",
        subject_kind="quote",
        subject_id=str(row.id),
        detail={"revision": row.revision, "from_state": row.state},
    )
    await tell(tx, "quote.expired", after, now)
