"""Claims on the outbox: each row to one worker at a time, in fair turns, and nothing changed by who comes too late."""

import asyncio
from collections.abc import Collection, Sequence
from datetime import datetime, timedelta
from uuid import UUID, uuid4

import pytest
from sqlalchemy import update

from cotterline.store import deliveries, delivery_claims
from cotterline.store.database import Database
from cotterline.store.deliveries import Attempt
from cotterline.store.delivery_claims import AT_ONCE, Claimed, Lag, Lease
from cotterline.store.tables import deliveries as table
from cotterline.store.tenancy import SERVICE, Tenant
from tests.delivery.outbox import NOON, attempts, enqueue, event, order, row
from tests.shops import Shop

pytestmark = pytest.mark.anyio

MINUTE = timedelta(minutes=1)
LONGEST = timedelta(hours=48)


async def claim(
    database: Database, now: datetime = NOON, limit: int = 100, besides: Collection[UUID] = ()
) -> Sequence[Claimed]:
    async with database.write(SERVICE) as tx:
        return await delivery_claims.claim(tx, Lease(token=uuid4(), now=now, until=now + MINUTE), limit, besides)


async def lag(database: Database, now: datetime = NOON) -> Lag:
    async with database.read(SERVICE) as tx:
        return await delivery_claims.lag(tx, now)


async def mend(database: Database, now: datetime) -> int:
    async with database.write(SERVICE) as tx:
        return await delivery_claims.mend(tx, now, LONGEST, MINUTE)


async def finish(database: Database, claimed: Claimed) -> bool:
    async with database.write(claimed.tenant) as tx:
        return await delivery_claims.finish(tx, claimed, "delivered", NOON)


async def test_what_is_due_is_claimed_with_all_that_is_posted(database: Database, tenant: Tenant) -> None:
    post = event("till")
    await enqueue(database, tenant, post)
    (claimed,) = await claim(database)
    for name in ("id", "receiver_kind", "receiver_name", "kind", "subject_id", "message_id", "content_type", "body"):
        assert getattr(claimed, name) == getattr(post, name)
    assert (claimed.tenant, claimed.attempts, claimed.round_began_after) == (tenant, 1, 0)


async def test_what_is_claimed_is_not_claimed_again_until_its_lease_runs_out(
    database: Database, tenant: Tenant
) -> None:
    await enqueue(database, tenant, event("till"))
    (first,) = await claim(database)
    assert await claim(database, NOON + MINUTE - timedelta(microseconds=1)) == []
    (second,) = await claim(database, NOON + MINUTE)
    assert (second.id, second.attempts) == (first.id, 2)
    assert second.lease != first.lease


async def test_what_is_not_due_is_left_alone(database: Database, tenant: Tenant) -> None:
    await enqueue(database, tenant, event("till", NOON + MINUTE))
    assert await claim(database) == []
    assert len(await claim(database, NOON + MINUTE)) == 1


async def test_the_oldest_is_claimed_first_over_every_shop(
    database: Database, tenant: Tenant, shop_b: Shop, shop_a_test: Shop
) -> None:
    posts = [event("till", NOON - n * MINUTE) for n in range(6)]
    for number, post in enumerate(posts):
        await enqueue(database, (tenant, shop_b.tenant, shop_a_test.tenant)[number % 3], post)
    found = [(await claim(database, limit=1))[0].id for _ in posts]
    assert found == [post.id for post in reversed(posts)]


async def test_who_comes_late_changes_nothing(database: Database, tenant: Tenant) -> None:
    post = event("till")
    await enqueue(database, tenant, post)
    (late,) = await claim(database)
    (heir,) = await claim(database, NOON + MINUTE)
    async with database.write(tenant) as tx:
        assert not await delivery_claims.is_held(tx, late)
        assert not await delivery_claims.finish(tx, late, "failed", NOON)
        assert not await delivery_claims.reschedule(tx, late, NOON)
        assert not await delivery_claims.hold(tx, late)
        assert not await delivery_claims.give_back(tx, late)
        assert await delivery_claims.is_held(tx, heir)
    assert (await row(database, tenant, post)).attempts == 2
    assert await finish(database, heir)
    assert not await finish(database, heir)
    done = await row(database, tenant, post)
    assert (done.state, done.finished_at, done.leased_until) == ("delivered", NOON, None)
    assert await claim(database, NOON + 10 * MINUTE) == []


