"""Killed at whatever step, nothing is lost, nothing goes out under another id, and all stands right afterwards."""

import asyncio
import contextlib
import os
import signal
from collections.abc import AsyncIterator, Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import NamedTuple
from uuid import UUID, uuid4

import httpx
import pytest
from aiohttp import web
from litestar.testing import TestClient

from cotterline.main import create_app
from cotterline.settings import Settings
from cotterline.store import deliveries, events
from cotterline.store.database import Database
from cotterline.store.deliveries import DeliveryRow, DeliverySearch
from cotterline.store.orders import OrderPage, OrderSearch, page
from cotterline.store.tenancy import Tenant
from tests.api.ordering import DEPOT, FROM_STOCK, approved, set_parts, set_prices, set_supplier
from tests.delivery import processes
from tests.delivery.outbox import Heard, Receiving, enqueue, event, receiving, subscribe
from tests.shops import Shop

pytestmark = pytest.mark.anyio

POSTED_ONCE = ["written, not committed", "committed, not claimed", "claimed, not sent", "recorded"]
POSTED_TWICE = ["answered, not recorded", "recorded, not committed"]
STEPS = [*POSTED_ONCE, *POSTED_TWICE, "sent, not answered"]
TRIES = {"written, not committed": 1, "committed, not claimed": 1, "recorded": 1}


class Bench(NamedTuple):
    """A shop with an approved quote, ready to be ordered of a supplier on this machine."""

    url: str
    folder: Path
    shop: Shop
    quote_id: str
    depot: Receiving
    key: str

    async def order(self, address: str) -> httpx.Response:
        """Ask for the order, each time under the same key."""
        headers = self.shop.headers | {"Idempotency-Key": f'"{self.key}"'}
        async with httpx.AsyncClient(base_url=address, headers=headers, timeout=processes.SECONDS) as client:
            return await client.post(f"/v1/quotes/{self.quote_id}/orders", json=FROM_STOCK)

    async def posts(self) -> list[DeliveryRow]:
        """What the outbox holds."""
        database = await Database.open(self.url)
        try:
            async with database.read(self.shop.tenant) as tx:
                return [*(await deliveries.page(tx, DeliverySearch(), None, 100)).deliveries]
        finally:
            await database.close()

    async def orders(self) -> OrderPage:
        """The orders there are."""
        database = await Database.open(self.url)
        try:
            async with database.read(self.shop.tenant) as tx:
                return await page(tx, OrderSearch(), None, 100)
        finally:
            await database.close()

    async def told(self) -> list[str]:
        """What was told of orders."""
        database = await Database.open(self.url)
        try:
            async with database.read(self.shop.tenant) as tx:
                return [one.type for one in await events.after(tx, 0, 1000) if one.resource_kind == "order"]
        finally:
            await database.close()

    async def delivered(self) -> DeliveryRow:
        """Wait until the one post there is was delivered."""
        async with asyncio.timeout(processes.SECONDS):
            while [one.state for one in await self.posts()] != ["delivered"]:  # noqa: ASYNC110 - another process's
                await asyncio.sleep(0.1)
        (done,) = await self.posts()
        return done


@pytest.fixture
async def bench(database_url: str, shop_a: Shop, tmp_path: Path) -> AsyncIterator[Bench]:
    """Set a shop up so that it can order."""
    async with receiving() as depot:
        quote_id = await asyncio.to_thread(_prepare, database_url, shop_a, depot.endpoint)
        yield Bench(database_url, tmp_path, shop_a, quote_id, depot, str(uuid4()))


def _prepare(url: str, shop: Shop, endpoint: str) -> str:
    settings = Settings(database_url=url, worker="off", open_networks="127.0.0.0/8")
    with TestClient(create_app(settings)) as client:
        client.headers.update(shop.headers)
        set_parts(client)
        set_prices(client)
        set_supplier(client, endpoint=endpoint)
        return approved(client)


