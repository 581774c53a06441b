"""Runs that wait for somebody who does not come: cancelled, so that they hold up no others of their shop's."""

from datetime import datetime, timedelta
from typing import ClassVar

from cotterline.delivery.quote_run_changes import At, act
from cotterline.delivery.sweeps import Sweep
from cotterline.store import quote_runs
from cotterline.store.audit import BY_ITSELF, record
from cotterline.store.database import ReadTransaction, WriteTransaction


class RunsLeftBehind(Sweep):
    """Cancels runs that are receiving or paused and that nothing happened to for some time."""

    sought: ClassVar[str] = "runs left behind"

    async def is_due(self, tx: ReadTransaction, now: datetime) -> bool:
        """Whether there is such a run."""
        return bool(await quote_runs.left_behind(tx, now - self._kept, 1))

    async def settle(self, tx: WriteTransaction, now: datetime, most: int) -> int:
        """Cancel up to ``most`` of them; return how many that were."""
        before = now - self._kept
        found = await quote_runs.left_behind(tx, before, most)
        # Every run before the first event: who ends a part holds its run and then waits for the events' counter.
        held = [await quote_runs.hold(tx, run_id) for run_id in found]
        left = [run for run in held if run is not None and run.is_left_behind(before)]
        for run in left:
            await act(tx, run.id, "cancel", At(now, timedelta()))
            await record(
                tx,
                tx.tenant,
                at=now,
                actor=BY_ITSELF,
                action="quote_run.cancelled",
                subject_kind="quote_run",
                subject_id=str(run.id),
                detail={"last_change": run.last_change},
            )
        return len(left)
