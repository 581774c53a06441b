"""Replies: what suppliers said about orders, each message of an order's kept once, as it was said."""

from collections.abc import Sequence
from datetime import datetime
from uuid import UUID

import msgspec
from sqlalchemy import func, select
from sqlalchemy.dialects.postgresql import insert as insert_into

from cotterline.bench.replies import HeardReply, Reply, ReplySource
from cotterline.store.database import ReadTransaction, WriteTransaction
from cotterline.store.tables import order_replies
from cotterline.store.tenancy import owned, ownership


class ReplyRow(msgspec.Struct, frozen=True, kw_only=True):
    """One reply.

    Attributes:
        id: version 7 of RFC 9562.
        order_id: of the order it is about.
        message_id: what names it among the order's replies.
        source: how it came.
        received_at: when.
        actor: id of the key of who entered it, or the supplier's name.
        content: what it says, as JSON.
    """

    id: UUID
    order_id: UUID
    message_id: str
    source: ReplySource
    received_at: datetime
    actor: str
    content: bytes

    @property
    def heard(self) -> HeardReply:
        """The reply as it is weighed."""
        return HeardReply(message_id=self.message_id, reply=msgspec.json.decode(self.content, type=Reply))


_COLUMNS = tuple(order_replies.c[name] for name in ReplyRow.__struct_fields__)


async def keep(tx: WriteTransaction, reply: ReplyRow) -> bool:
    """Keep a reply about the tenant's order, unless that message was kept before; tell whether it was new."""
    row = msgspec.structs.asdict(reply) | ownership(tx.tenant)
    return await tx.execute(insert_into(order_replies).values(row).on_conflict_do_nothing()) == 1


async def every(tx: ReadTransaction, order_id: UUID) -> Sequence[ReplyRow]:
    """Return everything that was said about the tenant's order, in the order it arrived."""
    mine = select(*_COLUMNS).where(owned(order_replies, tx.tenant), order_replies.c.order_id == order_id)
    return [ReplyRow(**row) for row in await tx.rows(mine.order_by(order_replies.c.received_at, order_replies.c.id))]


async def count(tx: ReadTransaction, order_id: UUID) -> int:
    """Return how many replies about the tenant's order there are."""
    mine = (owned(order_replies, tx.tenant), order_replies.c.order_id == order_id)
    (row,) = await tx.rows(select(func.count().label("replies")).select_from(order_replies).where(*mine))
    return int(row["replies"])
