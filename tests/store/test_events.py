"""Events as they are kept: numbered without a gap, seen in order, and put out to whoever wants them."""

import asyncio
from datetime import UTC, datetime
from uuid import UUID

import msgspec
import pytest
from sqlalchemy import insert, select

from cotterline.bench.events import EventType
from cotterline.bench.subscriptions import Subscription
from cotterline.store import events
from cotterline.store.database import Database, WriteTransaction
from cotterline.store.tables import deliveries, receivers
from cotterline.store.tenancy import Tenant, ownership
from tests.shops import Shop

pytestmark = pytest.mark.anyio

NOON = datetime(2024, 5, 1, 12, tzinfo=UTC)
THING = UUID(int=7)


class Wheel(msgspec.Struct):
    """What happened to something, told in full."""

    spokes: int


async def tell(tx: WriteTransaction, type_: EventType = "quote.created", sequence: int = 1) -> events.EventRow:
    return await events.emit(tx, type_, "quote", THING, sequence, NOON, Wheel(36))


async def subscribe(tx: WriteTransaction, name: str, *types: EventType, disabled: datetime | None = None) -> None:
    content = msgspec.json.encode(Subscription(endpoint="https://till.example/events", types=types))
    row = {
        "kind": "subscription",
        "name": name,
        "version": 1,
        "created_at": NOON,
        "changed_at": NOON,
        "actor": "x",
        "disabled_at": disabled,
        "content": content,
    }
    await tx.execute(insert(receivers).values(row | ownership(tx.tenant)))


async def test_events_are_counted_from_one_for_each_tenant_apart(
    database: Database, shop_a: Shop, shop_b: Shop, shop_a_test: Shop
) -> None:
    for shop in (shop_a, shop_b, shop_a_test):
        async with database.write(shop.tenant) as tx:
            assert await events.last_position(tx) == 0
            assert [(await tell(tx)).position for _ in range(3)] == [1, 2, 3]
            assert await events.last_position(tx) == 3


async def test_a_change_undone_leaves_no_gap(database: Database, tenant: Tenant) -> None:
    async with database.write(tenant) as tx:
        await tell(tx)

    async def fail() -> None:
        async with database.write(tenant) as tx:
            await tell(tx)
            raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        await fail()
    async with database.write(tenant) as tx:
        assert (await tell(tx)).position == 2
        assert [event.position for event in await events.after(tx, 0, 10)] == [1, 2]


async def test_whoever_has_read_up_to_a_position_has_missed_nothing_before_it(
    database: Database, tenant: Tenant
) -> None:
    """Many writers at once, and a reader that always goes on after the last position it saw."""
    total = 40

    async def write() -> None:
        async with database.write(tenant) as tx:
            await tell(tx)
            await asyncio.sleep(0.001)

    writers = [asyncio.create_task(write()) for _ in range(total)]
    seen: list[int] = []
    writing, found = True, 1
    while writing or found:
        writing = not all(task.done() for task in writers)
        async with database.read(tenant) as tx:
            new = [event.position for event in await events.after(tx, seen[-1] if seen else 0, 7)]
        seen, found = seen + new, len(new)
    await asyncio.gather(*writers)
    assert seen == list(range(1, total + 1))


async def test_the_body_tells_what_happened_and_everything_about_it(database: Database, tenant: Tenant) -> None:
    async with database.write(tenant) as tx:
        kept = await tell(tx, "quote.issued", sequence=4)
    async with database.read(tenant) as tx:
        assert await events.get(tx, kept.position) == kept
        assert await events.get(tx, kept.position + 1) is None
    assert msgspec.json.decode(kept.body) == {
        "id": f"evt_{kept.id.hex}",
        "type": "quote.issued",
        "timestamp": "2024-05-01T12:00:00Z",
        "position": 1,
        "sequence": 4,
        "data": {"spokes": 36},
    }


async def test_events_are_read_by_type_in_order_of_position(database: Database, tenant: Tenant) -> None:
    async with database.write(tenant) as tx:
        for type_ in ("quote.created", "quote.issued", "quote.created", "quote.closed"):
            await tell(tx, type_)
    async with database.read(tenant) as tx:
        assert [event.position for event in await events.after(tx, 1, 10, ["quote.created", "quote.closed"])] == [3, 4]
        assert [event.position for event in await events.after(tx, 0, 2)] == [1, 2]


async def test_an_event_goes_to_every_subscription_that_is_on_and_wants_it(
    database: Database, shop_a: Shop, shop_b: Shop
) -> None:
    async with database.write(shop_b.tenant) as tx:
        await subscribe(tx, "a stranger's")
    async with database.write(shop_a.tenant) as tx:
        await subscribe(tx, "all")
        await subscribe(tx, "some", "quote.closed", "quote.issued")
        await subscribe(tx, "others", "quote.closed")
        await subscribe(tx, "off", disabled=NOON)
        event = await tell(tx, "quote.issued")
        rows = await tx.rows(select(deliveries))
    assert {row["receiver_name"] for row in rows} == {"all", "some"}
    assert {(row["message_id"], row["body"], row["state"]) for row in rows} == {
        (event.message_id, event.body, "waiting")
    }
    assert {row["shop_id"] for row in rows} == {shop_a.tenant.shop}
