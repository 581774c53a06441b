"""What follows from each try: for the delivery, its receiver and its order, by a set clock on both databases."""

import itertools
from base64 import b64encode
from datetime import datetime, timedelta

import msgspec
import pytest
import structlog
from aiohttp import web
from uuid_utils.compat import uuid7

from cotterline.bench.replies import Accepted, Reply
from cotterline.bench.suppliers import Authentication, Basic, Bearer, CustomHeader, Signature, Supplier
from cotterline.delivery.outbox_worker import Worker
from cotterline.delivery.outgoing import Unsendable
from cotterline.delivery.post import Post, Poster
from cotterline.delivery.schedule import FAILING, SCHEDULE, Trouble
from cotterline.delivery.signatures import made_secret, verified
from cotterline.store import deliveries, order_replies, receiver_secrets, receivers
from cotterline.store.cipher import Cipher, made_key
from cotterline.store.database import Database
from cotterline.store.delivery_claims import Claimed
from cotterline.store.receiver_secrets import Purpose, Use
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
    row,
    subscribe,
    supply,
    told,
)
from tests.shops import Shop

pytestmark = pytest.mark.anyio


async def share(  # noqa: PLR0913, PLR0917 - what a secret is
    database: Database, tenant: Tenant, name: str, purpose: Purpose, text: str, now: datetime = NOON
) -> None:
    use = Use("supplier", name, purpose)
    overlap = timedelta(hours=24)
    async with database.write(tenant) as tx:
        await receiver_secrets.keep(tx, CIPHER, use, text, secret_id=uuid7(), now=now, actor="x", overlap=overlap)


async def test_a_supplier_that_is_away_is_tried_by_the_schedule_under_one_id_until_the_last(
    database: Database, tenant: Tenant, worker: Worker, depot: Receiving, clock: Clock
) -> None:
    await supply(database, tenant, Supplier(endpoint=depot.endpoint))
    order_id = await place(database, tenant)
    post = order(order_id)
    await enqueue(database, tenant, post)
    depot.answers = answering(500)
    for number, wait in enumerate(SCHEDULE, 1):
        clock.now += wait - timedelta(microseconds=1)
        if wait:
            assert await worker.run_due() == 0
        clock.now += timedelta(microseconds=1)
        assert await worker.run_due() == 1
        assert len(depot.heard) == number
    lost = await row(database, tenant, post)
    assert (lost.state, lost.finished_at, lost.attempts) == ("failed", clock.now, 10)
    assert set(depot.message_ids) == {post.message_id}
    assert {heard.body for heard in depot.heard} == {post.body}
    seconds = [int(heard.headers["webhook-timestamp"]) for heard in depot.heard]
    assert [b - a for a, b in itertools.pairwise(seconds)] == [wait.total_seconds() for wait in SCHEDULE[1:]]
    assert [tried.status for tried in await attempts(database, tenant, post)] == [500] * 10
    placed = await order_row(database, tenant, order_id)
    assert (placed.outcome, placed.state, placed.version) == ("undelivered", "undelivered", 2)
    assert await told(database, tenant) == ["order.undelivered"]
    clock.step(days=100)
    assert await worker.run_due() == 0


async def test_an_order_undelivered_can_be_tried_afresh_and_then_is_sent(
    database: Database, tenant: Tenant, worker: Worker, depot: Receiving, clock: Clock
) -> None:
    await supply(database, tenant, Supplier(endpoint=depot.endpoint))
    post = order(await place(database, tenant))
    await enqueue(database, tenant, post)
    depot.answers = answering(500)
    for wait in SCHEDULE:
        clock.now += wait
        await worker.run_due()
    async with database.write(tenant) as tx:
        await deliveries.retry(tx, post.id, clock.now)
    assert await worker.run_due() == 1
    again = await row(database, tenant, post)
    assert (again.state, again.due_at - clock.now) == ("waiting", SCHEDULE[1])
    depot.answers = answering(200)
    clock.now += SCHEDULE[1]
    assert await worker.run_due() == 1
    assert (await order_row(database, tenant, post.subject_id)).outcome == "sent"
    assert await told(database, tenant) == ["order.undelivered", "order.sent"]
    assert set(depot.message_ids) == {post.message_id}


async def test_a_supplier_that_was_down_for_days_gets_everything_once_it_is_back(
    database: Database, tenant: Tenant, worker: Worker, depot: Receiving, clock: Clock
) -> None:
    await supply(database, tenant, Supplier(endpoint=depot.endpoint))
    posts = [order(await place(database, tenant)) for _ in range(5)]
    await enqueue(database, tenant, *posts)
    depot.answers = answering(503)
    while clock.now < NOON + timedelta(days=2):
        await worker.run_due()
        clock.step(minutes=30)
    failing = await receiver(database, tenant, DEPOT)
    assert failing.failing_since == NOON
    assert failing.disabled_at is None
    depot.answers = answering(202)
    depot.heard.clear()
    clock.step(days=1)
    await worker.run_due()
    assert sorted(depot.message_ids) == sorted(post.message_id for post in posts)
    assert {(await row(database, tenant, post)).state for post in posts} == {"delivered"}
    assert (await receiver(database, tenant, DEPOT)).failing_since is None


