"""Events: what happened to a shop's quotes and orders, in an order without gaps, and put out to whoever subscribed.

An event is written in the transaction of what it tells of. Its position is taken from a counter whose row stays locked
until that transaction ends, so that whoever has read up to a position has missed nothing before it.
"""

from collections.abc import Collection, Sequence
from datetime import datetime
from itertools import takewhile
from uuid import UUID

import msgspec
from sqlalchemy import and_, delete, literal, select
from sqlalchemy import insert as insert_into
from sqlalchemy.dialects.postgresql import insert
from uuid_utils.compat import uuid7

from cotterline.bench.events import RESOURCE_KINDS, EventType, ResourceKind
from cotterline.store.database import ReadTransaction, WriteTransaction
from cotterline.store.deliveries import Delivery, enqueue
from cotterline.store.receivers import live_subscriptions, subscription_of
from cotterline.store.tables import deliveries, delivery_attempts, event_counters, events
from cotterline.store.tenancy import owned, ownership

CONTENT_TYPE = "application/json"


class EventRow(msgspec.Struct, frozen=True, kw_only=True):
    """One event as it is kept.

    Attributes:
        position: counts the tenant's events from 1, without a gap.
        id: version 7 of RFC 9562.
        type: what happened.
        resource_kind: to what kind of thing.
        resource_id: to which one.
        sequence: version of that thing since; greater is later.
        at: when.
        body: what every subscriber is sent, byte for byte.
    """

    position: int
    id: UUID
    type: EventType
    resource_kind: ResourceKind
    resource_id: str
    sequence: int
    at: datetime
    body: bytes

    @property
    def message_id(self) -> str:
        """What names the event to receivers, at every try and every replay.

        >>> event_message_id(UUID(int=7))
        'evt_00000000000000000000000000000007'
        """
        return event_message_id(self.id)


class _Body(msgspec.Struct, frozen=True, kw_only=True):
    """What is sent."""

    type: EventType
    id: str
    timestamp: datetime
    position: int
    sequence: int
    data: msgspec.Struct


_COLUMNS = tuple(events.c[name] for name in EventRow.__struct_fields__)


def event_message_id(event_id: UUID) -> str:
    """What names an event to receivers."""
    return f"evt_{event_id.hex}"


async def emit(  # noqa: PLR0913, PLR0917 - what an event is made of, told once in the place that knows it
    tx: WriteTransaction,
    type: EventType,  # noqa: A002 - its name on the wire
    resource_kind: ResourceKind,
    resource_id: UUID | str,
    sequence: int,
    at: datetime,
    data: msgspec.Struct,
    *,
    to: Collection[str] | None = None,
) -> EventRow:
    """Keep what happened and put it out to every subscription that is on and wants it; call it once per change.

    Args:
        tx: the transaction of the change itself, of the tenant it belongs to.
        type: what happened.
        resource_kind: to what kind of thing.
        resource_id: to which one; a supplier by its name.
        sequence: version of that thing after the change.
        at: when it happened.
        data: everything there is to know about the thing after the change, as it is shown; never a secret.
        to: names of the subscriptions it goes to instead, wanted or not.
    """
    event_id = uuid7()
    position = await _next_position(tx)
    body = _Body(
        type=type, id=event_message_id(event_id), timestamp=at, position=position, sequence=sequence, data=data
    )
    event = EventRow(
        position=position,
        id=event_id,
        type=type,
        resource_kind=resource_kind,
        resource_id=str(resource_id),
        sequence=sequence,
        at=at,
        body=msgspec.json.encode(body),
    )
    await tx.execute(insert_into(events).values(msgspec.structs.asdict(event) | ownership(tx.tenant)))
    await put_out(tx, [event], await _listeners(tx, type) if to is None else to, at)
    return event


async def put_out(tx: WriteTransaction, told: Sequence[EventRow], to: Collection[str], at: datetime) -> int:
    """Put events into the outbox for the subscriptions of these names; return how many posts that makes."""
    posts = [
        Delivery(
            id=uuid7(),
            receiver_kind="subscription",
            receiver_name=name,
            kind="event",
            subject_id=event.id,
            message_id=event.message_id,
            created_at=at,
            content_type=CONTENT_TYPE,
            body=event.body,
        )
        for event in told
        for name in to
    ]
    await enqueue(tx, *posts)
    return len(posts)


