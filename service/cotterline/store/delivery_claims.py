"""The outbox as its workers see it: claimed for a while by the service itself, reported on as the shop's.

A claim is a lease with a token. Who reports shows the token: once a lease has run out and another worker has claimed
the row, the first one's report changes nothing any more.
"""

from collections.abc import Collection, Mapping, Sequence
from datetime import datetime, timedelta
from typing import Final, Literal
from uuid import UUID

import msgspec
from sqlalchemy import (
    CTE,
    ColumnElement,
    RowMapping,
    and_,
    case,
    exists,
    func,
    literal,
    or_,
    select,
    tuple_,
    update,
)
from sqlalchemy.dialects.postgresql import insert

from cotterline.store.database import ReadTransaction, WriteTransaction
from cotterline.store.deliveries import Attempt, DeliveryKind
from cotterline.store.receivers import ReceiverKind
from cotterline.store.tables import deliveries, delivery_attempts
from cotterline.store.tenancy import Tenant, owned, ownership

AT_ONCE: Final = 4
"""Most posts under way to one receiver, so that one which hangs holds up nobody else's."""


class Lease(msgspec.Struct, frozen=True, kw_only=True):
    """A worker's hold on what it claims.

    Attributes:
        token: one nobody has used before.
        now: what is due by then is claimed.
        until: when it ends by itself.
    """

    token: UUID
    now: datetime
    until: datetime


class Claimed(msgspec.Struct, frozen=True, kw_only=True):
    """A delivery that a worker may post until its lease runs out.

    Attributes:
        id: of the delivery.
        tenant: whose it is.
        receiver_kind: whether it goes to a supplier or to a subscription.
        receiver_name: which one.
        kind: what it is.
        subject_id: what it is about.
        message_id: names the message to the receiver.
        attempts: how often it has been claimed, this time included.
        round_began_after: how many of those were before somebody last asked for a fresh try.
        lease: the token of this claim.
        content_type: of the body.
        body: what is posted, byte for byte.
    """

    id: UUID
    tenant: Tenant
    receiver_kind: ReceiverKind
    receiver_name: str
    kind: DeliveryKind
    subject_id: UUID
    message_id: str
    attempts: int
    round_began_after: int
    lease: UUID
    content_type: str
    body: bytes


class Lag(msgspec.Struct, frozen=True, kw_only=True):
    """How far the workers lie behind.

    Attributes:
        count: how much is due and not being posted.
        oldest: since when the oldest of it is due.
    """

    count: int
    oldest: datetime | None


_COLUMNS = tuple(deliveries.c[name] for name in Claimed.__struct_fields__ if name != "tenant")


async def claim(tx: WriteTransaction, lease: Lease, limit: int, besides: Collection[UUID] = ()) -> Sequence[Claimed]:
    """Claim what has been due the longest, whosesoever it is; only the service itself may.

    Two that claim at once get different rows. An attempt is counted here: one whose worker dies was one nevertheless.

    Args:
        tx: the service's own.
        lease: the hold on every row claimed.
        limit: most rows.
        besides: deliveries left alone: those this worker is still at although their lease ran out.
    """
    first = _first(lease.now)
    due = (
        select(deliveries.c.id)
        .join(first, first.c.id == deliveries.c.id)
        .where(deliveries.c.id.not_in(besides), *_free(lease.now))
        .order_by(deliveries.c.due_at, deliveries.c.id)
        .limit(limit)
        .with_for_update(of=deliveries, skip_locked=True)
        .cte("due")  # a plain subquery that skips locked rows may run more than once, and then claims more
    )
    claimed = {"lease": lease.token, "leased_until": lease.until, "attempts": deliveries.c.attempts + 1}
    mine = update(deliveries).where(deliveries.c.id.in_(select(due.c.id))).values(claimed)
    rows = await tx.rows(mine.returning(*_COLUMNS, deliveries.c.shop_id, deliveries.c.mode))
    return [_claimed(row) for row in rows]


async def is_held(tx: WriteTransaction, claimed: Claimed) -> bool:
    """Whether the claim still stands; if so nobody else touches the row until this transaction ends."""
    return bool(await tx.rows(select(deliveries.c.id).where(_mine(tx, claimed)).with_for_update()))


async def finish(
    tx: WriteTransaction, claimed: Claimed, state: Literal["delivered", "failed", "cancelled"], at: datetime
) -> bool:
    """End a claimed delivery for good; tell whether the claim still stood."""
    return await _report(tx, claimed, {"state": state, "finished_at": at})


async def reschedule(tx: WriteTransaction, claimed: Claimed, due_at: datetime) -> bool:
    """Have a claimed delivery tried again; tell whether the claim still stood."""
    return await _report(tx, claimed, {"due_at": due_at})


async def hold(tx: WriteTransaction, claimed: Claimed) -> bool:
    """Let a claimed delivery wait until its receiver is enabled; tell whether the claim still stood."""
    return await _report(tx, claimed, {"state": "held"})


