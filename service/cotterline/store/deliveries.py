"""The outbox: what is to be posted, put there in the transaction of what it tells of, and what became of it."""

from collections.abc import Sequence
from datetime import datetime
from typing import Final, Literal
from uuid import UUID

import msgspec
from sqlalchemy import ColumnElement, and_, insert, literal, or_, select, tuple_, update

from cotterline.bench.errors import CotterlineError
from cotterline.store.cursor import Cursor
from cotterline.store.database import ReadTransaction, WriteTransaction
from cotterline.store.receivers import ReceiverKind
from cotterline.store.tables import deliveries, delivery_attempts, receivers
from cotterline.store.tenancy import owned, ownership

CHANNEL: Final = "cotterline_deliveries"
"""Where a committed transaction announces that something is due."""

BODY_BYTES: Final = 256 * 1024
"""Longest body that is posted."""

DeliveryKind = Literal["order", "order_change", "event"]
DeliveryState = Literal["waiting", "held", "delivered", "failed", "cancelled"]


class Delivery(msgspec.Struct, frozen=True, kw_only=True):
    """Something to be posted.

    Attributes:
        id: made by the caller; version 7 of RFC 9562.
        receiver_kind: whether it goes to a supplier or to a subscription.
        receiver_name: which one.
        kind: what it is.
        subject_id: what it is about: the order, or the event.
        message_id: names the message to the receiver, the same at every try.
        created_at: when it was put into the outbox; it is due from then on.
        content_type: of the body.
        body: what is posted, byte for byte, at most 256 KB.
    """

    id: UUID
    receiver_kind: ReceiverKind
    receiver_name: str
    kind: DeliveryKind
    subject_id: UUID
    message_id: str
    created_at: datetime
    content_type: str
    body: bytes


class DeliveryRow(msgspec.Struct, frozen=True, kw_only=True):
    """What lists tell of a delivery.

    Attributes:
        id: of the delivery.
        receiver_kind: whether it goes to a supplier or to a subscription.
        receiver_name: which one.
        kind: what it is.
        subject_id: what it is about.
        message_id: names the message to the receiver.
        state: what became of it; one that is held waits until its receiver is enabled.
        created_at: when it was put into the outbox.
        due_at: when it is tried next, while it waits.
        attempts: how often a worker has set about posting it.
        round_began_after: how many of those were before somebody last asked for a fresh try.
        leased_until: until when a worker is at it, if one is.
        finished_at: when it was delivered, failed for good or was cancelled.
        content_type: of the body.
        erased_at: when the body was emptied, for it held a customer's words.
    """

    id: UUID
    receiver_kind: ReceiverKind
    receiver_name: str
    kind: DeliveryKind
    subject_id: UUID
    message_id: str
    state: DeliveryState
    created_at: datetime
    due_at: datetime
    attempts: int
    round_began_after: int
    leased_until: datetime | None
    finished_at: datetime | None
    content_type: str
    erased_at: datetime | None = None


class DeliveryPage(msgspec.Struct, frozen=True):
    """Some deliveries, newest first, and where the next page starts, if there is one."""

    deliveries: tuple[DeliveryRow, ...]
    following: Cursor | None


class DeliverySearch(msgspec.Struct, frozen=True, kw_only=True):
    """Which deliveries are looked for; what is None does not matter."""

    state: DeliveryState | None = None
    receiver_kind: ReceiverKind | None = None
    receiver_name: str | None = None
    subject_id: UUID | None = None


class Attempt(msgspec.Struct, frozen=True, kw_only=True):
    """What came of one try.

    Attributes:
        number: counts the tries from 1; one whose worker died has no entry.
        started_at: when it was begun.
        ended_at: when it was over.
        status: of HTTP, if there was an answer.
        trouble: what went wrong instead, in words.
        answer: the beginning of what the receiver said.
    """

    number: int
    started_at: datetime
    ended_at: datetime
    status: int | None
    trouble: str | None
    answer: bytes | None


_COLUMNS = tuple(deliveries.c[name] for name in DeliveryRow.__struct_fields__)
_ATTEMPT = tuple(delivery_attempts.c[name] for name in Attempt.__struct_fields__)


