"""What is heard of an order settles it one after the other, each message once, and what was sent stays sent."""

import asyncio
from datetime import timedelta
from uuid import UUID

import pytest
from uuid_utils.compat import uuid7

from cotterline.bench.errors import CotterlineError
from cotterline.bench.money import Money
from cotterline.bench.replies import (
    Accepted,
    Dispatched,
    HeardReply,
    OrderStanding,
    PriceChanged,
    Rejected,
    Reply,
    Statement,
)
from cotterline.bench.suppliers import Supplier
from cotterline.delivery import inbound
from cotterline.store import deliveries, events, order_decisions, order_replies
from cotterline.store.database import Database
from cotterline.store.deliveries import DeliverySearch
from cotterline.store.orders import Outcome
from cotterline.store.tenancy import Tenant
from tests.delivery.outbox import DEPOT, NOON, order_row, place, supply, told
from tests.shops import Shop

pytestmark = pytest.mark.anyio


def heard(message_id: str, *says: Statement, minutes: int = 0) -> HeardReply:
    return HeardReply(message_id=message_id, reply=Reply(at=NOON + timedelta(minutes=minutes), says=says))


async def hear(database: Database, tenant: Tenant, order_id: UUID, *replies: HeardReply) -> None:
    for reply in replies:
        async with database.write(tenant) as tx:
            await inbound.receive(tx, order_id, reply, "callback", DEPOT, NOON)


async def note(database: Database, tenant: Tenant, order_id: UUID, outcome: Outcome) -> None:
    async with database.write(tenant) as tx:
        await inbound.note_outcome(tx, order_id, outcome, NOON)


async def test_replies_that_come_at_once_are_all_heard(database: Database, tenant: Tenant) -> None:
    order_id = await place(database, tenant)
    lines = [line.line for line in (await standing(database, tenant, order_id)).lines]
    replies = [heard(f"m{line}", Accepted(lines=(line,)), minutes=line) for line in lines]
    more = [heard(f"d{line}", Dispatched(lines=(line,)), minutes=60 + line) for line in lines]
    await asyncio.gather(*(hear(database, tenant, order_id, reply) for reply in (*replies, *more, *replies)))
    row = await order_row(database, tenant, order_id)
    assert row.state == "dispatched"
    assert row.version == 1 + len(replies) + len(more)
    async with database.read(tenant) as tx:
        assert await order_replies.count(tx, order_id) == len(replies) + len(more)
        sequences = [event.sequence for event in await events.after(tx, 0, 100)]
    assert sequences == [*range(2, row.version + 1)]


async def standing(database: Database, tenant: Tenant, order_id: UUID) -> OrderStanding:
    return inbound.standing_of(await order_row(database, tenant, order_id))


async def test_what_was_sent_once_stays_sent_though_another_try_failed(database: Database, tenant: Tenant) -> None:
    order_id = await place(database, tenant)
    for outcome in ("undelivered", "undelivered", "sent", "undelivered"):
        await note(database, tenant, order_id, outcome)
    row = await order_row(database, tenant, order_id)
    assert (row.outcome, row.state, row.version) == ("sent", "sent", 3)
    assert await told(database, tenant) == ["order.undelivered", "order.sent"]


async def test_a_reply_heard_before_the_post_was_noted_is_not_lost(database: Database, tenant: Tenant) -> None:
    order_id = await place(database, tenant)
    await hear(database, tenant, order_id, heard("m1", Accepted()))
    await note(database, tenant, order_id, "sent")
    row = await order_row(database, tenant, order_id)
    assert (row.outcome, row.state) == ("sent", "accepted")


async def test_a_message_heard_again_changes_and_tells_nothing(database: Database, tenant: Tenant) -> None:
    order_id = await place(database, tenant)
    await hear(database, tenant, order_id, heard("m1", Accepted()), heard("m1", Rejected()))
    row = await order_row(database, tenant, order_id)
    assert (row.state, row.version) == ("accepted", 2)
    assert await told(database, tenant) == ["order.replied"]


async def test_a_rule_decides_only_where_the_supplier_can_be_told(database: Database, tenant: Tenant) -> None:
    dearer = PriceChanged(lines=(1,), unit_price=Money(amount="0.01", currency="EUR"))
    alone, known = await place(database, tenant), await place(database, tenant)
    await hear(database, tenant, alone, heard("m1", dearer))
    assert (await order_row(database, tenant, alone)).open_questions == 1
    await supply(database, tenant, Supplier(endpoint="https://depot.example/orders"))
    await hear(database, tenant, known, heard("m1", dearer))
    row = await order_row(database, tenant, known)
    assert (row.open_questions, row.version) == (0, 3)
    async with database.read(tenant) as tx:
        (kept,) = await order_decisions.every(tx, known)
        (post,) = (await deliveries.page(tx, DeliverySearch(subject_id=known), None, 10)).deliveries
    assert (kept.decision.by, kept.decision.taken, kept.decision.about) == ("rule", True, "price")
    assert (post.kind, post.receiver_name, post.message_id) == ("order_change", DEPOT, f"msg_{post.id.hex}")


async def test_of_an_order_that_is_not_there_nothing_is_heard(database: Database, tenant: Tenant, shop_b: Shop) -> None:
    theirs = await place(database, shop_b.tenant)
    for order_id in (uuid7(), theirs):
        with pytest.raises(CotterlineError, match="No order") as refused:
            await hear(database, tenant, order_id, heard("m1", Accepted()))
        assert refused.value.code == "not-found"
    assert (await order_row(database, shop_b.tenant, theirs)).version == 1
