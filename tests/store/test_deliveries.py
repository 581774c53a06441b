"""The outbox as shops see it: put in with what it tells of, listed, tried again, held, released, withdrawn."""

import asyncio
import contextlib
from datetime import timedelta
from uuid import UUID, uuid4

import pytest

from cotterline.bench.errors import CotterlineError
from cotterline.store import deliveries, delivery_claims, receivers
from cotterline.store.database import Database
from cotterline.store.deliveries import BODY_BYTES, CHANNEL, Delivery, DeliveryRow, DeliverySearch
from cotterline.store.delivery_claims import Claimed, Lease
from cotterline.store.tenancy import SERVICE, Tenant
from tests.delivery.outbox import DEPOT, NOON, enqueue, event, order, row, subscribe
from tests.shops import Shop

pytestmark = pytest.mark.anyio

MINUTE = timedelta(minutes=1)


async def claim(database: Database) -> list[Claimed]:
    async with database.write(SERVICE) as tx:
        return [*await delivery_claims.claim(tx, Lease(token=uuid4(), now=NOON, until=NOON + MINUTE), 100)]


async def finished(database: Database, tenant: Tenant, post: Delivery, state: str) -> None:
    """Bring a post into a state by what brings it there."""
    async with database.write(tenant) as tx:
        if state == "cancelled":
            await deliveries.cancel_all(tx, post.receiver_kind, post.receiver_name, NOON)
        if state == "held":
            await deliveries.hold(tx, post.receiver_kind, post.receiver_name)
    if state in {"delivered", "failed"}:
        (claimed,) = await claim(database)
        async with database.write(tenant) as tx:
            assert await delivery_claims.finish(tx, claimed, "delivered" if state == "delivered" else "failed", NOON)


async def test_a_post_is_read_as_it_was_put_in(database: Database, tenant: Tenant) -> None:
    post = order(uuid4())
    await enqueue(database, tenant, post)
    found = await row(database, tenant, post)
    assert found == DeliveryRow(
        id=post.id,
        receiver_kind="supplier",
        receiver_name=DEPOT,
        kind="order",
        subject_id=post.subject_id,
        message_id=post.message_id,
        state="waiting",
        created_at=NOON,
        due_at=NOON,
        attempts=0,
        round_began_after=0,
        leased_until=None,
        finished_at=None,
        content_type="application/json",
    )
    async with database.read(tenant) as tx:
        assert await deliveries.body(tx, post.id) == post.body


async def test_another_shop_and_the_other_mode_see_and_change_nothing_of_it(
    database: Database, tenant: Tenant, shop_b: Shop, shop_a_test: Shop
) -> None:
    post = order(uuid4())
    await enqueue(database, tenant, post)
    before = await row(database, tenant, post)
    for other in (shop_b, shop_a_test):
        async with database.write(other.tenant) as tx:
            assert await deliveries.get(tx, post.id) is None
            assert await deliveries.body(tx, post.id) is None
            assert await deliveries.retry(tx, post.id, NOON) is None
            assert await deliveries.attempts(tx, post.id) == []
            assert await deliveries.of_subjects(tx, [post.subject_id]) == []
            assert (await deliveries.page(tx, DeliverySearch(), None, 9)).deliveries == ()
            assert not await deliveries.are_open(tx, "supplier", DEPOT)
            assert not await deliveries.withdraw(tx, post.subject_id, NOON)
            await deliveries.hold(tx, "supplier", DEPOT)
            await deliveries.release(tx, "supplier", DEPOT, NOON)
            await deliveries.cancel_all(tx, "supplier", DEPOT, NOON)
    assert await row(database, tenant, post) == before


@pytest.mark.parametrize("size", [BODY_BYTES, BODY_BYTES + 1])
async def test_a_body_has_256_kb_at_most(database: Database, tenant: Tenant, size: int) -> None:
    post = event("till", body=b"x" * size)
    if size == BODY_BYTES:
        await enqueue(database, tenant, post)
        return
    with pytest.raises(CotterlineError) as caught:
        await enqueue(database, tenant, event("till"), post)
    assert caught.value.code == "payload-unstorable"
    async with database.read(tenant) as tx:
        assert (await deliveries.page(tx, DeliverySearch(), None, 9)).deliveries == ()


