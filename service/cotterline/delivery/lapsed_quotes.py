"""Offers that end unanswered: recorded and told soon after their time, though nobody does anything."""

from datetime import datetime
from typing import ClassVar

import msgspec

from cotterline.bench.quote_life import state_after
from cotterline.delivery.quote_events import tell
from cotterline.delivery.sweeps import Sweep
from cotterline.store import quote_transitions, quotes
from cotterline.store.audit import BY_ITSELF, record
from cotterline.store.database import ReadTransaction, WriteTransaction
from cotterline.store.quote_transitions import TransitionRow
from cotterline.store.quotes import QuoteRow


class LapsedQuotes(Sweep):
    """Records offers whose time is over; each reads as expired from the very moment, told of or not."""

    sought: ClassVar[str] = "lapsed quotes"

    async def is_due(self, tx: ReadTransaction, now: datetime) -> bool:
        """Whether an offer's time is over and nobody recorded it."""
        return bool(await quotes.lapsed(tx, now, 1))

    async def settle(self, tx: WriteTransaction, now: datetime, most: int) -> int:
        """Record and tell what has lapsed; return how many quotes that were."""
        # Every quote before the first event: who acts on a quote holds it and then waits for the events' counter.
        expired = [row for row in await quotes.lapsed(tx, now, most) if await _expired(tx, row)]
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