async def enqueue(tx: WriteTransaction, *posts: Delivery) -> None:
    """Put posts of the tenant's into the outbox, due at once; call it in the transaction of what they tell of.

    Those for a receiver that is disabled are held until it is enabled.

    Raises:
        CotterlineError: ``payload-unstorable``, for a body of more than 256 KB.
    """
    if any(len(post.body) > BODY_BYTES for post in posts):
        raise CotterlineError("payload-unstorable", f"a post has at most {BODY_BYTES} bytes")
    if not posts:
        return
    off = await _disabled(tx)
    rows = [
        msgspec.structs.asdict(post)
        | ownership(tx.tenant)
        | {"state": "held" if (post.receiver_kind, post.receiver_name) in off else "waiting"}
        | {"due_at": post.created_at, "attempts": 0, "round_began_after": 0}
        for post in posts
    ]
    await tx.execute_for_each(insert(deliveries), rows)
    await tx.announce(CHANNEL)


async def get(tx: ReadTransaction, delivery_id: UUID) -> DeliveryRow | None:
    """Return the tenant's delivery with this id, if there is one."""
    rows = await tx.rows(select(*_COLUMNS).where(_this(tx, delivery_id)))
    return DeliveryRow(**rows[0]) if rows else None


async def body(tx: ReadTransaction, delivery_id: UUID) -> bytes | None:
    """Return what the tenant's delivery with this id posts, if there is one."""
    rows = await tx.rows(select(deliveries.c.body).where(_this(tx, delivery_id)))
    return bytes(rows[0]["body"]) if rows else None


async def attempts(tx: ReadTransaction, delivery_id: UUID) -> Sequence[Attempt]:
    """Return what came of each try of the tenant's delivery, the first before the others."""
    mine = and_(owned(delivery_attempts, tx.tenant), delivery_attempts.c.delivery_id == delivery_id)
    rows = await tx.rows(select(*_ATTEMPT).where(mine).order_by(delivery_attempts.c.number))
    return [Attempt(**row) for row in rows]


async def page(tx: ReadTransaction, search: DeliverySearch, after: Cursor | None, limit: int) -> DeliveryPage:
    """Return up to ``limit`` of the tenant's deliveries behind ``after``, newest first."""
    wanted = [owned(deliveries, tx.tenant)]
    for name, value in msgspec.structs.asdict(search).items():
        if value is not None:
            wanted.append(deliveries.c[name] == value)
    if after is not None:
        place = tuple_(literal(after.created_at, deliveries.c.created_at.type), literal(after.id, deliveries.c.id.type))
        wanted.append(tuple_(deliveries.c.created_at, deliveries.c.id) < place)
    newest = select(*_COLUMNS).where(*wanted).order_by(deliveries.c.created_at.desc(), deliveries.c.id.desc())
    found = tuple(DeliveryRow(**row) for row in await tx.rows(newest.limit(limit + 1)))
    shown = found[:limit]
    more = len(found) > limit
    return DeliveryPage(shown, Cursor(shown[-1].created_at, shown[-1].id) if more else None)


async def of_subjects(tx: ReadTransaction, subject_ids: Sequence[UUID]) -> Sequence[DeliveryRow]:
    """Return the tenant's deliveries about some orders and events, the oldest first."""
    mine = and_(owned(deliveries, tx.tenant), deliveries.c.subject_id.in_(subject_ids))
    rows = await tx.rows(select(*_COLUMNS).where(mine).order_by(deliveries.c.created_at, deliveries.c.id))
    return [DeliveryRow(**row) for row in rows]


async def are_open(tx: ReadTransaction, kind: ReceiverKind, name: str) -> bool:
    """Whether something still waits or is held for the tenant's receiver."""
    mine = and_(_to(tx, kind, name), deliveries.c.state.in_(("waiting", "held")))
    return bool(await tx.rows(select(deliveries.c.id).where(mine).limit(1)))


