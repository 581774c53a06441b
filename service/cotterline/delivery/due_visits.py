"""Re-checks that are due: announced once, soon after their time."""

from datetime import datetime
from typing import ClassVar

import msgspec

from cotterline.bench.recheck_visits import is_ridden
from cotterline.delivery.recheck_visit_events import note, tell
from cotterline.delivery.sweeps import Sweep
from cotterline.store import quotes, recheck_visits
from cotterline.store.audit import BY_ITSELF
from cotterline.store.database import ReadTransaction, WriteTransaction
from cotterline.store.recheck_visits import VisitRow


class DueVisits(Sweep):
    """Announces visits that are due, and cancels those of jobs that are not out riding."""

    sought: ClassVar[str] = "due visits"

    async def is_due(self, tx: ReadTransaction, now: datetime) -> bool:
        """Whether a visit is due and was not announced."""
        return bool(await recheck_visits.due(tx, now, 1))

    async def settle(self, tx: WriteTransaction, now: datetime, most: int) -> int:
        """Announce visits; return how many were settled."""
        found = [await _after(tx, row, now) for row in await recheck_visits.due(tx, now, most)]
        # Every visit before the first event: who changes a visit holds it and then waits for the events' counter.
        settled = [row for row in found if await recheck_visits.change(tx, row, row.version - 1)]
        for row in settled:
            await note(tx, row)
            if row.state == "announced":
                await tell(tx, row)
        return len(settled)


async def _after(tx: ReadTransaction, row: VisitRow, now: datetime) -> VisitRow:
    quote = await quotes.get(tx, row.quote_id)
    ridden = quote is not None and is_ridden(quote.state)
    return msgspec.structs.replace(
        row,
        state="announced" if ridden else "cancelled",
        version=row.version + 1,
        actor=BY_ITSELF,
        changed_at=now,
    )
