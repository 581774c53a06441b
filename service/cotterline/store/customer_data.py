"""Customers' words in everything that is kept of a quote, taken out of it in one transaction.

Each table that holds such words, or bytes that repeat them, is gone through here; a test looks through every column of
every table for what is left.
"""

from collections.abc import Sequence
from datetime import datetime
from uuid import UUID

from sqlalchemy import ColumnElement, Table, and_, bindparam, or_, select, update

from cotterline.bench.customer_data import ERASED, Document, without_words
from cotterline.store import kept_answers
from cotterline.store.database import ReadTransaction, WriteTransaction
from cotterline.store.tables import (
    approvals,
    deliveries,
    delivery_attempts,
    events,
    fit_reports,
    order_changes,
    order_replies,
    orders,
    quote_transitions,
)
from cotterline.store.tenancy import owned


async def erase(tx: WriteTransaction, quote_id: UUID, order_ids: Sequence[UUID], now: datetime) -> bool:
    """Take customers' words out of all that is kept of the tenant's quote beside its own row.

    Args:
        tx: the transaction that also changes the quote's own row.
        quote_id: of the quote.
        order_ids: every order of it.
        now: when.

    Returns:
        Whether nothing of it is being posted; else the transaction must be undone.
    """
    await tx.execute(update(approvals).where(_of(tx, approvals, quote_id)).values(given_by=ERASED))
    await tx.execute(update(quote_transitions).where(_of(tx, quote_transitions, quote_id)).values(note=None))
    mine = _of(tx, fit_reports, quote_id)
    report_ids = await _rewrite(tx, fit_reports, mine, "request", "fit_report_request", erased_at=now)
    await _erase_orders(tx, order_ids, now)
    event_ids = await _erase_events(tx, {"quote": (quote_id,), "order": order_ids, "fit_report": report_ids})
    await kept_answers.forget(tx, (quote_id, *order_ids, *report_ids), now)
    # Only now, as no worker can set about what this transaction has changed until it ends.
    return not await _is_being_posted(tx, order_ids, event_ids, now)


async def _is_being_posted(
    tx: WriteTransaction, order_ids: Sequence[UUID], event_ids: Sequence[UUID], now: datetime
) -> bool:
    """Whether something is still to be posted to a supplier, or an event is at this moment to whoever subscribed."""
    leased = and_(deliveries.c.state == "waiting", deliveries.c.lease.is_not(None), deliveries.c.leased_until > now)
    open_still = or_(
        and_(deliveries.c.subject_id.in_(order_ids), deliveries.c.state.in_(("waiting", "held"))),
        and_(deliveries.c.subject_id.in_(event_ids), leased),
    )
    found = select(deliveries.c.id).where(owned(deliveries, tx.tenant), open_still).limit(1)
    return bool(await tx.rows(found))


async def _erase_orders(tx: WriteTransaction, order_ids: Sequence[UUID], now: datetime) -> None:
    """Take the words out of the orders, what was said about them either way, and what was posted."""
    counted = orders.c.version + 1  # so that a copy of the order is known to be old
    await _rewrite(tx, orders, orders.c.id.in_(order_ids), "document", "order_document", version=counted)
    await _rewrite(tx, order_changes, order_changes.c.order_id.in_(order_ids), "content", "order_change")
    await _rewrite(tx, order_replies, order_replies.c.order_id.in_(order_ids), "content", "reply")
    posted = deliveries.c.subject_id.in_(order_ids)
    await tx.execute(update(deliveries).where(owned(deliveries, tx.tenant), posted).values(body=b"", erased_at=now))
    await _forget_answers(tx, order_ids)


async def _erase_events(tx: WriteTransaction, about: dict[Document, Sequence[UUID]]) -> list[UUID]:
    """Take the words out of events, and out of posts that carry them, made or to be made; give the events' ids."""
    of_these = [
        and_(events.c.resource_kind == kind, events.c.resource_id.in_([str(each) for each in ids]))
        for kind, ids in about.items()
    ]
    told = select(events.c.id, events.c.position, events.c.resource_kind, events.c.body)
    rows = await tx.rows(told.where(owned(events, tx.tenant), or_(*of_these)))
    bodies = [without_words(row["body"], row["resource_kind"], "data") for row in rows]
    event = update(events).where(owned(events, tx.tenant), events.c.position == bindparam("this"))
    post = update(deliveries).where(owned(deliveries, tx.tenant), deliveries.c.subject_id == bindparam("this"))
    for changed, name in ((event, "position"), (post, "id")):
        values = [{"this": row[name], "bytes": body} for row, body in zip(rows, bodies, strict=True)]
        await tx.execute_for_each(changed.values(body=bindparam("bytes")), values)
    event_ids = [row["id"] for row in rows]
    await _forget_answers(tx, event_ids)
    return event_ids


async def _forget_answers(tx: WriteTransaction, subject_ids: Sequence[UUID]) -> None:
    """Forget what receivers answered: some repeat what they were sent."""
    posts = select(deliveries.c.id).where(owned(deliveries, tx.tenant), deliveries.c.subject_id.in_(subject_ids))
    of_these = and_(owned(delivery_attempts, tx.tenant), delivery_attempts.c.delivery_id.in_(posts.scalar_subquery()))
    await tx.execute(update(delivery_attempts).where(of_these).values(answer=None))


async def _rewrite(
    tx: WriteTransaction, table: Table, which: ColumnElement[bool], column: str, kind: Document, **also: object
) -> list[UUID]:
    """Take the words out of one column of some of the tenant's rows, and set others; give the rows' ids."""
    rows = await tx.rows(select(table.c.id, table.c[column]).where(owned(table, tx.tenant), which))
    this = update(table).where(owned(table, tx.tenant), table.c.id == bindparam("this"))
    values = [{"this": row["id"], "bytes": without_words(row[column], kind)} for row in rows]
    await tx.execute_for_each(this.values({column: bindparam("bytes"), **also}), values)
    return [row["id"] for row in rows]


def _of(tx: ReadTransaction, table: Table, quote_id: UUID) -> ColumnElement[bool]:
    return and_(owned(table, tx.tenant), table.c.quote_id == quote_id)
