"""What comes back about an order: what became of its post, and what its supplier says, by whichever way it says it."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime
from uuid import UUID

import msgspec
from uuid_utils.compat import uuid7

from cotterline.bench.events import EventType
from cotterline.bench.replies import HeardReply, OrderStanding, ReplySource
from cotterline.delivery import order_files
from cotterline.delivery.order_events import tell
from cotterline.delivery.order_files import OrderFile
from cotterline.delivery.order_rules import decided_by_rule, with_reasons
from cotterline.store import order_replies, orders
from cotterline.store.database import WriteTransaction
from cotterline.store.order_replies import ReplyRow
from cotterline.store.orders import OrderRow, Outcome


async def receive(  # noqa: PLR0913, PLR0917 - what is said of what, by whom, how and when
    tx: WriteTransaction, order_id: UUID, heard: HeardReply, source: ReplySource, actor: str, now: datetime
) -> OrderStanding:
    """Take in a reply about the tenant's order, once for each message; decide what the rules decide, and tell.

    Args:
        tx: the transaction in which the reply is taken in.
        order_id: of the order.
        heard: what was said.
        source: by which way it came.
        actor: id of the key of who entered it, or the supplier's name.
        now: when it came.

    Raises:
        CotterlineError: ``not-found``.
    """
    file = await order_files.held(tx, order_id)
    reply = ReplyRow(
        id=uuid7(),
        order_id=order_id,
        message_id=heard.message_id,
        source=source,
        received_at=now,
        actor=actor,
        content=msgspec.json.encode(heard.reply),
    )
    if not await order_replies.keep(tx, reply):
        return standing_of(file.row)
    file = replace(file, replies=(*file.replies, heard))
    happened: list[EventType] = ["order.replied"]
    decided = await decided_by_rule(tx, file, now)
    if decided is not None:
        file = decided
        happened.append("order.decided")
    return standing_of(await settle(tx, file, happened, now))


async def note_outcome(tx: WriteTransaction, order_id: UUID, outcome: Outcome, now: datetime) -> None:
    """Keep what became of the post that carries the tenant's order.

    What was sent once stays sent, though somebody had it posted once more and that failed.
    """
    file = await order_files.held(tx, order_id)
    if file.row.outcome in {outcome, "sent"}:
        return
    happened: EventType = "order.sent" if outcome == "sent" else "order.undelivered"
    await settle(tx, file.with_outcome(outcome), [happened], now)


async def settle(tx: WriteTransaction, file: OrderFile, happened: Sequence[EventType], now: datetime) -> OrderRow:
    """Keep where an order stands now, a version further for each thing that happened, and tell who wants to know.

    Raises:
        RuntimeError: the order was changed without being held.
    """
    stands = await with_reasons(tx, file)
    row = msgspec.structs.replace(
        file.row,
        state=stands.state,
        version=file.row.version + len(happened),
        open_questions=len(stands.questions),
        standing=msgspec.json.encode(stands),
    )
    if not await orders.change(tx, row, file.row.version):
        raise RuntimeError("an order is changed by whoever holds it")
    for version, event in enumerate(happened, file.row.version + 1):
        await tell(tx, event, msgspec.structs.replace(row, version=version), now)
    return row


def standing_of(row: OrderRow) -> OrderStanding:
    """Where an order stands, as it was kept."""
    return msgspec.json.decode(row.standing, type=OrderStanding)
