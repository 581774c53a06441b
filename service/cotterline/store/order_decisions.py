"""Decisions: what was made of what suppliers proposed, by rule or by a person; the first one of each holds."""

from collections.abc import Sequence
from datetime import datetime
from uuid import UUID

import msgspec
from sqlalchemy import select
from sqlalchemy.dialects.postgresql import insert as insert_into

from cotterline.bench.replies import Decision
from cotterline.store.database import ReadTransaction, WriteTransaction
from cotterline.store.tables import order_decisions
from cotterline.store.tenancy import owned, ownership


class KeptDecision(msgspec.Struct, frozen=True, kw_only=True):
    """A decision, and when it was made."""

    at: datetime
    decision: Decision


async def keep(tx: WriteTransaction, order_id: UUID, made: KeptDecision) -> bool:
    """Keep a decision about the tenant's order, unless the same was decided before; tell whether it is kept."""
    decision = made.decision
    row = {
        "order_id": order_id,
        "message_id": decision.message_id,
        "line": decision.line,
        "about": decision.about,
        "at": made.at,
        "content": msgspec.json.encode(decision),
    }
    kept = insert_into(order_decisions).values(row | ownership(tx.tenant)).on_conflict_do_nothing()
    return await tx.execute(kept) == 1


async def every(tx: ReadTransaction, order_id: UUID) -> Sequence[KeptDecision]:
    """Return everything that was decided about the tenant's order, the first first."""
    mine = select(order_decisions.c.at, order_decisions.c.content).where(
        owned(order_decisions, tx.tenant), order_decisions.c.order_id == order_id
    )
    in_order = mine.order_by(order_decisions.c.at, order_decisions.c.message_id, order_decisions.c.line)
    return [
        KeptDecision(at=row["at"], decision=msgspec.json.decode(row["content"], type=Decision))
        for row in await tx.rows(in_order.order_by(order_decisions.c.about))
    ]
