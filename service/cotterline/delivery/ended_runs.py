"""Runs whose answers were kept for as long as they are to be: bicycles and answers are removed, the run stays."""

from datetime import datetime
from typing import ClassVar
from uuid import UUID

from cotterline.delivery.sweeps import Sweep
from cotterline.store import quote_run_inputs, quote_run_parts, quote_runs
from cotterline.store.database import ReadTransaction, WriteTransaction


class EndedRuns(Sweep):
    """Removes the parts of runs, some in each transaction, and last what they were worked with."""

    sought: ClassVar[str] = "ended runs"

    async def is_due(self, tx: ReadTransaction, now: datetime) -> bool:
        """Whether there are answers to be removed."""
        return bool(await quote_runs.over(tx, now, 1))

    async def settle(self, tx: WriteTransaction, now: datetime, most: int) -> int:
        """Remove up to ``most`` parts; return how many runs were done with."""
        runs = await quote_runs.over(tx, now, 1)
        return sum([await _is_emptied(tx, run_id, now, most) for run_id in runs])


async def _is_emptied(tx: WriteTransaction, run_id: UUID, now: datetime, most: int) -> bool:
    await quote_run_parts.remove(tx, run_id, most)
    if await quote_run_parts.are_left(tx, run_id):
        return False
    await quote_run_inputs.remove(tx, run_id)
    return await quote_runs.note_removal(tx, run_id, now)
