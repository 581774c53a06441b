"""Events that were kept for as long as the operator has them kept: removed from the first on, with their posts."""

from datetime import datetime
from typing import ClassVar

from cotterline.delivery.sweeps import Sweep
from cotterline.store import events
from cotterline.store.database import ReadTransaction, WriteTransaction


class OldEvents(Sweep):
    """Removes events and whatever became of their posts; those behind keep their positions."""

    sought: ClassVar[str] = "old events"

    async def is_due(self, tx: ReadTransaction, now: datetime) -> bool:
        """Whether the first event is old enough."""
        return bool(await events.old(tx, now - self._kept, 1))

    async def settle(self, tx: WriteTransaction, now: datetime, most: int) -> int:
        """Remove up to ``most`` events; return how many that were."""
        return await events.remove(tx, await events.old(tx, now - self._kept, most))
