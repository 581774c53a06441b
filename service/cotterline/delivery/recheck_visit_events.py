"""Re-check visits as they are told: to whoever reads one, and to whoever subscribed to those that are due."""

from datetime import datetime
from uuid import UUID

import msgspec

from cotterline.bench.recheck_visits import VisitState
from cotterline.store import events
from cotterline.store.audit import record
from cotterline.store.database import WriteTransaction
from cotterline.store.recheck_visits import VisitRow


class RecheckVisit(msgspec.Struct, frozen=True, kw_only=True):
    """When a bicycle is to be looked at again.

    Attributes:
        quote_id: the job.
        created_at: when it was first planned.
        due_at: when it is due.
        state: whether it was announced, done or cancelled.
        version: counts every change of it, from 1.
        by: who changed it last: id of a key, or ``service`` for what time alone does.
        changed_at: when.
    """

    quote_id: UUID
    created_at: datetime
    due_at: datetime
    state: VisitState
    version: int
    by: str
    changed_at: datetime


def told(row: VisitRow) -> RecheckVisit:
    """A visit as it is told."""
    own = {name: getattr(row, name) for name in RecheckVisit.__struct_fields__ if name != "by"}
    return RecheckVisit(**own, by=row.actor)


async def tell(tx: WriteTransaction, row: VisitRow) -> None:
    """Keep that a visit is due, which is now as in ``row``, and put it out to who wants to know."""
    await events.emit(tx, "recheck_visit.due", "recheck_visit", row.quote_id, row.version, row.changed_at, told(row))


async def note(tx: WriteTransaction, row: VisitRow) -> None:
    """Keep in the audit trail that a visit came to its state."""
    await record(
        tx,
        tx.tenant,
        at=row.changed_at,
        actor=row.actor,
        action=f"recheck_visit.{row.state}",
        subject_kind="recheck_visit",
        subject_id=str(row.quote_id),
        detail={"due_at": row.due_at},
    )