async def test_a_claim_given_back_was_no_attempt(database: Database, tenant: Tenant) -> None:
    post = event("till")
    await enqueue(database, tenant, post)
    (claimed,) = await claim(database)
    async with database.write(tenant) as tx:
        assert await delivery_claims.give_back(tx, claimed)
    assert (await row(database, tenant, post)).attempts == 0
    (again,) = await claim(database)
    assert again.attempts == 1


async def test_two_that_claim_at_once_get_different_rows(database: Database, tenant: Tenant) -> None:
    posts = [event(f"till {n}") for n in range(40)]
    await enqueue(database, tenant, *posts)
    claims = await asyncio.gather(*(claim(database, limit=7) for _ in range(8)))
    found = [claimed.id for some in claims for claimed in some]
    assert len(found) == len(set(found))
    rest = await claim(database)
    assert sorted([*found, *(claimed.id for claimed in rest)]) == sorted(post.id for post in posts)


async def test_no_receiver_has_more_than_its_share_at_once_and_none_waits_for_another(
    database: Database, tenant: Tenant, shop_b: Shop
) -> None:
    crowd = [event("slow", NOON - n * MINUTE) for n in range(1, 30)]
    await enqueue(database, tenant, *crowd, event("quick"))
    await enqueue(database, shop_b.tenant, event("slow"))
    found = await claim(database)
    assert [claimed.receiver_name for claimed in found].count("slow") == AT_ONCE + 1
    assert [claimed.receiver_name for claimed in found].count("quick") == 1
    assert await claim(database) == []
    assert await finish(database, next(claimed for claimed in found if claimed.tenant == tenant))
    assert len(await claim(database)) == 1


async def test_what_this_worker_is_still_at_is_left_alone(database: Database, tenant: Tenant) -> None:
    posts = [event("till"), event("till")]
    await enqueue(database, tenant, *posts)
    found = await claim(database, besides=[posts[0].id])
    assert [claimed.id for claimed in found] == [posts[1].id]


async def test_a_change_waits_until_its_order_has_been_delivered(database: Database, tenant: Tenant) -> None:
    placed, other = uuid4(), uuid4()
    first, change = order(placed), order(placed, NOON, "order_change")
    unrelated = order(other, NOON, "order_change")
    await enqueue(database, tenant, first, change, unrelated)
    found = {claimed.id: claimed for claimed in await claim(database)}
    assert set(found) == {first.id, unrelated.id}
    async with database.write(tenant) as tx:
        await delivery_claims.finish(tx, found[first.id], "failed", NOON)
    assert await claim(database) == []
    assert await lag(database) == Lag(count=0, oldest=None)
    async with database.write(tenant) as tx:
        await deliveries.retry(tx, first.id, NOON)
    (again,) = await claim(database)
    assert again.id == first.id
    assert await finish(database, again)
    assert [claimed.id for claimed in await claim(database)] == [change.id]


async def test_changes_of_one_order_go_one_after_the_other(database: Database, tenant: Tenant) -> None:
    placed = uuid4()
    changes = [order(placed, NOON - n * MINUTE, "order_change") for n in (3, 2, 1)]
    await enqueue(database, tenant, *changes)
    for change in changes:
        (claimed,) = await claim(database)
        assert claimed.id == change.id
        assert await finish(database, claimed)


async def test_events_of_one_subject_do_not_wait_for_each_other(database: Database, tenant: Tenant) -> None:
    told = event("till")
    await enqueue(database, tenant, told, event("till"))
    assert len(await claim(database)) == 2


async def test_the_lag_counts_what_is_due_and_nobody_is_at(database: Database, tenant: Tenant) -> None:
    assert await lag(database) == Lag(count=0, oldest=None)
    await enqueue(database, tenant, event("a", NOON - MINUTE), event("b"), event("c", NOON + MINUTE))
    assert await lag(database) == Lag(count=2, oldest=NOON - MINUTE)
    await claim(database, limit=1)
    assert await lag(database) == Lag(count=1, oldest=NOON)


