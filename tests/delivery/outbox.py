"""Receivers, posts and a receiver's end of the wire, for the tests of delivery."""

import asyncio
import contextlib
import ssl
from collections.abc import AsyncIterator, Awaitable, Callable, Mapping
from datetime import UTC, datetime, timedelta
from ipaddress import ip_network
from typing import Any, NamedTuple
from uuid import UUID

import msgspec
from aiohttp import web
from uuid_utils.compat import uuid7

from cotterline.bench.standing import standing
from cotterline.bench.subscriptions import Subscription
from cotterline.bench.suppliers import Supplier
from cotterline.delivery.outbox_worker import Worker
from cotterline.delivery.post import Poster
from cotterline.store import deliveries, events, orders, quotes, receivers
from cotterline.store.cipher import Cipher, made_key
from cotterline.store.database import Database
from cotterline.store.deliveries import Attempt, Delivery, DeliveryKind, DeliveryRow
from cotterline.store.orders import OrderRow
from cotterline.store.receivers import Receiver, ReceiverKind
from cotterline.store.tenancy import Tenant
from tests.practice_supplier import orders as documents
from tests.store.test_tenancy import quote

CIPHER = Cipher([made_key()])
LOOPBACK = [ip_network("127.0.0.0/8")]
NOON = datetime(2024, 5, 1, 12, tzinfo=UTC)
DEPOT = "Lower lock depot"


class Heard(NamedTuple):
    """One post as it reached a receiver."""

    headers: Mapping[str, str]
    body: bytes

    @property
    def message_id(self) -> str:
        """What names it."""
        return self.headers["webhook-id"]


Behaviour = Callable[[Heard], Awaitable[web.StreamResponse]]


class Receiving:
    """A receiver on a free port of this machine, which keeps what it hears and answers as it is told."""

    def __init__(self) -> None:
        self.heard: list[Heard] = []
        self.answers: Behaviour = accepting
        self.endpoint = ""
        self._came = asyncio.Condition()

    @property
    def message_ids(self) -> list[str]:
        """The id of each post, in the order they came."""
        return [heard.message_id for heard in self.heard]

    async def take(self, request: web.BaseRequest) -> web.StreamResponse:
        """Keep a post and answer it."""
        heard = Heard({name.lower(): value for name, value in request.headers.items()}, await request.read())
        self.heard.append(heard)
        async with self._came:
            self._came.notify_all()
        return await self.answers(heard)

    async def until(self, posts: int, seconds: float = 20) -> None:
        """Wait until so many posts were heard."""
        async with asyncio.timeout(seconds), self._came:
            await self._came.wait_for(lambda: len(self.heard) >= posts)


async def accepting(_heard: Heard) -> web.StreamResponse:
    return web.Response(status=202)


def answering(status: int, body: bytes = b"", **headers: str) -> Behaviour:
    async def answer(_heard: Heard) -> web.StreamResponse:
        await asyncio.sleep(0)
        return web.Response(status=status, body=body, headers={n.replace("_", "-"): v for n, v in headers.items()})

    return answer


@contextlib.asynccontextmanager
async def receiving(host: str = "127.0.0.1", tls: ssl.SSLContext | None = None) -> AsyncIterator[Receiving]:
    """Run a receiver while the block runs."""
    receiver = Receiving()
    runner = web.ServerRunner(web.Server(receiver.take, access_log=None), shutdown_timeout=0.1)
    await runner.setup()
    site = web.TCPSite(runner, host, 0, ssl_context=tls)
    await site.start()
    port = runner.addresses[0][1]
    receiver.endpoint = f"http://{f'[{host}]' if ':' in host else host}:{port}/orders?of=shop"
    try:
        yield receiver
    finally:
        await runner.cleanup()


class Clock:
    """A clock that a test sets."""

    def __init__(self, now: datetime = NOON) -> None:
        self.now = now

    def __call__(self) -> datetime:
        """Tell the time."""
        return self.now

    def step(self, **by: float) -> None:
        """Set it forward, or back."""
        self.now += timedelta(**by)


def at_work(database: Database, poster: Poster, clock: Clock, **more: Any) -> Worker:  # noqa: ANN401 - the worker's own
    """A worker by a test's clock, whose waits are neither stretched nor cut."""
    return Worker(database, more.pop("cipher", CIPHER), poster, clock=clock, chance=lambda: 0.5, **more)