async def retry(tx: WriteTransaction, delivery_id: UUID, now: datetime) -> DeliveryRow | None:
    """Make the tenant's delivery due now, with the whole schedule of tries ahead of it; return it, if there is one.

    One that failed or was delivered is posted once more under its old message id; one that waits is tried early.

    Raises:
        CotterlineError: ``wrong-state``, where a worker is at it, it was cancelled or erased, or its receiver is off.
    """
    fresh = {"state": "waiting", "due_at": now, "round_began_after": deliveries.c.attempts, "finished_at": None}
    states = deliveries.c.state.in_(("waiting", "failed", "delivered"))
    may = and_(states, _unleased(now), deliveries.c.erased_at.is_(None))
    rows = await tx.rows(update(deliveries).where(_this(tx, delivery_id), may).values(fresh).returning(*_COLUMNS))
    if rows:
        await tx.announce(CHANNEL)
        return DeliveryRow(**rows[0])
    found = await get(tx, delivery_id)
    if found is None:
        return None
    if found.erased_at is not None:
        raise CotterlineError("wrong-state", "What it carried held a customer's words and was erased.")
    words = {"held": "its receiver is disabled", "cancelled": "it was cancelled"}
    raise CotterlineError("wrong-state", f"Not now: {words.get(found.state, 'it is being posted at this moment')}.")


async def withdraw(tx: WriteTransaction, order_id: UUID, now: datetime) -> bool:
    """Cancel the post of an order that no worker has set about yet; tell whether that was so.

    Once one has, the supplier may have the order whatever was heard of it, and must be told of the cancellation.
    """
    untouched = and_(deliveries.c.state.in_(("waiting", "held")), deliveries.c.attempts == 0)
    this = and_(owned(deliveries, tx.tenant), deliveries.c.subject_id == order_id, deliveries.c.kind == "order")
    return await tx.execute(update(deliveries).where(this, untouched).values(state="cancelled", finished_at=now)) > 0


async def hold(tx: WriteTransaction, kind: ReceiverKind, name: str) -> None:
    """Let what waits for the tenant's receiver wait until it is enabled; what a worker is at, the worker sees to."""
    await tx.execute(update(deliveries).where(_idle(tx, kind, name, "waiting")).values(state="held"))


async def release(tx: WriteTransaction, kind: ReceiverKind, name: str, now: datetime) -> None:
    """Make what was held for the tenant's receiver due now, with the whole schedule of tries ahead of it."""
    fresh = {"state": "waiting", "due_at": now, "round_began_after": deliveries.c.attempts}
    await tx.execute(update(deliveries).where(_to(tx, kind, name), deliveries.c.state == "held").values(fresh))
    await tx.announce(CHANNEL)


async def cancel_all(tx: WriteTransaction, kind: ReceiverKind, name: str, now: datetime) -> None:
    """Cancel what waits or is held for the tenant's receiver, which is going away; the worker sees to what it is at."""
    done = {"state": "cancelled", "finished_at": now}
    await tx.execute(update(deliveries).where(_idle(tx, kind, name, "waiting", "held")).values(done))


async def _disabled(tx: WriteTransaction) -> set[tuple[str, str]]:
    """The tenant's receivers that are disabled, and stay so until this transaction ends.

    Who enables one releases all that is held for it by then, and must not come in between.
    """
    off = and_(owned(receivers, tx.tenant), receivers.c.disabled_at.is_not(None))
    found = select(receivers.c.kind, receivers.c.name).where(off).with_for_update(read=True)
    return {(row["kind"], row["name"]) for row in await tx.rows(found)}


def _idle(tx: ReadTransaction, kind: ReceiverKind, name: str, *states: DeliveryState) -> ColumnElement[bool]:
    """What is to go to a receiver and no worker is at, nor about to report on."""
    mine = select(deliveries.c.id).where(_to(tx, kind, name), deliveries.c.state.in_(states))
    free = mine.where(deliveries.c.lease.is_(None)).with_for_update(skip_locked=True).cte("free")
    return deliveries.c.id.in_(select(free.c.id))


def _unleased(now: datetime) -> ColumnElement[bool]:
    return or_(deliveries.c.lease.is_(None), deliveries.c.leased_until <= now)


def _this(tx: ReadTransaction, delivery_id: UUID) -> ColumnElement[bool]:
    return and_(owned(deliveries, tx.tenant), deliveries.c.id == delivery_id)


def _to(tx: ReadTransaction, kind: ReceiverKind, name: str) -> ColumnElement[bool]:
    named = and_(deliveries.c.receiver_kind == kind, deliveries.c.receiver_name == name)
    return and_(owned(deliveries, tx.tenant), named)