async def test_an_attempt_is_kept_once_under_the_number_of_its_claim(database: Database, tenant: Tenant) -> None:
    post = event("till")
    await enqueue(database, tenant, post)
    (first,) = await claim(database)
    (second,) = await claim(database, NOON + MINUTE)
    for claimed, answer in ((first, b"late"), (second, b"in time"), (second, b"twice")):
        tried = Attempt(
            number=claimed.attempts, started_at=NOON, ended_at=NOON, status=200, trouble=None, answer=answer
        )
        async with database.write(tenant) as tx:
            await delivery_claims.note_attempt(tx, claimed, tried)
    kept = await attempts(database, tenant, post)
    assert [(one.number, one.answer) for one in kept] == [(1, b"late"), (2, b"in time")]


async def test_a_clock_set_back_keeps_nothing_waiting(database: Database, tenant: Tenant) -> None:
    fresh, tried, leased, asked = (event(name) for name in "abcd")
    await enqueue(database, tenant, fresh, tried, leased, asked)
    claimed = {one.id: one for one in await claim(database)}
    async with database.write(tenant) as tx:
        await delivery_claims.give_back(tx, claimed[fresh.id])
        await delivery_claims.reschedule(tx, claimed[tried.id], NOON + timedelta(hours=24))
        await delivery_claims.reschedule(tx, claimed[asked.id], NOON + timedelta(seconds=5))
        await deliveries.retry(tx, asked.id, NOON)
    back = NOON - timedelta(days=30)
    assert await claim(database, back) == []
    assert await mend(database, back) == 4
    found = await claim(database, back)
    assert sorted(one.id for one in found) == sorted([fresh.id, tried.id, leased.id, asked.id])


async def test_a_first_try_waits_for_no_clock_however_little_it_was_set_back(
    database: Database, tenant: Tenant
) -> None:
    fresh, tried = event("a"), event("b")
    await enqueue(database, tenant, tried)
    (claimed,) = await claim(database)
    async with database.write(tenant) as tx:
        await delivery_claims.reschedule(tx, claimed, NOON + MINUTE)
    await enqueue(database, tenant, fresh)
    back = NOON - timedelta(seconds=1)
    assert await claim(database, back) == []
    assert await mend(database, back) == 1
    assert [one.id for one in await claim(database, back)] == [fresh.id]
    assert (await row(database, tenant, tried)).due_at == NOON + MINUTE


async def test_mending_leaves_alone_what_a_right_clock_made(database: Database, tenant: Tenant) -> None:
    fresh, tried, leased = (event(name) for name in "abc")
    await enqueue(database, tenant, fresh, tried, leased)
    claimed = {one.id: one for one in await claim(database)}
    async with database.write(tenant) as tx:
        await delivery_claims.give_back(tx, claimed[fresh.id])
        await delivery_claims.reschedule(tx, claimed[tried.id], NOON + LONGEST)
    before = [await row(database, tenant, post) for post in (fresh, tried, leased)]
    assert await mend(database, NOON) == 0
    assert [await row(database, tenant, post) for post in (fresh, tried, leased)] == before


async def test_ten_thousand_waiting_rows_are_claimed_from_in_a_blink(database: Database, tenant: Tenant) -> None:
    posts = [event(f"till {n % 50}", NOON - n * MINUTE) for n in range(10_000)]
    await enqueue(database, tenant, *posts)
    loop = asyncio.get_running_loop()
    began = loop.time()
    assert len(await claim(database, limit=16)) == 16
    assert loop.time() - began < 2  # 0.05 s on an idle machine; a plan that compares each with each takes minutes


async def test_a_tenant_claims_nothing(database: Database, tenant: Tenant, shop_b: Shop) -> None:
    post = event("till")
    await enqueue(database, tenant, post)
    (claimed,) = await claim(database)
    async with database.write(shop_b.tenant) as tx:
        assert not await delivery_claims.is_held(tx, claimed)
        assert not await delivery_claims.finish(tx, claimed, "delivered", NOON)
        assert await tx.execute(update(table).where(table.c.shop_id == shop_b.tenant.shop).values(attempts=9)) == 0
    assert (await row(database, tenant, post)).state == "waiting"
