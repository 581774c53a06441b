"""Transitions of quotes: what was done with each, when and by whom, never changed."""

from collections.abc import Sequence
from datetime import datetime
from uuid import UUID

import msgspec
from sqlalchemy import insert as insert_into
from sqlalchemy import select

from cotterline.bench.quote_life import QuoteAction, QuoteState
from cotterline.store.database import ReadTransaction, WriteTransaction
from cotterline.store.tables import quote_transitions
from cotterline.store.tenancy import owned, ownership


class TransitionRow(msgspec.Struct, frozen=True, kw_only=True):
    """One act.

    Attributes:
        quote_id: of the quote.
        version: the quote's version since.
        at: when.
        actor: id of the key it was done with.
        action: what was done.
        from_state: the state before, expiry included.
        to_state: the state since.
        revision: number of the revision that held when it was done; for ``revise``, of the new one.
        note: the shop's own words.
    """

    quote_id: UUID
    version: int
    at: datetime
    actor: str
    action: QuoteAction
    from_state: QuoteState
    to_state: QuoteState
    revision: int
    note: str | None


_COLUMNS = tuple(quote_transitions.c[name] for name in TransitionRow.__struct_fields__)


async def insert(tx: WriteTransaction, transition: TransitionRow) -> None:
    """Keep one act as the tenant's."""
    row = msgspec.structs.asdict(transition) | ownership(tx.tenant)
    await tx.execute(insert_into(quote_transitions).values(row))


async def every(tx: ReadTransaction, quote_id: UUID) -> Sequence[TransitionRow]:
    """Return everything done with the tenant's quote, the first act first."""
    mine = select(*_COLUMNS).where(owned(quote_transitions, tx.tenant), quote_transitions.c.quote_id == quote_id)
    return [TransitionRow(**row) for row in await tx.rows(mine.order_by(quote_transitions.c.version))]
