"""What changes a re-check visit: a fit report, or a person; each within the transaction it is handed."""

from datetime import datetime
from uuid import UUID

import msgspec

from cotterline.api.conditions import overtaken
from cotterline.bench.fit.report import FitReportRequest
from cotterline.bench.fit.result import Outcome
from cotterline.bench.recheck_visits import VisitState, due_after
from cotterline.delivery.recheck_visit_events import note
from cotterline.store import recheck_visits
from cotterline.store.database import WriteTransaction
from cotterline.store.recheck_visits import VisitRow
from cotterline.store.shop_documents import SETTINGS


class VisitChange:
    """Changes the visit of one quote within one transaction.

    Args:
        tx: the transaction.
        quote_id: of the quote.
        actor: id of the key it is done with.
        now: when.
    """

    def __init__(self, tx: WriteTransaction, quote_id: UUID, actor: str, now: datetime) -> None:
        self._tx = tx
        self._quote_id = quote_id
        self._actor = actor
        self._now = now

    async def follow(self, report: FitReportRequest, outcome: Outcome) -> None:
        """Plan the visit that a report calls for, or end the one it makes needless."""
        usual = (await SETTINGS.current(self._tx)).content.recheck_after_days
        due_at = due_after(report, outcome, usual, self._now)
        seen = await recheck_visits.hold(self._tx, self._quote_id)
        if due_at is not None:
            await self._at(seen, due_at)
        elif seen is not None and seen.state in {"scheduled", "announced"}:
            if report.visit == "recheck":
                await self.end(seen, "done")
            elif outcome == "passed":
                await self.end(seen, "cancelled")

    async def plan(self, seen: VisitRow | None, due_at: datetime) -> VisitRow:
        """Have the visit at another time, or make one.

        Raises:
            CotterlineError: ``precondition-failed`` where somebody else was faster.
        """
        planned = await self._moved(seen, due_at) if seen else await self._made(due_at)
        if planned is None:
            raise overtaken()
        return planned

    async def _at(self, seen: VisitRow | None, due_at: datetime) -> None:
        """Have the visit at a time, whoever plans it besides."""
        if seen is None and await self._made(due_at) is None:
            seen = await recheck_visits.hold(self._tx, self._quote_id)
        if seen is not None:
            await self._moved(seen, due_at)

    async def _moved(self, seen: VisitRow, due_at: datetime) -> VisitRow:
        return await self._replace(seen, msgspec.structs.replace(seen, due_at=due_at, state="scheduled"))

    async def _made(self, due_at: datetime) -> VisitRow | None:
        row = VisitRow(
            quote_id=self._quote_id,
            created_at=self._now,
            due_at=due_at,
            state="scheduled",
            version=1,
            actor=self._actor,
            changed_at=self._now,
        )
        if not await recheck_visits.insert(self._tx, row):
            return None
        await note(self._tx, row)
        return row

    async def end(self, seen: VisitRow, state: VisitState) -> None:
        """Have the visit done, or cancelled.

        Raises:
            CotterlineError: ``precondition-failed`` where somebody else was faster.
        """
        await self._replace(seen, msgspec.structs.replace(seen, state=state))

    async def _replace(self, seen: VisitRow, changed: VisitRow) -> VisitRow:
        row = msgspec.structs.replace(changed, version=seen.version + 1, actor=self._actor, changed_at=self._now)
        if not await recheck_visits.change(self._tx, row, seen.version):
            raise overtaken()
        await note(self._tx, row)
        return row
