"""Replies: what suppliers said about orders, listed, or entered by who was told."""

from collections.abc import Iterator
from datetime import datetime, timedelta
from typing import Final
from uuid import UUID

import msgspec
from litestar import Response, get, post
from litestar.di import NamedDependency
from litestar.params import JSONBody

from cotterline.api import examples
from cotterline.api.caller import Caller
from cotterline.api.conditions import KEPT
from cotterline.api.kept_answers import Once
from cotterline.api.kept_quote import Stamp
from cotterline.api.operation import Example
from cotterline.api.order_examples import DEARER, NAME, example_row
from cotterline.api.orders import PATH, OrderId, order_links, tag, there
from cotterline.bench.errors import CotterlineError, Fault
from cotterline.bench.quantity import refuse
from cotterline.bench.replies import HeardReply, Reply, ReplySource
from cotterline.delivery import inbound
from cotterline.delivery.order_events import Order, whole
from cotterline.store import order_replies
from cotterline.store.database import Database, ReadTransaction, WriteTransaction
from cotterline.store.order_replies import ReplyRow

MOST: Final = 1000
"""Replies about one order; more come from a program gone wrong."""

_AHEAD: Final = timedelta(days=1)
"""How far a supplier's clock may be ahead: what is dated later would stay the last word."""


class ShownReply(msgspec.Struct, frozen=True, kw_only=True):
    """Something a supplier said.

    Attributes:
        message_id: names it among the order's replies.
        source: by which way it came.
        received_at: when.
        by: id of the key of who entered it, or the supplier's name.
        reply: what it says.
    """

    message_id: str
    source: ReplySource
    received_at: datetime
    by: str
    reply: Reply


class ReplyList(msgspec.Struct, frozen=True, kw_only=True):
    """Everything a supplier said about an order.

    Attributes:
        replies: in the order they arrived, which need not be the order they were said in.
    """

    replies: tuple[ShownReply, ...]


def check_reply(reply: Reply, now: datetime) -> Iterator[Fault]:
    """Yield what is wrong with a reply that its schema cannot say."""
    if reply.at > now + _AHEAD:
        yield Fault("/at", "lies more than a day ahead")


async def hold_to_count(tx: ReadTransaction, order_id: UUID) -> None:
    """Hold that not too much is said about one order.

    Raises:
        CotterlineError: ``wrong-state``.
    """
    if await order_replies.count(tx, order_id) >= MOST:
        raise CotterlineError("wrong-state", f"{MOST} replies about this order are kept already.")


def shown(row: ReplyRow) -> ShownReply:
    """A reply for the wire."""
    return ShownReply(
        message_id=row.message_id,
        source=row.source,
        received_at=row.received_at,
        by=row.actor,
        reply=row.heard.reply,
    )


def _entered(data: Reply) -> Order:
    return whole(example_row("sent", HeardReply(message_id="person.1", reply=data)))


def _list() -> ReplyList:
    arrived = ShownReply(
        message_id=DEARER.message_id, source="callback", received_at=DEARER.reply.at, by=NAME, reply=DEARER.reply
    )
    return ReplyList(replies=(arrived,))


@post(
    PATH + "/replies",
    status_code=201,
    operation_id="enterReply",
    tags=["orders"],
    summary="Enter what a supplier said",
    opt={
        "scope": "order",
        "answer": Order,
        "takes": ["Idempotency-Key"],
        "refusals": (409,),
        "examples": {"later": Example("Told on the telephone", _entered, examples.read("reply"))},
        "headers": ["ETag", "Idempotency-Replayed"],
        "links": order_links("$response.body#/id"),
    },
)
async def create(
    order_id: OrderId,
    data: JSONBody[Reply],
    once: NamedDependency[Once],
    caller: NamedDependency[Caller],
    stamp: NamedDependency[Stamp],
) -> Response[bytes]:
    """Take in what somebody was told, as if the supplier had sent it, and give where the order stands now.

    What the rules decide of it is decided, and the supplier is told.
    """
    refuse([*check_reply(data, stamp.now)])
    heard = HeardReply(message_id=f"person.{stamp.id.hex}", reply=data)

    async def work(tx: WriteTransaction) -> Response[Order]:
        await hold_to_count(tx, order_id)
        await inbound.receive(tx, order_id, heard, "person", caller.key_id, stamp.now)
        row = await there(tx, order_id)
        return Response(whole(row), headers={"ETag": tag(row), **KEPT})

    return await once.answer(work)


@get(
    PATH + "/replies",
    operation_id="listReplies",
    tags=["orders"],
    summary="List what a supplier said",
    opt={"scope": "read", "examples": {"dearer": Example("Another price", _list)}},
)
async def every(order_id: OrderId, caller: NamedDependency[Caller], database: NamedDependency[Database]) -> ReplyList:
    """Give everything that was said about an order, each message once, by whichever way it came."""
    async with database.read(caller.tenant) as tx:
        await there(tx, order_id)
        found = await order_replies.every(tx, order_id)
    return ReplyList(replies=tuple(map(shown, found)))