async def test_five_days_of_failure_disable_a_receiver_and_say_so_once(
    database: Database, tenant: Tenant, worker: Worker, depot: Receiving, clock: Clock
) -> None:
    await supply(database, tenant, Supplier(endpoint=depot.endpoint))
    first = order(await place(database, tenant))
    await enqueue(database, tenant, first)
    depot.answers = answering(500)
    await worker.run_due()
    clock.now += FAILING
    later = [order(await place(database, tenant), clock.now) for _ in range(3)]
    await enqueue(database, tenant, *later)
    await worker.run_due()
    off = await receiver(database, tenant, DEPOT)
    assert (off.disabled_at, off.disabled_why) == (clock.now, "Every post for 5 days has failed.")
    assert {(await row(database, tenant, post)).state for post in (first, *later)} == {"held"}
    assert (await told(database, tenant)).count("supplier.disabled") == 1
    heard = len(depot.heard)
    after = order(await place(database, tenant), clock.now)
    await enqueue(database, tenant, after)
    clock.step(days=10)
    assert await worker.run_due() == 0
    assert len(depot.heard) == heard
    assert (await row(database, tenant, after)).state == "held"
    depot.answers = answering(202)
    async with database.write(tenant) as tx:
        assert await receivers.enable(tx, "supplier", DEPOT)
        await deliveries.release(tx, "supplier", DEPOT, clock.now)
    assert await worker.run_due() == 5
    assert {(await row(database, tenant, post)).state for post in (first, *later, after)} == {"delivered"}


async def test_one_that_is_gone_is_disabled_at_once_and_nobody_else(
    database: Database, tenant: Tenant, worker: Worker, depot: Receiving, shop_b: Shop
) -> None:
    gone, other = [await subscribe(database, tenant, depot.endpoint) for _ in range(2)]
    theirs = await subscribe(database, shop_b.tenant, depot.endpoint)
    post, spared = event(gone), event(other)
    await enqueue(database, tenant, post, spared, event(gone, NOON + timedelta(hours=1)))
    await enqueue(database, shop_b.tenant, event(theirs))

    async def answer(heard: Heard) -> web.StreamResponse:
        return web.Response(status=410 if heard.message_id == post.message_id else 200)

    depot.answers = answer
    await worker.run_due()
    off = await receiver(database, tenant, gone)
    assert (off.disabled_at, off.disabled_why) == (NOON, "It answered that it is gone for good (410).")
    assert (await row(database, tenant, post)).state == "failed"
    assert (await row(database, tenant, spared)).state == "delivered"
    assert (await receiver(database, tenant, other)).disabled_at is None
    assert (await receiver(database, shop_b.tenant, theirs)).disabled_at is None
    async with database.read(tenant) as tx:
        held = await deliveries.page(tx, deliveries.DeliverySearch(state="held"), None, 9)
        heard = await deliveries.page(tx, deliveries.DeliverySearch(receiver_name=other), None, 9)
    assert [one.receiver_name for one in held.deliveries] == [gone]
    assert await told(database, tenant) == ["subscription.disabled"]
    assert len(heard.deliveries) == 2  # the other subscription is told of it


@pytest.mark.parametrize(
    ("authentication", "header", "shown"),
    [
        (Bearer(), "authorization", "Bearer open sesame"),
        (Basic(user="Tide mill"), "authorization", "Basic " + b64encode(b"Tide mill:open sesame").decode()),
        (CustomHeader(name="X-Depot-Key"), "x-depot-key", "open sesame"),
        (Signature(), "authorization", None),
    ],
)
async def test_a_post_shows_what_the_supplier_asks_for_and_is_signed(  # noqa: PLR0913, PLR0917 - fixtures
    database: Database,
    tenant: Tenant,
    worker: Worker,
    depot: Receiving,
    authentication: Authentication,
    header: str,
    shown: str | None,
) -> None:
    await supply(database, tenant, Supplier(endpoint=depot.endpoint, authentication=authentication))
    await share(database, tenant, DEPOT, "credential", "shut sesame", NOON - timedelta(hours=1))
    await share(database, tenant, DEPOT, "credential", "open sesame")
    secrets = [made_secret(), made_secret()]
    await share(database, tenant, DEPOT, "signing", secrets[0], NOON - timedelta(hours=1))
    await share(database, tenant, DEPOT, "signing", secrets[1])
    post = order(await place(database, tenant))
    await enqueue(database, tenant, post)
    await worker.run_due()
    (heard,) = depot.heard
    assert heard.headers.get(header) == shown
    for secret in secrets:
        assert verified([secret], heard.headers, heard.body, NOON) == post.message_id