async def after(
    tx: ReadTransaction, position: int, limit: int, types: Collection[EventType] = ()
) -> Sequence[EventRow]:
    """Return up to ``limit`` of the tenant's events behind a position, the earliest first; of these types, if any."""
    mine = select(*_COLUMNS).where(owned(events, tx.tenant), events.c.position > position)
    if types:
        mine = mine.where(events.c.type.in_(sorted(types)))
    return [EventRow(**row) for row in await tx.rows(mine.order_by(events.c.position).limit(limit))]


async def about(tx: ReadTransaction, resource_ids: Sequence[UUID]) -> Sequence[EventRow]:
    """Return the tenant's events about some things, whatever their kind, in order."""
    kinds = events.c.resource_kind.in_(RESOURCE_KINDS)
    these = and_(owned(events, tx.tenant), kinds, events.c.resource_id.in_([str(each) for each in resource_ids]))
    rows = await tx.rows(select(*_COLUMNS).where(these).order_by(events.c.position))
    return [EventRow(**row) for row in rows]


async def first_position(tx: ReadTransaction) -> int:
    """Return the position of the tenant's first event that is kept; behind the last one where none is."""
    first = select(events.c.position).where(owned(events, tx.tenant)).order_by(events.c.position).limit(1)
    rows = await tx.rows(first)
    return int(rows[0]["position"]) if rows else await last_position(tx) + 1


async def old(tx: ReadTransaction, before: datetime, limit: int) -> Sequence[int]:
    """Return the positions of up to ``limit`` of the tenant's events from the first on, until one is not that old."""
    firsts = select(events.c.position, events.c.at).where(owned(events, tx.tenant)).order_by(events.c.position)
    found = await tx.rows(firsts.limit(limit))
    return [row["position"] for row in takewhile(lambda row: row["at"] < before, found)]


async def remove(tx: WriteTransaction, positions: Sequence[int]) -> int:
    """Remove events of the tenant's with their posts, made or not; return how many events that were."""
    these = and_(owned(events, tx.tenant), events.c.position.in_(positions))
    event_ids = [row["id"] for row in await tx.rows(select(events.c.id).where(these))]
    posts = and_(owned(deliveries, tx.tenant), deliveries.c.kind == "event", deliveries.c.subject_id.in_(event_ids))
    tries = delivery_attempts.c.delivery_id.in_(select(deliveries.c.id).where(posts).scalar_subquery())
    await tx.execute(delete(delivery_attempts).where(owned(delivery_attempts, tx.tenant), tries))
    await tx.execute(delete(deliveries).where(posts))
    return await tx.execute(delete(events).where(these))


async def get(tx: ReadTransaction, position: int) -> EventRow | None:
    """Return the tenant's event at a position, if there is one."""
    rows = await tx.rows(select(*_COLUMNS).where(owned(events, tx.tenant), events.c.position == position))
    return EventRow(**rows[0]) if rows else None


async def last_position(tx: ReadTransaction) -> int:
    """Return the position of the tenant's last event; 0 where there is none."""
    rows = await tx.rows(select(event_counters.c.last).where(owned(event_counters, tx.tenant)))
    return int(rows[0]["last"]) if rows else 0


async def _next_position(tx: WriteTransaction) -> int:
    """Count one further; whoever else counts for this tenant waits until this transaction ends."""
    first = insert(event_counters).values({"last": 1} | ownership(tx.tenant))
    counted = first.on_conflict_do_update(
        index_elements=["shop_id", "mode"], set_={"last": event_counters.c.last + literal(1)}
    )
    (row,) = await tx.rows(counted.returning(event_counters.c.last))
    return int(row["last"])


async def _listeners(tx: ReadTransaction, event: EventType) -> list[str]:
    """The names of the tenant's subscriptions that are on and want an event of this type."""
    return [each.name for each in await live_subscriptions(tx) if subscription_of(each).wants(event)]