async def test_what_is_for_a_disabled_receiver_is_held_from_the_start(
    database: Database, tenant: Tenant, shop_b: Shop
) -> None:
    off = await subscribe(database, tenant, "https://till.example/")
    async with database.write(tenant) as tx:
        await receivers.disable(tx, "subscription", off, at=NOON, why="a test")
    held, waits, theirs = event(off), event("another"), event(off)
    await enqueue(database, tenant, held, waits)
    await enqueue(database, shop_b.tenant, theirs)
    assert (await row(database, tenant, held)).state == "held"
    assert (await row(database, tenant, waits)).state == "waiting"
    assert (await row(database, shop_b.tenant, theirs)).state == "waiting"


async def test_what_was_held_is_due_again_with_every_try_ahead_of_it(database: Database, tenant: Tenant) -> None:
    post, other = event("till"), event("another")
    await enqueue(database, tenant, post, other)
    (claimed,) = [one for one in await claim(database) if one.id == post.id]
    async with database.write(tenant) as tx:
        await deliveries.hold(tx, "subscription", "till")
    assert (await row(database, tenant, post)).state == "waiting"  # a worker is at it, and will see to it
    async with database.write(tenant) as tx:
        assert await delivery_claims.hold(tx, claimed)
    assert (await row(database, tenant, post)).state == "held"
    async with database.write(tenant) as tx:
        await deliveries.release(tx, "subscription", "till", NOON + MINUTE)
    again = await row(database, tenant, post)
    assert (again.state, again.due_at, again.attempts, again.round_began_after) == ("waiting", NOON + MINUTE, 1, 1)
    assert (await row(database, tenant, other)).round_began_after == 0


@pytest.mark.parametrize("state", ["waiting", "failed", "delivered"])
async def test_a_fresh_try_is_due_now_under_the_old_id(database: Database, tenant: Tenant, state: str) -> None:
    post = event("till")
    await enqueue(database, tenant, post)
    await finished(database, tenant, post, state)
    before = await row(database, tenant, post)
    async with database.write(tenant) as tx:
        found = await deliveries.retry(tx, post.id, NOON + MINUTE)
    assert found == await row(database, tenant, post)
    assert found is not None
    assert (found.state, found.due_at, found.finished_at) == ("waiting", NOON + MINUTE, None)
    assert found.round_began_after == found.attempts == before.attempts
    assert found.message_id == post.message_id


@pytest.mark.parametrize(
    ("state", "words"), [("held", "its receiver is disabled"), ("cancelled", "cancelled"), ("leased", "at this moment")]
)
async def test_there_is_no_fresh_try_where_none_can_be(
    database: Database, tenant: Tenant, state: str, words: str
) -> None:
    post = event("till")
    await enqueue(database, tenant, post)
    await finished(database, tenant, post, state)
    if state == "leased":
        await claim(database)
    before = await row(database, tenant, post)
    async with database.write(tenant) as tx:
        with pytest.raises(CotterlineError, match=words) as caught:
            await deliveries.retry(tx, post.id, NOON)
    assert caught.value.code == "wrong-state"
    assert await row(database, tenant, post) == before


async def test_a_post_nobody_has_set_about_is_withdrawn_and_any_other_is_not(
    database: Database, tenant: Tenant
) -> None:
    posts = {name: order(uuid4(), name=name) for name in ("fresh", "held", "tried", "under way")}
    change = order(posts["fresh"].subject_id, NOON + MINUTE, "order_change", "fresh")
    await enqueue(database, tenant, posts["tried"], posts["under way"])
    claimed = {one.id: one for one in await claim(database)}
    await enqueue(database, tenant, posts["fresh"], posts["held"], change)
    async with database.write(tenant) as tx:
        await deliveries.hold(tx, "supplier", "held")
        await delivery_claims.reschedule(tx, claimed[posts["tried"].id], NOON)
        done = {name: await deliveries.withdraw(tx, post.subject_id, NOON) for name, post in posts.items()}
    assert done == {"fresh": True, "held": True, "tried": False, "under way": False}
    states = {name: (await row(database, tenant, post)).state for name, post in posts.items()}
    assert states == {"fresh": "cancelled", "held": "cancelled", "tried": "waiting", "under way": "waiting"}
    assert (await row(database, tenant, change)).state == "waiting"