async def give_back(tx: WriteTransaction, claimed: Claimed) -> bool:
    """Undo a claim of which nothing was posted; tell whether it still stood."""
    return await _report(tx, claimed, {"attempts": deliveries.c.attempts - 1})


async def note_attempt(tx: WriteTransaction, claimed: Claimed, attempt: Attempt) -> None:
    """Keep what came of a try, once, whatever became of the claim meanwhile: the number is this claim's own."""
    row = msgspec.structs.asdict(attempt) | ownership(tx.tenant) | {"delivery_id": claimed.id}
    own = and_(owned(deliveries, tx.tenant), deliveries.c.id == claimed.id)
    if await tx.rows(select(deliveries.c.id).where(own)):  # which has not become too old to be kept
        await tx.execute(insert(delivery_attempts).values(row).on_conflict_do_nothing())


async def lag(tx: ReadTransaction, now: datetime) -> Lag:
    """Return how far the workers lie behind, over every shop; only the service itself may."""
    counted = select(func.count().label("count"), func.min(deliveries.c.due_at).label("oldest"))
    (row,) = await tx.rows(counted.where(*_free(now), ~_comes_too_early()))
    return Lag(count=row["count"], oldest=row["oldest"])


async def mend(tx: WriteTransaction, now: datetime, longest_wait: timedelta, lease: timedelta) -> int:
    """Bring to now what only a clock that was set back keeps waiting, over every shop; return how much that was.

    First tries are due when they are written, no wait is longer than the longest, and no claim than two leases:
    whatever lies further ahead was reckoned by a clock that has been set back since.
    """
    first = deliveries.c.attempts == deliveries.c.round_began_after
    ahead = or_(and_(first, deliveries.c.due_at > now), deliveries.c.due_at > now + longest_wait)
    endless = deliveries.c.leased_until > now + 2 * lease
    mended = {
        "due_at": case((ahead, literal(now, deliveries.c.due_at.type)), else_=deliveries.c.due_at),
        "leased_until": case((endless, literal(now, deliveries.c.due_at.type)), else_=deliveries.c.leased_until),
    }
    return await tx.execute(
        update(deliveries).where(deliveries.c.state == "waiting", or_(ahead, endless)).values(mended)
    )


async def _report(tx: WriteTransaction, claimed: Claimed, said: Mapping[str, object]) -> bool:
    ended = {"lease": None, "leased_until": None}
    return await tx.execute(update(deliveries).where(_mine(tx, claimed)).values({**said, **ended})) == 1


def _first(now: datetime) -> CTE:
    """What is due to each receiver first, as many as may be under way to it; what is being posted comes before all.

    It is numbered once: where statistics are older than a burst of posts, a plain subquery would be run again for each.
    """
    receiver = [deliveries.c[name] for name in ("shop_id", "mode", "receiver_kind", "receiver_name")]
    under_way = case((deliveries.c.leased_until > now, 0), else_=1)
    order = (under_way, deliveries.c.due_at, deliveries.c.id)
    turn = func.row_number().over(partition_by=receiver, order_by=order).label("turn")
    due = and_(deliveries.c.state == "waiting", deliveries.c.due_at <= now)
    turns = select(deliveries.c.id, turn).where(due, ~_comes_too_early()).subquery()
    return select(turns.c.id).where(turns.c.turn <= AT_ONCE).cte("first").prefix_with("MATERIALIZED")


def _comes_too_early() -> ColumnElement[bool]:
    """Whether this tells of an order that has not been delivered, or follows what has not been tried to the end."""
    before = deliveries.alias("before")
    same = [before.c[name] == deliveries.c[name] for name in ("shop_id", "mode", "subject_id")]
    earlier = tuple_(before.c.created_at, before.c.id) < tuple_(deliveries.c.created_at, deliveries.c.id)
    open_still = before.c.state.in_(("waiting", "held"))
    lost = and_(before.c.state == "failed", before.c.kind == "order")
    return and_(deliveries.c.kind == "order_change", exists().where(*same, earlier, or_(open_still, lost)))


def _free(now: datetime) -> Sequence[ColumnElement[bool]]:
    unleased = or_(deliveries.c.lease.is_(None), deliveries.c.leased_until <= now)
    return deliveries.c.state == "waiting", deliveries.c.due_at <= now, unleased


def _mine(tx: ReadTransaction, claimed: Claimed) -> ColumnElement[bool]:
    held = and_(deliveries.c.lease == claimed.lease, deliveries.c.state == "waiting")
    return and_(owned(deliveries, tx.tenant), deliveries.c.id == claimed.id, held)


def _claimed(row: RowMapping) -> Claimed:
    told = {name: row[name] for name in Claimed.__struct_fields__ if name != "tenant"}
    return Claimed(**told, tenant=Tenant(row["shop_id"], row["mode"]))
