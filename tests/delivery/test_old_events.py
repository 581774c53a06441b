"""Events are kept for as long as the operator says, and removed from the first on, with their posts."""

from datetime import datetime, timedelta

import msgspec
import pytest
from aiohttp import web
from sqlalchemy import select

from cotterline.delivery import sweeps
from cotterline.delivery.old_events import OldEvents
from cotterline.delivery.post import Poster
from cotterline.store import events
from cotterline.store.database import Database
from cotterline.store.tables import deliveries, delivery_attempts
from cotterline.store.tenancy import Tenant
from tests.delivery.outbox import LOOPBACK, NOON, Clock, Heard, at_work, receiving
from tests.delivery.outbox import subscribe as subscribe_to
from tests.shops import Shops
from tests.store.test_events import THING, Wheel, subscribe

pytestmark = pytest.mark.anyio

MONTH = timedelta(days=30)
MINUTE = timedelta(minutes=1)


async def told(database: Database, tenant: Tenant, *at: datetime) -> None:
    """Tell of something at each of these times."""
    async with database.write(tenant) as tx:
        for sequence, each in enumerate(at, 1):
            await events.emit(tx, "quote.changed", "quote", THING, sequence, each, Wheel(36))


async def positions(database: Database, tenant: Tenant) -> list[int]:
    async with database.read(tenant) as tx:
        return [event.position for event in await events.after(tx, 0, 100)]


async def swept(database: Database, after: timedelta) -> int:
    return await OldEvents(database, Clock(NOON + after), MONTH).sweep()


async def test_events_are_kept_to_the_moment_their_time_is_over(database: Database, tenant: Tenant) -> None:
    await told(database, tenant, NOON, NOON + MINUTE, NOON + 2 * MINUTE)
    assert await swept(database, MONTH) == 0
    assert await swept(database, MONTH + MINUTE + MINUTE) == 2
    assert await positions(database, tenant) == [3]
    await told(database, tenant, NOON + MONTH)
    assert await positions(database, tenant) == [3, 4]
    async with database.read(tenant) as tx:
        assert (await events.first_position(tx), await events.last_position(tx)) == (3, 4)


async def test_one_that_a_clock_set_back_made_older_waits_for_those_before_it(
    database: Database, tenant: Tenant
) -> None:
    await told(database, tenant, NOON + MINUTE, NOON - MONTH)
    assert await swept(database, MONTH) == 0
    assert await positions(database, tenant) == [1, 2]


async def test_posts_go_with_their_events_made_or_not(database: Database, tenant: Tenant) -> None:
    async with database.write(tenant) as tx:
        await subscribe(tx, "till")
    await told(database, tenant, NOON, NOON + 2 * MONTH)
    async with database.write(tenant) as tx:
        made = [row["id"] for row in await tx.rows(select(deliveries.c.id))]
        tried = {"number": 1, "started_at": NOON, "ended_at": NOON, "shop_id": tenant.shop, "mode": tenant.mode}
        await tx.execute_for_each(delivery_attempts.insert(), [tried | {"delivery_id": each} for each in made])
    assert len(made) == 2
    assert await swept(database, MONTH + MINUTE) == 1
    async with database.read(tenant) as tx:
        left = await tx.rows(select(deliveries.c.id, deliveries.c.subject_id))
        tries = await tx.rows(select(delivery_attempts.c.delivery_id))
        (event,) = await events.after(tx, 0, 9)
    assert {row["subject_id"] for row in left} == {event.id}
    assert {row["delivery_id"] for row in tries} == {row["id"] for row in left}


async def test_what_a_worker_reports_of_an_event_that_is_gone_is_passed_over(
    database: Database, tenant: Tenant
) -> None:
    async with receiving() as receiver, Poster(LOOPBACK) as poster:

        async def slow(_heard: Heard) -> web.StreamResponse:
            assert await swept(database, MONTH + MINUTE) == 1
            return web.Response(status=202)

        receiver.answers = slow
        await subscribe_to(database, tenant, receiver.endpoint)
        await told(database, tenant, NOON)
        assert await at_work(database, poster, Clock()).run_due() == 1
    assert len(receiver.heard) == 1
    async with database.read(tenant) as tx:
        assert [*await tx.rows(select(deliveries.c.id)), *await tx.rows(select(delivery_attempts.c.number))] == []


async def test_more_than_fit_one_transaction_go_in_several(
    database: Database, tenant: Tenant, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sweeps, "BATCH", 2)
    await told(database, tenant, *(NOON + each * MINUTE for each in range(5)))
    assert await swept(database, 2 * MONTH) == 5
    async with database.read(tenant) as tx:
        assert (await events.first_position(tx), await events.last_position(tx)) == (6, 5)


async def test_every_shop_is_swept_in_either_mode(database: Database, shops_there: Shops) -> None:
    for shop in shops_there:
        await told(database, shop.tenant, NOON)
    assert await swept(database, 2 * MONTH) == 3
    assert msgspec.json.encode([await positions(database, shop.tenant) for shop in shops_there]) == b"[[],[],[]]"
