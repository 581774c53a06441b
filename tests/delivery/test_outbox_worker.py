"""The worker posts what is due, with real receivers on both databases: once, in bounds, and whoever else works."""

import asyncio
import contextlib
from datetime import datetime, timedelta

import pytest
from aiohttp import web

from cotterline.bench.suppliers import Supplier
from cotterline.delivery.outbox_worker import SLOTS, Worker
from cotterline.delivery.outgoing import Unsendable
from cotterline.delivery.post import Post, Poster
from cotterline.delivery.schedule import Outcome, Trouble
from cotterline.store import deliveries, receivers
from cotterline.store.database import Database
from cotterline.store.deliveries import DeliveryKind
from cotterline.store.delivery_claims import AT_ONCE, Claimed
from cotterline.store.tenancy import Tenant
from tests.delivery.outbox import (
    CIPHER,
    DEPOT,
    NOON,
    Clock,
    Heard,
    Receiving,
    answering,
    at_work,
    attempts,
    enqueue,
    event,
    order,
    order_row,
    place,
    receiver,
    receiving,
    row,
    subscribe,
    supply,
)

pytestmark = pytest.mark.anyio


async def test_what_is_due_is_posted_once_and_is_done(
    database: Database, tenant: Tenant, worker: Worker, depot: Receiving
) -> None:
    post = event(await subscribe(database, tenant, depot.endpoint), body=b'{"spokes":36}\n')
    await enqueue(database, tenant, post)
    assert await worker.run_due() == 1
    assert await worker.run_due() == 0
    (heard,) = depot.heard
    assert (heard.message_id, heard.body) == (post.message_id, post.body)
    assert heard.headers["content-type"] == "application/json"
    assert heard.headers["user-agent"].startswith("cotterline/")
    done = await row(database, tenant, post)
    assert (done.state, done.finished_at, done.attempts) == ("delivered", NOON, 1)
    (tried,) = await attempts(database, tenant, post)
    assert (tried.number, tried.status, tried.trouble) == (1, 202, None)


async def test_a_slow_receiver_holds_up_nobody_else(
    database: Database, tenant: Tenant, worker: Worker, depot: Receiving
) -> None:
    let_go = asyncio.Event()

    async def slow(_heard: Heard) -> web.StreamResponse:
        await let_go.wait()
        return web.Response()

    depot.answers = slow
    hung = await subscribe(database, tenant, depot.endpoint)
    async with receiving() as quick:
        well = await subscribe(database, tenant, quick.endpoint)
        await enqueue(database, tenant, *(event(hung, NOON - timedelta(hours=1)) for _ in range(40)))
        await enqueue(database, tenant, *(event(well) for _ in range(40)))
        running = asyncio.create_task(worker.run())
        await quick.until(40)
        assert len(depot.heard) == AT_ONCE
        let_go.set()
        await depot.until(40)
        worker.stop()
        await running
    assert len(set(depot.message_ids)) == 40


async def test_no_more_posts_are_under_way_than_there_are_slots(
    database: Database, tenant: Tenant, worker: Worker, depot: Receiving
) -> None:
    under_way = most = 0
    full = asyncio.Event()

    async def count(_heard: Heard) -> web.StreamResponse:
        nonlocal under_way, most
        under_way += 1
        most = max(most, under_way)
        if under_way >= SLOTS:
            asyncio.get_running_loop().call_later(0.2, full.set)  # time for one too many to come
        await full.wait()
        under_way -= 1
        return web.Response()

    depot.answers = count
    names = [await subscribe(database, tenant, depot.endpoint) for _ in range(8)]
    await enqueue(database, tenant, *(event(name) for name in names for _ in range(5)))
    assert await worker.run_due() == 40
    assert most == SLOTS


async def test_two_workers_that_race_post_each_once(
    database: Database, tenant: Tenant, poster: Poster, depot: Receiving, clock: Clock
) -> None:
    names = [await subscribe(database, tenant, depot.endpoint) for _ in range(20)]
    posts = [event(name) for name in names for _ in range(5)]
    await enqueue(database, tenant, *posts)
    await asyncio.gather(*(at_work(database, poster, clock).run_due() for _ in range(3)))
    assert sorted(depot.message_ids) == sorted(post.message_id for post in posts)