async def subscribe(database: Database, tenant: Tenant, endpoint: str, timeout_seconds: int = 15) -> str:
    """Add a subscription to everything and return its name."""
    name = str(uuid7())
    content = msgspec.json.encode(Subscription(endpoint=endpoint, timeout_seconds=timeout_seconds))
    await _add(database, tenant, "subscription", name, content)
    return name


async def supply(database: Database, tenant: Tenant, supplier: Supplier, name: str = DEPOT) -> str:
    """Add a supplier and return its name."""
    await _add(database, tenant, "supplier", name, msgspec.json.encode(supplier))
    return name


def event(name: str, at: datetime = NOON, body: bytes = b'{"type":"test.sent"}') -> Delivery:
    """A post of an event to a subscription."""
    event_id = uuid7()
    return Delivery(
        id=uuid7(),
        receiver_kind="subscription",
        receiver_name=name,
        kind="event",
        subject_id=event_id,
        message_id=f"evt_{event_id.hex}",
        created_at=at,
        content_type="application/json",
        body=body,
    )


def order(order_id: UUID, at: datetime = NOON, kind: DeliveryKind = "order", name: str = DEPOT) -> Delivery:
    """A post of an order, or of a change of it, to a supplier."""
    delivery_id = uuid7()
    return Delivery(
        id=delivery_id,
        receiver_kind="supplier",
        receiver_name=name,
        kind=kind,
        subject_id=order_id,
        message_id=f"msg_{delivery_id.hex}",
        created_at=at,
        content_type="application/json",
        body=b'{"document":"order"}',
    )


async def enqueue(database: Database, tenant: Tenant, *posts: Delivery) -> None:
    """Put posts into the outbox."""
    async with database.write(tenant) as tx:
        await deliveries.enqueue(tx, *posts)


async def row(database: Database, tenant: Tenant, delivery: Delivery) -> DeliveryRow:
    """What became of a post."""
    async with database.read(tenant) as tx:
        found = await deliveries.get(tx, delivery.id)
    assert found is not None
    return found


async def attempts(database: Database, tenant: Tenant, delivery: Delivery) -> list[Attempt]:
    """What came of each try."""
    async with database.read(tenant) as tx:
        return [*await deliveries.attempts(tx, delivery.id)]


async def receiver(database: Database, tenant: Tenant, name: str) -> Receiver:
    """A receiver as it is now."""
    async with database.read(tenant) as tx:
        found = await receivers.get(tx, "supplier" if name == DEPOT else "subscription", name)
    assert found is not None
    return found


async def _add(database: Database, tenant: Tenant, kind: ReceiverKind, name: str, content: bytes) -> None:
    made = Receiver(kind=kind, name=name, version=1, created_at=NOON, changed_at=NOON, actor="x", content=content)
    async with database.write(tenant) as tx:
        assert await receivers.insert(tx, made)


async def place(database: Database, tenant: Tenant) -> UUID:
    """Keep an order of the supplier's whose post is still to come, and return its id."""
    made = quote()
    order_id = uuid7()
    document = documents.order(order_id=order_id)
    waiting = standing(document, "waiting", (), (), ())
    kept = OrderRow(
        id=order_id,
        created_at=NOON,
        actor="x",
        quote_id=made.id,
        quote_revision=1,
        supplier=DEPOT,
        state=waiting.state,
        version=1,
        open_questions=0,
        outcome="waiting",
        document=msgspec.json.encode(document),
        standing=msgspec.json.encode(waiting),
    )
    async with database.write(tenant) as tx:
        await quotes.insert(tx, made)
        assert await orders.insert(tx, kept)
    return order_id


async def order_row(database: Database, tenant: Tenant, order_id: UUID) -> OrderRow:
    """An order as it is now."""
    async with database.read(tenant) as tx:
        found = await orders.get(tx, order_id)
    assert found is not None
    return found


async def told(database: Database, tenant: Tenant) -> list[str]:
    """The type of each event so far, in order."""
    async with database.read(tenant) as tx:
        return [one.type for one in await events.after(tx, 0, 1000)]
