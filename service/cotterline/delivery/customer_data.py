"""Customers' words, taken out of all that is kept of a quote, with what follows."""

from datetime import datetime

import msgspec

from cotterline.bench.customer_data import ERASABLE
from cotterline.bench.errors import CotterlineError
from cotterline.bench.quote_life import state_at
from cotterline.delivery.quote_events import tell
from cotterline.store import customer_data, estimate_links, orders, quotes
from cotterline.store.audit import record
from cotterline.store.database import WriteTransaction
from cotterline.store.quotes import QuoteRow


async def erase(tx: WriteTransaction, row: QuoteRow, now: datetime, actor: str) -> QuoteRow | None:
    """Erase what may be the customer's words in all that is kept of a quote; what was quoted and ordered stays.

    Every link to its estimate ends. It is told as ``quote.erased`` and stands in the audit trail.

    Args:
        tx: one transaction for all of it.
        row: the quote as it was seen.
        now: when.
        actor: who does it.

    Returns:
        The quote after it; None, and nothing is changed, where somebody else has changed it meanwhile.

    Raises:
        CotterlineError: ``wrong-state``, while somebody waits for the quote or something of it is being posted.
    """
    state = state_at(row.state, row.expires_at, now)
    if state not in ERASABLE:
        words = f"The quote is {state}: close it first, for what was agreed and ordered may still need the name."
        raise CotterlineError("wrong-state", words)
    after = msgspec.structs.replace(row, reference=None, metadata=b"{}", erased_at=now, version=row.version + 1)
    if not await quotes.change(tx, after, row.version):
        return None
    order_ids = await orders.of_quote(tx, row.id)
    for order_id in order_ids:
        await orders.hold(tx, order_id)
    for link in await estimate_links.every(tx, row.id):
        await estimate_links.end(tx, link.id, now=now, actor=actor)
    if not await customer_data.erase(tx, row.id, order_ids, now):
        words = "Something of the quote is still to be posted to a supplier, or an event of it is at this moment."
        raise CotterlineError("wrong-state", words)
    await record(
        tx,
        tx.tenant,
        at=now,
        actor=actor,
        action="quote.erased",
        subject_kind="quote",
        subject_id=str(row.id),
        detail={"revision": row.revision, "orders": len(order_ids)},
    )
    await tell(tx, "quote.erased", after, now)
    return after
