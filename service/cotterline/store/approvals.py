"""Approvals of quotes: what a customer agreed to, when and how it was said, and why it ended."""

from collections.abc import Sequence
from datetime import datetime
from uuid import UUID

import msgspec
from sqlalchemy import insert as insert_into
from sqlalchemy import select, update

from cotterline.bench.approvals import EndOfApproval, Means
from cotterline.bench.money import Money
from cotterline.store.database import ReadTransaction, WriteTransaction
from cotterline.store.tables import approvals
from cotterline.store.tenancy import owned, ownership


class ApprovalRow(msgspec.Struct, frozen=True, kw_only=True):
    """One approval. At most one of a quote's has not ended.

    Attributes:
        quote_id: of the quote.
        version: the quote's version since.
        revision: number of the revision that was agreed to.
        ceiling: the most the job may come to, decimal digits.
        currency: of the ceiling.
        options: the options chosen, as a JSON list.
        given_by: who agreed, as the name was given.
        how: how it was said.
        at: when it was recorded.
        actor: id of the key it was recorded with.
        ended_at: when it ceased to hold.
        ended_why: why.
        charged: what was charged in the end, in the ceiling's currency.
    """

    quote_id: UUID
    version: int
    revision: int
    ceiling: str
    currency: str
    options: bytes
    given_by: str
    how: Means
    at: datetime
    actor: str
    ended_at: datetime | None = None
    ended_why: EndOfApproval | None = None
    charged: str | None = None

    @property
    def most(self) -> Money:
        """The ceiling as money."""
        return Money(amount=self.ceiling, currency=self.currency)


class End(msgspec.Struct, frozen=True, kw_only=True):
    """How an approval ends."""

    at: datetime
    why: EndOfApproval
    charged: str | None = None


_COLUMNS = tuple(approvals.c[name] for name in ApprovalRow.__struct_fields__)


async def insert(tx: WriteTransaction, approval: ApprovalRow) -> None:
    """Keep one approval as the tenant's."""
    await tx.execute(insert_into(approvals).values(msgspec.structs.asdict(approval) | ownership(tx.tenant)))


async def every(tx: ReadTransaction, quote_id: UUID) -> Sequence[ApprovalRow]:
    """Return every approval of the tenant's quote, the first one first."""
    mine = select(*_COLUMNS).where(owned(approvals, tx.tenant), approvals.c.quote_id == quote_id)
    return [ApprovalRow(**row) for row in await tx.rows(mine.order_by(approvals.c.version))]


async def in_force(tx: ReadTransaction, quote_id: UUID) -> ApprovalRow | None:
    """Return the approval of the tenant's quote that has not ended, if there is one."""
    here = (owned(approvals, tx.tenant), approvals.c.quote_id == quote_id, approvals.c.ended_at.is_(None))
    rows = await tx.rows(select(*_COLUMNS).where(*here))
    return ApprovalRow(**rows[0]) if rows else None


async def end(tx: WriteTransaction, approval: ApprovalRow, end: End) -> None:
    """Let an approval cease to hold."""
    this = (approvals.c.quote_id == approval.quote_id, approvals.c.version == approval.version)
    values = {"ended_at": end.at, "ended_why": end.why, "charged": end.charged}
    await tx.execute(update(approvals).where(owned(approvals, tx.tenant), *this).values(values))