async def test_who_reports_late_overwrites_nothing(
    database: Database, tenant: Tenant, poster: Poster, depot: Receiving, clock: Clock
) -> None:
    await supply(database, tenant, Supplier(endpoint=depot.endpoint))
    post = order(await place(database, tenant))
    await enqueue(database, tenant, post)
    let_go = asyncio.Event()

    async def first_hangs(_heard: Heard) -> web.StreamResponse:
        if len(depot.heard) == 1:
            await let_go.wait()
            return web.Response(status=500)
        return web.Response(status=202)

    depot.answers = first_hangs
    outcomes: list[Outcome] = []

    def count(_kind: DeliveryKind, outcome: Outcome) -> None:
        outcomes.append(outcome)

    late = asyncio.create_task(at_work(database, poster, clock, count=count).run_due())
    await depot.until(1)
    clock.step(seconds=61)
    assert await at_work(database, poster, clock, count=count).run_due() == 1
    let_go.set()
    await late
    done = await row(database, tenant, post)
    assert (done.state, done.attempts) == ("delivered", 2)
    assert depot.message_ids == [post.message_id] * 2
    assert outcomes == ["delivered"]
    assert [tried.status for tried in await attempts(database, tenant, post)] == [500, 202]
    assert (await order_row(database, tenant, post.subject_id)).outcome == "sent"
    assert (await receiver(database, tenant, DEPOT)).failing_since is None


async def test_a_worker_does_not_take_up_again_what_it_is_still_at(
    database: Database, tenant: Tenant, worker: Worker, depot: Receiving, clock: Clock
) -> None:
    name = await subscribe(database, tenant, depot.endpoint)
    await enqueue(database, tenant, event(name))
    let_go = asyncio.Event()

    async def slow(_heard: Heard) -> web.StreamResponse:
        await let_go.wait()
        return web.Response()

    depot.answers = slow
    running = asyncio.create_task(worker.run())
    await depot.until(1)
    clock.step(hours=1)  # its lease has run out by the clock
    await enqueue(database, tenant, event(name, clock.now))
    await depot.until(2)
    let_go.set()
    worker.stop()
    await running
    assert len(set(depot.message_ids)) == len(depot.heard) == 2


async def test_a_clock_set_back_delays_nothing_for_long(
    database: Database, tenant: Tenant, worker: Worker, depot: Receiving, clock: Clock
) -> None:
    name = await subscribe(database, tenant, depot.endpoint)
    before = [event(name) for _ in range(2)]
    await enqueue(database, tenant, *before)
    clock.step(days=-3)
    after = event(name, clock.now)
    await enqueue(database, tenant, after)
    running = asyncio.create_task(worker.run())
    await depot.until(3)
    worker.stop()
    await running
    assert sorted(depot.message_ids) == sorted(post.message_id for post in (*before, after))


async def test_a_clock_set_forth_and_back_again_loses_nothing_and_names_nothing_anew(
    database: Database, tenant: Tenant, worker: Worker, depot: Receiving, clock: Clock
) -> None:
    posts = [event(await subscribe(database, tenant, depot.endpoint)) for _ in range(4)]
    await enqueue(database, tenant, *posts)
    depot.answers = answering(500)
    for days in (0, 9, -9, 30, -31):
        clock.step(days=days)
        await worker.run_due()
    depot.answers = answering(202)
    for post in posts:
        assert (await row(database, tenant, post)).state in {"waiting", "held"}
    async with database.write(tenant) as tx:
        for post in posts:
            await receivers.enable(tx, "subscription", post.receiver_name)
            await deliveries.release(tx, "subscription", post.receiver_name, clock.now)
    for _ in range(9):
        clock.step(hours=30)
        await worker.run_due()
    assert {(await row(database, tenant, post)).state for post in posts} == {"delivered"}
    assert set(depot.message_ids) >= {post.message_id for post in posts}