async def test_what_holds_at_the_moment_of_sending_is_used(
    database: Database, tenant: Tenant, worker: Worker, depot: Receiving, clock: Clock
) -> None:
    await supply(database, tenant, Supplier(endpoint="http://127.0.0.1:1/"))
    old, new = made_secret(), made_secret()
    await share(database, tenant, DEPOT, "signing", old)
    post = order(await place(database, tenant))
    await enqueue(database, tenant, post)
    await worker.run_due()
    async with database.write(tenant) as tx:
        seen = await receivers.get(tx, "supplier", DEPOT)
        assert seen is not None
        moved = msgspec.json.encode(Supplier(endpoint=depot.endpoint))
        assert await receivers.change(tx, msgspec.structs.replace(seen, version=2, content=moved), 1)
    await share(database, tenant, DEPOT, "signing", new)
    clock.step(hours=25)
    await worker.run_due()
    (heard,) = depot.heard
    assert len(heard.headers["webhook-signature"].split()) == 1
    assert verified([new], heard.headers, heard.body, clock.now) == post.message_id


async def test_an_order_is_not_sent_without_the_credential_it_should_show(
    database: Database, tenant: Tenant, worker: Worker, depot: Receiving, clock: Clock
) -> None:
    await supply(database, tenant, Supplier(endpoint=depot.endpoint, authentication=Bearer()))
    post = order(await place(database, tenant))
    await enqueue(database, tenant, post)
    await worker.run_due()
    assert depot.heard == []
    (tried,) = await attempts(database, tenant, post)
    assert tried.trouble == "no credential is kept for it"
    assert (await receiver(database, tenant, DEPOT)).failing_since is None
    await share(database, tenant, DEPOT, "credential", "open sesame")
    clock.step(seconds=5)
    await worker.run_due()
    assert (await row(database, tenant, post)).state == "delivered"


async def test_a_secret_that_cannot_be_opened_here_sends_nothing_and_blames_nobody(
    database: Database, tenant: Tenant, poster: Poster, depot: Receiving, clock: Clock
) -> None:
    await supply(database, tenant, Supplier(endpoint=depot.endpoint))
    await share(database, tenant, DEPOT, "signing", made_secret())
    post = order(await place(database, tenant))
    await enqueue(database, tenant, post)
    await at_work(database, poster, clock, cipher=Cipher([made_key()])).run_due()
    assert depot.heard == []
    assert (await row(database, tenant, post)).state == "waiting"
    assert (await receiver(database, tenant, DEPOT)).failing_since is None
    (tried,) = await attempts(database, tenant, post)
    assert tried.trouble == "None of the keys given opens a secret kept here."


async def test_a_reply_in_the_answer_is_taken_in_with_the_order_sent(
    database: Database, tenant: Tenant, worker: Worker, depot: Receiving
) -> None:
    await supply(database, tenant, Supplier(endpoint=depot.endpoint))
    order_id = await place(database, tenant)
    await enqueue(database, tenant, order(order_id))
    depot.answers = answering(200, msgspec.json.encode(Reply(at=NOON, says=(Accepted(),))))
    await worker.run_due()
    placed = await order_row(database, tenant, order_id)
    assert (placed.outcome, placed.state) == ("sent", "accepted")
    assert await told(database, tenant) == ["order.sent", "order.replied"]
    async with database.read(tenant) as tx:
        (kept,) = await order_replies.every(tx, order_id)
    assert (kept.source, kept.actor) == ("answer", DEPOT)


@pytest.mark.parametrize(
    "body",
    [
        b"",
        b"OK",
        b"{}",
        b"\xff",
        b"[" * 100_000,
        b'{"at":"2024-05-01T12:00:00Z","says":[{"says":"accepted"}],"more":1}',
        b'{"at":1714564800,"says":[{"says":"accepted"}]}',
        b'{"at":"2024-05-01T12:00:00Z","says":[{"says":"accepted","lines":["1"]}]}',
    ],
)
async def test_an_answer_that_is_no_reply_to_the_letter_is_none(
    database: Database, tenant: Tenant, worker: Worker, depot: Receiving, body: bytes
) -> None:
    await supply(database, tenant, Supplier(endpoint=depot.endpoint))
    order_id = await place(database, tenant)
    post = order(order_id)
    await enqueue(database, tenant, post)
    depot.answers = answering(200, body)
    await worker.run_due()
    assert (await order_row(database, tenant, order_id)).state == "sent"
    assert await told(database, tenant) == ["order.sent"]
    (tried,) = await attempts(database, tenant, post)
    assert tried.answer == body[:2048]