def killing_at_the_first(depot: Receiving, kill: Callable[[], object]) -> None:
    """Have the sender killed when the first post was heard, before it is answered."""

    async def answer(_heard: Heard) -> web.StreamResponse:
        if len(depot.heard) == 1:
            kill()
            await asyncio.sleep(0.2)
        return web.Response(status=202)

    depot.answers = answer


async def check(bench: Bench, step: str) -> None:
    """See that the order arrived, under one id, and stands where it should."""
    done = await bench.delivered()
    assert len(bench.depot.heard) == (1 if step in POSTED_ONCE else 2)
    assert {(heard.message_id, heard.body) for heard in bench.depot.heard} == {
        (done.message_id, bench.depot.heard[0].body)
    }
    assert done.attempts == TRIES.get(step, 2)
    (placed,) = (await bench.orders()).orders
    assert (placed.id, placed.outcome, placed.state, placed.version) == (done.subject_id, "sent", "sent", 2)
    assert await bench.told() == ["order.placed", "order.sent"]


@pytest.mark.parametrize("step", STEPS)
async def test_a_server_killed_at_any_step_loses_nothing(bench: Bench, step: str) -> None:
    dies = step if step != "sent, not answered" else ""
    with processes.server(bench.folder, bench.url, dies) as first:
        killing_at_the_first(bench.depot, first.running.kill if not dies else lambda: None)
        with contextlib.suppress(httpx.TransportError):
            assert (await bench.order(first.address)).status_code == httpx.codes.CREATED
        assert await asyncio.to_thread(first.has_died) == -signal.SIGKILL
    assert len(await bench.posts()) == (step != "written, not committed")
    with processes.server(bench.folder, bench.url) as second:
        again = await bench.order(second.address)
        assert again.status_code == httpx.codes.CREATED
        assert [UUID(one["id"]) for one in again.json()["orders"]] == [one.id for one in (await bench.orders()).orders]
        await check(bench, step)


@pytest.mark.parametrize("step", STEPS[1:])
async def test_a_worker_killed_at_any_step_loses_nothing(bench: Bench, step: str) -> None:
    dies = step if step != "sent, not answered" else ""
    with processes.server(bench.folder, bench.url, COTTERLINE_WORKER="off") as serving:
        with processes.worker(bench.folder, bench.url, dies) as first:
            killing_at_the_first(bench.depot, first.running.kill if not dies else lambda: None)
            assert (await bench.order(serving.address)).status_code == httpx.codes.CREATED
            assert await asyncio.to_thread(first.has_died) == -signal.SIGKILL
        with processes.worker(bench.folder, bench.url):
            await check(bench, step)


async def test_workers_of_two_processes_that_race_post_each_once(
    database: Database, database_url: str, tenant: Tenant, tmp_path: Path
) -> None:
    async with receiving() as depot:
        names = [await subscribe(database, tenant, depot.endpoint) for _ in range(20)]
        with processes.worker(tmp_path, database_url), processes.worker(tmp_path, database_url):
            told = [event(names[n % 20], datetime.now(UTC)) for n in range(200)]
            for post in told:
                await enqueue(database, tenant, post)
            await depot.until(len(told), processes.SECONDS)
            await asyncio.sleep(1)
    assert sorted(depot.message_ids) == sorted(post.message_id for post in told)


async def test_a_worker_told_to_stop_finishes_its_post_and_ends_well(bench: Bench) -> None:
    with (
        processes.server(bench.folder, bench.url, COTTERLINE_WORKER="off") as serving,
        processes.worker(bench.folder, bench.url) as first,
    ):
        stopping = os.kill

        async def answer(_heard: Heard) -> web.StreamResponse:
            stopping(first.running.pid, signal.SIGTERM)
            await asyncio.sleep(0.5)
            return web.Response(status=202)

        bench.depot.answers = answer
        assert (await bench.order(serving.address)).status_code == httpx.codes.CREATED
        assert await asyncio.to_thread(first.has_died) == 0
    await check(bench, "recorded")
    assert bench.depot.heard[0].headers["content-type"] == "application/json"
    assert DEPOT.encode() in bench.depot.heard[0].body