@pytest.mark.parametrize(
    ("state", "is_open"), [("waiting", True), ("held", True), ("delivered", False), ("failed", False)]
)
async def test_what_waits_or_is_held_is_open(database: Database, tenant: Tenant, state: str, *, is_open: bool) -> None:
    post = event("till")
    await enqueue(database, tenant, post)
    await finished(database, tenant, post, state)
    async with database.read(tenant) as tx:
        assert await deliveries.are_open(tx, "subscription", "till") is is_open
        assert not await deliveries.are_open(tx, "supplier", "till")


async def test_all_is_cancelled_but_what_a_worker_is_at(database: Database, tenant: Tenant) -> None:
    at_it, waits, held, other = event("till"), event("till"), event("till"), event("another")
    await enqueue(database, tenant, at_it)
    (claimed,) = await claim(database)
    await enqueue(database, tenant, held)
    async with database.write(tenant) as tx:
        await deliveries.hold(tx, "subscription", "till")
    await enqueue(database, tenant, waits, other)
    async with database.write(tenant) as tx:
        await deliveries.cancel_all(tx, "subscription", "till", NOON)
    states = [(await row(database, tenant, post)).state for post in (at_it, waits, held, other)]
    assert states == ["waiting", "cancelled", "cancelled", "waiting"]
    async with database.write(tenant) as tx:
        assert await delivery_claims.finish(tx, claimed, "delivered", NOON)


async def test_what_is_put_in_while_its_receiver_is_enabled_is_not_left_behind(
    database: Database, tenant: Tenant
) -> None:
    name = await subscribe(database, tenant, "https://till.example/")
    async with database.write(tenant) as tx:
        await receivers.disable(tx, "subscription", name, at=NOON, why="a test")
    post = event(name)
    put_in = asyncio.Event()

    async def put() -> None:
        async with database.write(tenant) as tx:
            await deliveries.enqueue(tx, post)
            put_in.set()
            await asyncio.sleep(0.2)

    async def enable() -> None:
        await put_in.wait()
        async with database.write(tenant) as tx:
            assert await receivers.enable(tx, "subscription", name)
            await deliveries.release(tx, "subscription", name, NOON)

    await asyncio.gather(put(), enable())
    assert (await row(database, tenant, post)).state == "waiting"


async def test_a_list_is_searched_and_paged_newest_first(database: Database, tenant: Tenant) -> None:
    posts = [event(f"till {n % 2}", NOON + n * MINUTE) for n in range(7)]
    one = order(uuid4(), NOON - MINUTE)
    await enqueue(database, tenant, one, *posts)

    async def listed(**search: object) -> list[UUID]:
        seen: list[UUID] = []
        after = None
        async with database.read(tenant) as tx:
            while True:
                page = await deliveries.page(tx, DeliverySearch(**search), after, 2)  # type: ignore[arg-type] # any
                seen += [found.id for found in page.deliveries]
                after = page.following
                if after is None:
                    return seen

    newest = [post.id for post in reversed(posts)]
    assert await listed() == [*newest, one.id]
    assert await listed(receiver_kind="supplier") == [one.id]
    assert await listed(receiver_name="till 1") == [post.id for post in reversed(posts) if "1" in post.receiver_name]
    assert await listed(subject_id=posts[3].subject_id) == [posts[3].id]
    assert await listed(state="held") == []
    async with database.read(tenant) as tx:
        assert [found.id for found in await deliveries.of_subjects(tx, [one.subject_id])] == [one.id]


async def test_a_commit_is_announced_and_an_undone_change_is_not(database: Database, tenant: Tenant) -> None:
    heard = database.heard(CHANNEL)
    with contextlib.suppress(ZeroDivisionError):
        async with database.write(tenant) as tx:
            await deliveries.enqueue(tx, event("till"))
            assert not heard.is_set()
            raise ZeroDivisionError
    assert not heard.is_set()
    async with database.write(tenant) as tx:
        await deliveries.enqueue(tx)
    assert not heard.is_set()
    await enqueue(database, tenant, event("till"))
    assert heard.is_set()