async def test_a_reply_that_cannot_be_taken_in_does_not_undo_that_the_post_arrived(
    database: Database, tenant: Tenant, worker: Worker, depot: Receiving
) -> None:
    await supply(database, tenant, Supplier(endpoint=depot.endpoint))
    post = order(uuid7(), kind="order_change")  # of an order that is not there
    await enqueue(database, tenant, post)
    depot.answers = answering(200, msgspec.json.encode(Reply(at=NOON, says=(Accepted(),))))
    await worker.run_due()
    done = await row(database, tenant, post)
    assert (done.state, done.attempts) == ("delivered", 1)
    assert [tried.status for tried in await attempts(database, tenant, post)] == [200]


async def test_a_reply_in_the_refusal_of_an_order_is_none(
    database: Database, tenant: Tenant, worker: Worker, depot: Receiving
) -> None:
    await supply(database, tenant, Supplier(endpoint=depot.endpoint))
    order_id = await place(database, tenant)
    await enqueue(database, tenant, order(order_id))
    depot.answers = answering(409, msgspec.json.encode(Reply(at=NOON, says=(Accepted(),))))
    await worker.run_due()
    assert (await order_row(database, tenant, order_id)).state == "waiting"


async def test_of_an_answer_2_kb_are_kept_and_no_nul(
    database: Database, tenant: Tenant, worker: Worker, depot: Receiving
) -> None:
    post = event(await subscribe(database, tenant, depot.endpoint))
    await enqueue(database, tenant, post)
    depot.answers = answering(500, b"\0a" * 5000)
    await worker.run_due()
    (tried,) = await attempts(database, tenant, post)
    assert tried.answer == b"a" * 1024


async def test_what_waits_for_a_subscription_that_is_gone_is_cancelled(
    database: Database, tenant: Tenant, worker: Worker
) -> None:
    post = event(str(uuid7()))
    await enqueue(database, tenant, post)
    await worker.run_due()
    assert (await row(database, tenant, post)).state == "cancelled"


async def test_one_disabled_after_the_claim_is_not_posted_to(
    database: Database, tenant: Tenant, worker: Worker, depot: Receiving
) -> None:
    name = await subscribe(database, tenant, depot.endpoint)
    post = event(name)
    await enqueue(database, tenant, post)
    async with database.write(tenant) as tx:
        await receivers.disable(tx, "subscription", name, at=NOON, why="a test")
    await worker.run_due()
    assert depot.heard == []
    assert (await row(database, tenant, post)).state == "held"


class SlowToAct(Worker):
    """A worker that is overtaken between its look at a receiver and what it does about it."""

    async def _prepared(self, claimed: Claimed, now: datetime) -> Post | Trouble | Unsendable:
        found = await super()._prepared(claimed, now)
        async with self._database.write(claimed.tenant) as tx:
            await receivers.enable(tx, claimed.receiver_kind, claimed.receiver_name)
            await deliveries.release(tx, claimed.receiver_kind, claimed.receiver_name, now)
        return found


async def test_one_enabled_again_after_the_worker_looked_is_posted_to(
    database: Database, tenant: Tenant, poster: Poster, depot: Receiving, clock: Clock
) -> None:
    name = await subscribe(database, tenant, depot.endpoint)
    post = event(name)
    await enqueue(database, tenant, post)
    async with database.write(tenant) as tx:
        await receivers.disable(tx, "subscription", name, at=NOON, why="a test")
    await SlowToAct(database, CIPHER, poster, clock=clock).run_due()
    assert depot.message_ids == [post.message_id]
    done = await row(database, tenant, post)
    assert (done.state, done.attempts) == ("delivered", 1)


async def test_nothing_secret_is_logged(
    database: Database, tenant: Tenant, worker: Worker, depot: Receiving, caplog: pytest.LogCaptureFixture
) -> None:
    secret = made_secret()
    endpoint = depot.endpoint + "&token=swordfish"
    await supply(database, tenant, Supplier(endpoint=endpoint, authentication=Bearer()))
    await share(database, tenant, DEPOT, "signing", secret)
    await share(database, tenant, DEPOT, "credential", "open sesame")
    depot.answers = answering(500, b"private")
    with caplog.at_level("INFO"), structlog.testing.capture_logs() as lines:
        for _ in range(2):
            await enqueue(database, tenant, order(await place(database, tenant)))
            await worker.run_due()
            depot.answers = answering(200, msgspec.json.encode(Reply(at=NOON, says=(Accepted(lines=(99,)),))))
    said = caplog.text + repr(lines)
    assert len(depot.heard) == 2
    for word in (secret.removeprefix("whsec_"), "sesame", "swordfish", "private", "Bearer"):
        assert word not in said