async def test_told_to_stop_a_worker_finishes_what_is_under_way_and_claims_nothing_more(
    database: Database, tenant: Tenant, worker: Worker, depot: Receiving
) -> None:
    let_go = asyncio.Event()

    async def slow(_heard: Heard) -> web.StreamResponse:
        await let_go.wait()
        return web.Response()

    depot.answers = slow
    first = event(await subscribe(database, tenant, depot.endpoint))
    await enqueue(database, tenant, first)
    running = asyncio.create_task(worker.run())
    await depot.until(1)
    worker.stop()
    second = event(await subscribe(database, tenant, depot.endpoint))
    await enqueue(database, tenant, second)
    await asyncio.sleep(0.1)
    assert not running.done()
    let_go.set()
    await running
    assert depot.message_ids == [first.message_id]
    assert (await row(database, tenant, first)).state == "delivered"
    left = await row(database, tenant, second)
    assert (left.state, left.attempts, left.leased_until) == ("waiting", 0, None)


class ToldToStop(Worker):
    """A worker that is told to stop once it knows what to post, and has not posted it."""

    async def _prepared(self, claimed: Claimed, now: datetime) -> Post | Trouble | Unsendable:
        found = await super()._prepared(claimed, now)
        self.stop()
        return found


async def test_told_to_stop_a_worker_gives_back_what_it_has_not_posted(
    database: Database, tenant: Tenant, poster: Poster, depot: Receiving, clock: Clock
) -> None:
    post = event(await subscribe(database, tenant, depot.endpoint))
    await enqueue(database, tenant, post)
    await ToldToStop(database, CIPHER, poster, clock=clock).run()
    left = await row(database, tenant, post)
    assert (left.state, left.attempts, left.leased_until) == ("waiting", 0, None)
    assert depot.heard == []
    assert await at_work(database, poster, clock).run_due() == 1


async def test_no_transaction_is_open_while_a_post_is_under_way(
    database: Database, tenant: Tenant, worker: Worker, depot: Receiving
) -> None:
    async def write_meanwhile(_heard: Heard) -> web.StreamResponse:
        async with asyncio.timeout(2), database.write(tenant) as tx:  # SQLite has one writer
            await deliveries.hold(tx, "supplier", "nobody")
        return web.Response()

    depot.answers = write_meanwhile
    post = event(await subscribe(database, tenant, depot.endpoint))
    await enqueue(database, tenant, post)
    await worker.run_due()
    (tried,) = await attempts(database, tenant, post)
    assert tried.status == 200


async def test_each_try_is_counted_by_kind_and_outcome(
    database: Database, tenant: Tenant, poster: Poster, depot: Receiving, clock: Clock
) -> None:
    counted: list[tuple[str, str]] = []

    def count(kind: DeliveryKind, outcome: Outcome) -> None:
        counted.append((kind, outcome))

    worker = at_work(database, poster, clock, count=count)
    await supply(database, tenant, Supplier(endpoint=depot.endpoint))
    await enqueue(database, tenant, order(await place(database, tenant)))
    for status in (500, 200):
        depot.answers = answering(status)
        await worker.run_due()
        clock.step(seconds=5)
    depot.answers = answering(410)
    await enqueue(database, tenant, event(await subscribe(database, tenant, depot.endpoint)))
    await worker.run_due()
    assert counted == [("order", "again"), ("order", "delivered"), ("event", "gone")]


async def test_a_commit_wakes_a_worker_that_waits(
    database: Database, tenant: Tenant, worker: Worker, depot: Receiving, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("cotterline.delivery.outbox_worker.POLL_SECONDS", 60)
    name = await subscribe(database, tenant, depot.endpoint)
    running = asyncio.create_task(worker.run())
    await asyncio.sleep(0.3)
    for number in range(1, 4):
        await enqueue(database, tenant, event(name))
        await depot.until(number, seconds=5)
    worker.stop()
    await running


async def test_what_was_rolled_back_is_not_posted(
    database: Database, tenant: Tenant, worker: Worker, depot: Receiving
) -> None:
    name = await subscribe(database, tenant, depot.endpoint)
    with contextlib.suppress(ZeroDivisionError):
        async with database.write(tenant) as tx:
            await deliveries.enqueue(tx, event(name))
            raise ZeroDivisionError
    assert await worker.run_due() == 0
    assert depot.heard == []
