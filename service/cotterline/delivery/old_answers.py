"""Answers that were kept under the keys of their requests: removed a day later, also where nobody calls any more."""

from datetime import datetime
from typing import ClassVar

from cotterline.delivery.sweeps import Sweep
from cotterline.store import kept_answers
from cotterline.store.database import ReadTransaction, WriteTransaction


class OldAnswers(Sweep):
    """Removes answers past their time."""

    sought: ClassVar[str] = "old answers"

    async def is_due(self, tx: ReadTransaction, now: datetime) -> bool:
        """Whether there are any."""
        return await kept_answers.old(tx, now)

    async def settle(self, tx: WriteTransaction, now: datetime, most: int) -> int:
        """Remove up to ``most`` of them; return how many that were."""
        return await kept_answers.prune(tx, now, most)
