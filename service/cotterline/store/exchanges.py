"""Exchanges: which spindle was taken after a fit report that missed, each report once, never changed."""

from collections.abc import Sequence
from datetime import datetime
from uuid import UUID

import msgspec
from sqlalchemy import select
from sqlalchemy.dialects.postgresql import insert as insert_into

from cotterline.store.database import ReadTransaction, WriteTransaction
from cotterline.store.tables import exchanges
from cotterline.store.tenancy import owned, ownership


class ExchangeRow(msgspec.Struct, frozen=True, kw_only=True):
    """One exchange.

    Attributes:
        fit_report_id: the report that missed.
        created_at: when it was made.
        actor: id of the key it was made with.
        quote_id: the job it is about.
        spindle_length: of the spindle that was taken instead, mm.
        order_id: the order that brings it; None where it came from the shop's own shelf.
    """

    fit_report_id: UUID
    created_at: datetime
    actor: str
    quote_id: UUID
    spindle_length: float
    order_id: UUID | None


_COLUMNS = tuple(exchanges.c[name] for name in ExchangeRow.__struct_fields__)


async def insert(tx: WriteTransaction, exchange: ExchangeRow) -> bool:
    """Keep an exchange as the tenant's, unless its report has one; tell whether it was kept."""
    row = msgspec.structs.asdict(exchange) | ownership(tx.tenant)
    return await tx.execute(insert_into(exchanges).values(row).on_conflict_do_nothing()) == 1


async def of_quote(tx: ReadTransaction, quote_id: UUID) -> Sequence[ExchangeRow]:
    """Return every exchange of the tenant's quote, the first one first."""
    mine = select(*_COLUMNS).where(owned(exchanges, tx.tenant), exchanges.c.quote_id == quote_id)
    found = mine.order_by(exchanges.c.created_at, exchanges.c.fit_report_id)
    return [ExchangeRow(**row) for row in await tx.rows(found)]
