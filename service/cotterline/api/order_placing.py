"""Placing orders: documents, their posts, the quote's own act and what is told of it, all in one transaction."""

from uuid import UUID

import msgspec
from msgspec import UnsetType

from cotterline.api.caller import Caller
from cotterline.api.order_drafts import Drafting, DraftOrder
from cotterline.api.quote_changes import QuoteChange
from cotterline.api.quote_requests import TransitionRequest
from cotterline.bench.errors import CotterlineError
from cotterline.bench.orders import OrderRequest
from cotterline.bench.standing import standing
from cotterline.delivery.order_events import tell
from cotterline.delivery.order_files import message_id
from cotterline.store import deliveries, orders, shops
from cotterline.store.audit import record
from cotterline.store.database import WriteTransaction
from cotterline.store.deliveries import Delivery
from cotterline.store.orders import OrderRow


async def place(
    tx: WriteTransaction, caller: Caller, drafting: Drafting, quote_id: UUID, asked: OrderRequest
) -> tuple[OrderRow, ...]:
    """Place the orders of the caller's quote.

    Raises:
        CotterlineError: as :meth:`Drafting.draft` does.
    """
    await shops.lock(tx)  # or a supplier could be deleted, and the quote ordered by somebody else, meanwhile
    drafts = await drafting.draft(tx, quote_id, asked)
    overridden = not isinstance(asked.override, UnsetType)
    ordered = TransitionRequest(action="order")
    await QuoteChange(tx, caller, drafting.now).act(quote_id, "*", ordered, overridden=overridden)
    return tuple([await keep(tx, caller, drafting, draft) for draft in drafts.orders])


async def keep(tx: WriteTransaction, caller: Caller, drafting: Drafting, draft: DraftOrder) -> OrderRow:
    """Keep one order of the caller's, put its post into the outbox, and tell of it.

    Raises:
        CotterlineError: ``wrong-state`` where this version of the quote was ordered of this supplier already.
    """
    row = _row(draft, caller, drafting)
    if not await orders.insert(tx, row):
        raise CotterlineError("wrong-state", "This version of the quote was ordered already.")
    body = await draft.body()
    post = Delivery(
        id=draft.delivery_id,
        receiver_kind="supplier",
        receiver_name=row.supplier,
        kind="order",
        subject_id=row.id,
        message_id=message_id(draft.delivery_id),
        created_at=drafting.now,
        content_type=body.content_type,
        body=body.content,
    )
    await deliveries.enqueue(tx, post)
    await tell(tx, "order.placed", row, drafting.now)
    override = draft.document.override
    await record(
        tx,
        caller.tenant,
        at=drafting.now,
        actor=caller.key_id,
        action="order.placed",
        subject_kind="order",
        subject_id=str(row.id),
        detail={"quote_id": row.quote_id, "supplier": row.supplier}
        | ({} if isinstance(override, UnsetType) else {"override": override}),
    )
    return row


def _row(draft: DraftOrder, caller: Caller, drafting: Drafting) -> OrderRow:
    document = draft.document
    stands = standing(document, "waiting")
    return OrderRow(
        id=document.order_id,
        created_at=drafting.now,
        actor=caller.key_id,
        quote_id=document.quote_id,
        quote_revision=document.quote_revision,
        supplier=document.supplier,
        state=stands.state,
        version=1,
        open_questions=0,
        outcome="waiting",
        document=msgspec.json.encode(document),
        standing=msgspec.json.encode(stands),
    )
